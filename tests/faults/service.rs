//! Signals, the service unit of the README, a clock that is set during a run, and a whole login session that ends.

use super::{Recorder, complete_lines, follow, open_and_run};
use crate::program::dropwise;
use dropwise::link::{self, RecordLock};
use dropwise::store::{Reader, verify};
use dropwise::work::{BenchState, Command as Wish, Event};
use nix::sys::signal::Signal;
use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const SHELF: &str =
    "title = \"shelf\"\ninstrument = [{ profile = \"demo-bench\", port = \"simulator@20:5\" }]\n";

/// Waits for something that has no event.
async fn until(what: &str, mut done: impl FnMut() -> bool) {
    let deadline = Instant::now() + Duration::from_secs(60);
    while !done() {
        assert!(Instant::now() < deadline, "in vain: {what}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_terminal_that_hangs_up_ends_nothing_and_ctrl_c_twice_loses_nothing() {
    let home = tempfile::tempdir().unwrap();
    let mut recorder = Recorder::start(home.path(), &[]);
    let mut session = recorder.attach().await;
    open_and_run(&session, 1, 20).await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 20).await;
    recorder.signal(Signal::SIGHUP);
    let saved = state.store.saved_lines;
    follow(&mut session, &mut state, |s| s.store.saved_lines > saved + 20).await;
    recorder.signal(Signal::SIGINT);
    recorder.signal(Signal::SIGINT);
    while let Some(event) = session.events.recv().await {
        state.apply(&event);
    }
    assert!(recorder.process.wait().unwrap().success());
    assert!(complete_lines(&recorder.record) >= state.lanes[0].frames_total);
    let run = Reader::open(&recorder.record).unwrap().run(1).unwrap();
    assert_eq!(run.row.ended.as_deref(), Some("the recorder was stopped"));
    assert_eq!(verify(&recorder.record, None, &[], &|_, _| {}).unwrap().faults, []);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_run_in_the_foreground_ends_well_by_ctrl_c_twice() {
    let home = tempfile::tempdir().unwrap();
    let shelf = home.path().join("shelf.toml");
    std::fs::write(&shelf, SHELF).unwrap();
    let record = home.path().join("record.db");
    let mut run = dropwise(home.path())
        .args(["run", "--plain", "--bench"])
        .arg(&shelf)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let begun = || Reader::open(&record).and_then(|reader| reader.runs(1)).is_ok_and(|runs| !runs.is_empty());
    until("a run", begun).await;
    until("lines", || complete_lines(&record) > 20).await;
    let pid = nix::unistd::Pid::from_raw(i32::try_from(run.id()).unwrap());
    nix::sys::signal::kill(pid, Signal::SIGINT).unwrap();
    // Ended already is as good.
    let _gone = nix::sys::signal::kill(pid, Signal::SIGINT);
    assert_eq!(run.wait().unwrap().code(), Some(0));
    let kept = Reader::open(&record).unwrap().run(1).unwrap();
    assert!(kept.row.ended.is_some());
    assert_eq!(verify(&record, None, &[], &|_, _| {}).unwrap().faults, []);
}

/// The service unit as the README has it.
fn unit() -> String {
    let readme = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
    let lines = readme.lines().skip_while(|line| line.trim() != "[Unit]");
    let lines = lines.take_while(|line| line.is_empty() || line.starts_with("    "));
    lines.map(|line| line.trim_start().to_owned() + "\n").collect()
}

/// The lines of a unit by their keys.
fn settings(unit: &str) -> BTreeMap<&str, &str> {
    unit.lines().filter_map(|line| line.split_once('=')).collect()
}

#[test]
fn systemd_understands_every_line_of_the_unit() {
    if Command::new("systemd-analyze").arg("--version").output().is_err() {
        println!("skipped: there is no systemd-analyze here");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("dropwise.service");
    let unit = unit().replace("/usr/local/bin/dropwise", env!("CARGO_BIN_EXE_dropwise"));
    std::fs::write(&path, unit).unwrap();
    let verified = Command::new("systemd-analyze").arg("verify").arg(&path).output().unwrap();
    let said = String::from_utf8_lossy(&verified.stderr).into_owned();
    assert!(verified.status.success() && !said.contains("dropwise.service"), "{said}");
}

/// What a service manager would start: the command of the unit with its environment, without terminal and input.
fn as_a_service(home: &Path) -> Recorder {
    let unit = unit();
    let settings = settings(&unit);
    let (variable, place) = settings["Environment"].split_once('=').unwrap();
    assert_eq!(
        (variable, place),
        ("DROPWISE_HOME", format!("/var/lib/{}", settings["StateDirectory"]).as_str())
    );
    let mut words = settings["ExecStart"].split(' ');
    assert_eq!(words.next(), Some("/usr/local/bin/dropwise"));
    let mut command = Command::new(env!("CARGO_BIN_EXE_dropwise"));
    command
        .env_clear()
        .env(variable, home)
        .args(words)
        .current_dir("/")
        .stdin(Stdio::null())
        .stderr(Stdio::null());
    Recorder::start_by(command, home)
}

#[tokio::test(flavor = "multi_thread")]
async fn the_unit_starts_a_recorder_that_comes_back_after_a_kill_and_leaves_when_it_is_asked() {
    let home = tempfile::tempdir().unwrap();
    let benches = home.path().join("benches");
    std::fs::create_dir(&benches).unwrap();
    std::fs::write(benches.join("window.toml"), SHELF).unwrap();
    let mut first = as_a_service(home.path());
    let mut session = first.attach().await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 5).await;
    first.kill();
    let mut second = as_a_service(home.path());
    let mut session = second.attach().await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 5).await;
    second.signal(Signal::SIGTERM);
    let asked = Instant::now();
    assert!(second.process.wait().unwrap().success());
    let patience = unit();
    let patience: u64 = settings(&patience)["TimeoutStopSec"].parse().unwrap();
    assert!(asked.elapsed() < Duration::from_secs(patience));
    assert_eq!(verify(&second.record, None, &[], &|_, _| {}).unwrap().faults, []);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_clock_that_is_set_during_a_run_is_told_and_written_down() {
    if Command::new("faketime").args(["-v"]).output().is_err() {
        println!("skipped: there is no faketime here to set a clock with");
        return;
    }
    let home = tempfile::tempdir().unwrap();
    let offset = home.path().join("offset");
    std::fs::write(&offset, "+0\n").unwrap();
    let library = [
        "/usr/lib/x86_64-linux-gnu/faketime/libfaketimeMT.so.1",
        "/usr/lib/aarch64-linux-gnu/faketime/libfaketimeMT.so.1",
    ];
    let Some(library) = library.iter().find(|path| Path::new(path).exists()) else { return };
    let mut command = dropwise(home.path());
    command
        .arg("recorder")
        .env("LD_PRELOAD", library)
        .env("FAKETIME_TIMESTAMP_FILE", &offset)
        .env("FAKETIME_CACHE_DURATION", "1")
        .env("DONT_FAKE_MONOTONIC", "1");
    let recorder = Recorder::start_by(command, home.path());
    let mut session = recorder.attach().await;
    open_and_run(&session, 1, 20).await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 20).await;
    std::fs::write(&offset, "-3600\n").unwrap();
    let told = |s: &BenchState| s.lanes[0].warnings.iter().any(|w| format!("{w:?}").contains("clock"));
    follow(&mut session, &mut state, told).await;
    let saved = state.store.saved_lines;
    follow(&mut session, &mut state, |s| s.store.saved_lines > saved + 20).await;
    session.commands.send((9, Wish::End { lane: 1, reason: None })).await.unwrap();
    follow(&mut session, &mut state, |s| s.lanes[0].run.as_ref().is_some_and(|run| run.end.is_some())).await;
    let connection = rusqlite::Connection::open(&recorder.record).unwrap();
    let words: String = connection
        .query_row("SELECT words FROM line_event WHERE what = 'warning'", [], |row| row.get(0))
        .unwrap();
    assert!(words.contains("clock was moved by -3"), "{words}");
    // Intervals go by the other clock: it never goes back.
    let backwards: i64 = connection
        .query_row(
            "SELECT count(*) FROM wire AS a JOIN wire AS b ON b.line_id = a.line_id AND b.seq = a.seq + 1
             WHERE b.elapsed_ns < a.elapsed_ns OR b.elapsed_ns - a.elapsed_ns > 60000000000",
            [],
            |row| row.get(0),
        )
        .unwrap();
    assert_eq!(backwards, 0);
    let back: i64 = connection
        .query_row(
            "SELECT count(*) FROM wire AS a JOIN wire AS b ON b.line_id = a.line_id AND b.seq = a.seq + 1
             WHERE b.utc_us < a.utc_us - 3000000000",
            [],
            |row| row.get(0),
        )
        .unwrap();
    assert_eq!(back, 1, "the wall clock went back once");
    assert_eq!(verify(&recorder.record, None, &[], &|_, _| {}).unwrap().faults, []);
}

/// The processes of the session that a login began.
fn of_session(leader: u32) -> Vec<i32> {
    let processes = std::fs::read_dir("/proc")
        .unwrap()
        .filter_map(|entry| entry.ok()?.file_name().to_str()?.parse::<i32>().ok());
    processes
        .filter(|pid| {
            let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
            // proc(5): behind the name in brackets come state, parent, group, session. Z: it has ended.
            let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
            let session = fields.get(3).and_then(|number| number.parse::<u32>().ok());
            session == Some(leader) && fields.first() != Some(&"Z")
        })
        .collect()
}

/// The program where another account can run it, and a home that is its own.
fn home_of(account: &str, home: &Path) -> PathBuf {
    let program = home.join("dropwise");
    std::fs::copy(env!("CARGO_BIN_EXE_dropwise"), &program).unwrap();
    std::fs::set_permissions(home, std::fs::Permissions::from_mode(0o755)).unwrap();
    let user = nix::unistd::User::from_name(account).unwrap().unwrap();
    nix::unistd::chown(home, Some(user.uid), Some(user.gid)).unwrap();
    program
}

#[tokio::test(flavor = "multi_thread")]
async fn a_login_session_that_ends_whole_leaves_its_recorder_and_the_next_login_finds_the_run() {
    const ACCOUNT: &str = "daemon";
    let has = |program: &str| Command::new(program).arg("--version").output().is_ok();
    if !nix::unistd::Uid::effective().is_root() || !has("su") || !has("script") {
        println!("skipped: only root can log another account in, with su and script");
        return;
    }
    let home = tempfile::tempdir().unwrap();
    let program = home_of(ACCOUNT, home.path());
    let shelf = home.path().join("shelf.toml");
    std::fs::write(&shelf, SHELF).unwrap();
    // A login of its own on a terminal of its own.
    let log_in = |arguments: &str| {
        let command = format!(
            "env DROPWISE_HOME={} TERM=xterm LC_ALL=C.UTF-8 {} {arguments}",
            home.path().display(),
            program.display()
        );
        let su = format!("su -s /bin/sh {ACCOUNT} -c 'stty rows 30 cols 100; exec {command}'");
        let mut script = Command::new("script");
        script.args(["-q", "-f", "-c", &su, "/dev/null"]).stdin(Stdio::piped()).stdout(Stdio::piped());
        script.process_group(0).spawn().unwrap()
    };
    let mut login = log_in(&format!("run --bench {} --sample vinegar", shelf.display()));
    let record = home.path().join("record.db");
    let socket = link::socket_path(&record);
    let mut found = None;
    let deadline = Instant::now() + Duration::from_secs(60);
    while found.is_none() {
        assert!(Instant::now() < deadline, "no recorder was started");
        tokio::time::sleep(Duration::from_millis(50)).await;
        found = link::connect(&socket).await.ok();
    }
    let mut session = found.unwrap();
    let mut state = BenchState::default();
    let points =
        |s: &BenchState| s.lanes.first().and_then(|l| l.run.as_ref()).map_or(0, |run| run.points.len());
    follow(&mut session, &mut state, |s| points(s) > 5).await;
    // The end of a login: its terminal hangs up, and whatever of its session is left is killed.
    let screens: Vec<u32> = std::fs::read_to_string(format!("/proc/{0}/task/{0}/children", login.id()))
        .unwrap()
        .split_whitespace()
        .map(|pid| pid.parse().unwrap())
        .collect();
    assert!(!screens.is_empty());
    login.kill().unwrap();
    login.wait().unwrap();
    for signal in [Signal::SIGHUP, Signal::SIGKILL] {
        for pid in screens.iter().flat_map(|leader| of_session(*leader)) {
            // Gone already is as good.
            let _gone = nix::sys::signal::kill(nix::unistd::Pid::from_raw(pid), signal);
        }
        tokio::time::sleep(Duration::from_millis(300)).await;
    }
    assert!(screens.iter().all(|leader| of_session(*leader).is_empty()));
    let then = points(&state);
    follow(&mut session, &mut state, |s| points(s) > then + 20).await;
    // The next login sees it.
    let mut again = log_in("");
    let mut shown = Vec::new();
    let mut output = again.stdout.take().unwrap();
    let seen = tokio::task::spawn_blocking(move || {
        let mut buffer = [0; 4_096];
        let deadline = Instant::now() + Duration::from_secs(30);
        while Instant::now() < deadline {
            let n = std::io::Read::read(&mut output, &mut buffer).unwrap_or(0);
            shown.extend_from_slice(&buffer[..n]);
            let text = String::from_utf8_lossy(&shown);
            if n == 0 || text.contains("vinegar") && text.contains("mL") {
                break;
            }
        }
        String::from_utf8_lossy(&shown).into_owned()
    });
    let seen = seen.await.unwrap();
    assert!(seen.contains("vinegar") && seen.contains("mL"), "{seen}");
    again.kill().unwrap();
    again.wait().unwrap();
    // The hand is that account's: others do not end its run. The recorder leaves when the system asks it to.
    session.commands.send((9, Wish::End { lane: state.lanes[0].id, reason: None })).await.unwrap();
    let refused = loop {
        match session.events.recv().await.unwrap() {
            Event::Answer { id: 9, refused, .. } => break refused.unwrap(),
            event => state.apply(&event),
        }
    };
    assert!(refused.contains(&format!("{ACCOUNT} has the hand")), "{refused}");
    let pid = RecordLock::holder(&record).unwrap().unwrap().pid;
    let pid = nix::unistd::Pid::from_raw(i32::try_from(pid).unwrap());
    nix::sys::signal::kill(pid, Signal::SIGTERM).unwrap();
    while let Some(event) = session.events.recv().await {
        state.apply(&event);
    }
    let ledger = Reader::open(&record).unwrap().ledger(0).unwrap();
    assert_eq!(ledger.iter().find(|row| row.verb == "begin").unwrap().who, ACCOUNT);
    assert!(complete_lines(&record) >= state.lanes[0].frames_total);
}
