//! The recorder as a process of its own: screens come and go, and what is called saved survives a kill.
#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

mod attached;
mod program;
mod words;

use dropwise::link;
use dropwise::live::Session;
use dropwise::profile::Profile;
use dropwise::source::pty::{self, PtyPlayer};
use dropwise::work::{
    Bench, BenchPlan, BenchState, Command as Wish, Event, Instrument, LinePlan, RunPlan, VolumeFrom,
};
use program::dropwise;
use rusqlite::Connection;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::time::Duration;

struct Recorder {
    process: Child,
    record: PathBuf,
}

impl Drop for Recorder {
    fn drop(&mut self) {
        // Ended already in most tests.
        let _ended = self.process.kill();
        self.process.wait().unwrap();
    }
}

/// Starts a recorder and waits until it says where screens attach.
fn start(home: &Path) -> Recorder {
    let mut process = dropwise(home).arg("recorder").stdout(Stdio::piped()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(process.stdout.take().unwrap()).read_line(&mut line).unwrap();
    assert!(line.contains("screens attach"), "{line}");
    Recorder { process, record: home.join("record.db") }
}

fn bench(port: &Path) -> BenchPlan {
    let profile = Profile::shipped("demo-bench").unwrap();
    let port = port.display().to_string();
    let instrument = Instrument { profile: "demo-bench".to_owned(), port: port.clone() };
    BenchPlan {
        bench: Bench {
            title: "shelf bench".to_owned(),
            instrument: vec![instrument],
            volume: VolumeFrom::Line,
            burette: None,
            settling: None,
            people: dropwise::work::People::default(),
            anchors: None,
        },
        text: "title = \"shelf bench\"".to_owned(),
        lines: vec![LinePlan {
            port,
            profile_name: "demo-bench.toml".to_owned(),
            profile_text: profile.text,
        }],
    }
}

/// Lines as fast as the line takes them, so many a second.
fn lines(count: u32, per_second: f64) -> PtyPlayer {
    let line = move |i: u32| {
        let text = format!("{:.3} mL, 4.{:03} pH, 24.9 C, S\r\n", f64::from(i) * 0.01, i % 1_000);
        (0.3 + f64::from(i) / per_second, text.into_bytes())
    };
    pty::play((0..count).map(line), 1.0).unwrap()
}

async fn attach(recorder: &Recorder) -> Session {
    link::connect(&link::socket_path(&recorder.record)).await.unwrap()
}

async fn open_and_run(session: &Session, port: &Path) {
    let plan = RunPlan { portion: 1, portions: 1, ..RunPlan::default() };
    let wish =
        Wish::Open { bench: Box::new(bench(port)), start: Some(Box::new(plan)), confirms_sending: false };
    session.commands.send((1, wish)).await.unwrap();
}

/// Applies events until the state satisfies `until`; panics after a while.
async fn follow(session: &mut Session, state: &mut BenchState, until: impl FnMut(&BenchState) -> bool) {
    attached::follow_for(Duration::from_secs(60), session, state, until).await;
}

fn complete_lines(record: &Path) -> u64 {
    let connection = Connection::open(record).unwrap();
    let integrity: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(integrity, "ok");
    let mut statement = connection.prepare("SELECT bytes FROM wire ORDER BY line_id, seq").unwrap();
    let chunks = statement.query_map([], |row| row.get::<_, Vec<u8>>(0)).unwrap();
    chunks.map(|bytes| bytes.unwrap().iter().filter(|b| **b == b'\n').count() as u64).sum()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_recorder_killed_at_random_moments_keeps_every_line_it_had_called_saved() {
    // Ten moments from a fixed list that no author chose: digits of pi, in units of 40 ms.
    for (round, moment) in [31, 41, 59, 26, 53, 58, 97, 93, 23, 84].into_iter().enumerate() {
        let home = tempfile::tempdir().unwrap();
        let mut recorder = start(home.path());
        let player = lines(100_000, 500.0);
        let mut session = attach(&recorder).await;
        open_and_run(&session, &player.path).await;
        let mut state = BenchState::default();
        let deadline = tokio::time::Instant::now() + Duration::from_millis(300 + moment * 20);
        let mut called_saved = 0;
        while let Ok(Some(event)) = tokio::time::timeout_at(deadline, session.events.recv()).await {
            state.apply(&event);
            called_saved = called_saved.max(state.store.saved_lines);
        }
        recorder.process.kill().unwrap();
        recorder.process.wait().unwrap();
        // Events that were on their way when it died count too: the screen would have shown them.
        while let Some(event) = session.events.recv().await {
            state.apply(&event);
            called_saved = called_saved.max(state.store.saved_lines);
        }
        let kept = complete_lines(&recorder.record);
        assert!(called_saved > 0, "round {round}: nothing was called saved");
        assert!(kept >= called_saved, "round {round}: {kept} lines kept, {called_saved} were called saved");
        // The next recorder takes the record over.
        let again = start(home.path());
        assert!(again.record.exists());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_screen_that_leaves_ends_nothing_and_another_sees_the_whole_run() {
    let home = tempfile::tempdir().unwrap();
    let recorder = start(home.path());
    let player = lines(400, 100.0);
    let mut first = attach(&recorder).await;
    open_and_run(&first, &player.path).await;
    let mut state = BenchState::default();
    let points = |state: &BenchState| {
        state.lanes.first().and_then(|l| l.run.as_ref()).map_or(0, |run| run.points.len())
    };
    follow(&mut first, &mut state, |s| points(s) >= 20).await;
    drop(first);
    let mut second = attach(&recorder).await;
    let mut seen = BenchState::default();
    follow(&mut second, &mut seen, |s| points(s) >= 300).await;
    let run = seen.lanes[0].run.as_ref().unwrap();
    assert!(run.points[0].titrant < 0.02, "the second screen sees the run from its first point");
    second
        .commands
        .send((2, Wish::End { lane: seen.lanes[0].id, reason: Some("enough".to_owned()) }))
        .await
        .unwrap();
    let ended = |s: &BenchState| s.lanes[0].run.as_ref().is_some_and(|run| run.end.is_some());
    follow(&mut second, &mut seen, ended).await;
    let list = dropwise(home.path()).args(["list", "--json"]).output().unwrap();
    assert!(words::stdout(&list).contains("enough"), "{}", words::stdout(&list));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_second_recorder_on_one_record_is_refused_and_told_who_has_it() {
    let home = tempfile::tempdir().unwrap();
    let recorder = start(home.path());
    let output = dropwise(home.path()).arg("recorder").output().unwrap();
    assert_eq!(output.status.code(), Some(5));
    let text = words::stderr(&output);
    assert!(text.contains(&recorder.process.id().to_string()), "{text}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_port_that_another_program_has_is_told_in_words() {
    let player = lines(2_000, 50.0);
    let (home, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let recorder = start(home.path());
    let mut session = attach(&recorder).await;
    open_and_run(&session, &player.path).await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 0).await;
    let output = dropwise(other.path())
        .args(["run", "--plain", "--profile", "demo-bench", "--port"])
        .arg(&player.path)
        .output()
        .unwrap();
    let text = words::stderr(&output);
    assert_eq!(output.status.code(), Some(4), "{text}");
    assert!(text.contains("in use"), "{text}");
}

/// CPU time of a process in clock ticks (proc(5), fields 14 and 15).
fn ticks(pid: u32) -> u64 {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
    fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_recorder_whose_port_and_screen_have_gone_does_not_spin() {
    let home = tempfile::tempdir().unwrap();
    let recorder = start(home.path());
    let player = lines(50, 100.0);
    let mut session = attach(&recorder).await;
    open_and_run(&session, &player.path).await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| {
        s.lanes.first().is_some_and(|l| matches!(l.health, dropwise::work::Health::Gone { .. }))
    })
    .await;
    drop(session);
    drop(player);
    let before = ticks(recorder.process.id());
    tokio::time::sleep(Duration::from_secs(2)).await;
    let used = ticks(recorder.process.id()) - before;
    // Two seconds are 200 ticks; a spinning process uses most of them.
    assert!(used < 20, "{used} ticks of 200");
}

#[tokio::test(flavor = "multi_thread")]
async fn rubbish_on_the_line_does_not_stop_the_good_lines_around_it() {
    let home = tempfile::tempdir().unwrap();
    let recorder = start(home.path());
    let good = |i: u32| format!("{:.3} mL, 5.000 pH, 24.9 C, S\r\n", f64::from(i)).into_bytes();
    let mut random = 0x2545_f491_4f6c_dd1d_u64;
    let mut rubbish = || {
        (0..4_096)
            .map(|_| {
                random ^= random << 13;
                random ^= random >> 7;
                random ^= random << 17;
                random.to_le_bytes()[3]
            })
            .collect::<Vec<u8>>()
    };
    let mut chunks = vec![(0.3, good(1)), (0.4, rubbish()), (0.5, b"\r\n".to_vec()), (0.6, good(2))];
    // A megabyte without an end, NULs, escapes and C1 bytes.
    for i in 0..256 {
        chunks.push((0.7 + 0.001 * f64::from(i), vec![b'x'; 4_096]));
    }
    chunks.push((1.2, b"\r\n\0\0\0\x1b[2J\x1b]0;owned\x07\x9b2J\r\n".to_vec()));
    chunks.push((1.3, good(3)));
    let player = pty::play(chunks.into_iter(), 1.0).unwrap();
    let mut session = attach(&recorder).await;
    open_and_run(&session, &player.path).await;
    let mut state = BenchState::default();
    let volumes = |s: &BenchState| -> Vec<f64> {
        let run = s.lanes.first().and_then(|l| l.run.as_ref());
        run.map_or_else(Vec::new, |run| run.points.iter().map(|p| p.titrant).collect())
    };
    follow(&mut session, &mut state, |s| volumes(s).len() >= 3).await;
    assert_eq!(volumes(&state), [1.0, 2.0, 3.0]);
    assert!(state.lanes[0].frames_not_understood > 0);
    let longest = state.lanes[0].frames.iter().map(|f| f.text.len()).max().unwrap();
    assert!(longest < 70_000, "a frame of {longest} bytes was passed to the screen");
}

#[test]
fn a_profile_that_sends_is_confirmed_once_for_its_text_and_the_bench() {
    let home = tempfile::tempdir().unwrap();
    let profile = home.path().join("asks.toml");
    std::fs::write(
        &profile,
        "title = \"meter that answers\"\nmeasures = [\"ph\"]\n[wire]\nframe = { ends_with = \"CR LF\" }\n\
         [[ask]]\nname = \"now\"\nsend = \"P?\\r\"\nanswers = [\"value\"]\nevery = \"100 ms\"\nwithin = \"80 ms\"\nretries = 0\n\
         [[line]]\nname = \"value\"\nlike = \"{ph}\"\n",
    )
    .unwrap();
    // The line stays open; the last chunk never comes within the test.
    let player = pty::play([(0.1, b"\r\n".to_vec()), (600.0, Vec::new())].into_iter(), 1.0).unwrap();
    let run = |more: &[&str]| {
        let mut child = dropwise(home.path())
            .args(["run", "--plain", "--volume", "rate=1", "--profile"])
            .arg(&profile)
            .arg("--port")
            .arg(&player.path)
            .args(more)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(1_500));
        // A refused run has ended and reads nothing any more.
        let _refused = std::io::Write::write_all(&mut child.stdin.take().unwrap(), b"end\n");
        child.wait_with_output().unwrap()
    };
    let refused = run(&[]);
    let text = words::stderr(&refused);
    assert_eq!(refused.status.code(), Some(2), "{text}");
    assert!(text.contains("P?\\r") && text.contains("--confirm-sending"), "{text}");
    assert!(player.received().is_empty(), "{:?}", player.received());
    let confirmed = run(&["--confirm-sending"]);
    assert!(confirmed.status.success(), "{}", words::stderr(&confirmed));
    let asked = player.received().len();
    assert!(asked > 0, "nothing was asked");
    let again = run(&[]);
    assert!(again.status.success(), "{}", words::stderr(&again));
    assert!(player.received().len() > asked, "nothing was asked the second time");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_corrected_profile_reads_the_latest_lines_again_and_a_run_wants_a_reason() {
    let home = tempfile::tempdir().unwrap();
    let recorder = start(home.path());
    let player = lines(60, 100.0);
    let session = &mut attach(&recorder).await;
    let mut wrong = bench(&player.path);
    wrong.lines[0].profile_text =
        "title = \"wrong\"\nmeasures = [\"ph\"]\n[[line]]\nname = \"now\"\nlike = \"{ph} volts\"\n"
            .to_owned();
    let wish = Wish::Open { bench: Box::new(wrong), start: None, confirms_sending: false };
    session.commands.send((1, wish)).await.unwrap();
    let mut state = BenchState::default();
    follow(session, &mut state, |s| s.lanes.first().is_some_and(|l| l.frames_not_understood >= 60)).await;
    let lane = state.lanes[0].id;
    let right = Profile::shipped("demo-bench").unwrap();
    let reread = |reason: Option<&str>| Wish::Reread {
        lane,
        instrument: 0,
        profile_name: "demo-bench".to_owned(),
        profile_text: right.text.clone(),
        reason: reason.map(str::to_owned),
    };
    session.commands.send((2, reread(None))).await.unwrap();
    follow(session, &mut state, |s| s.lanes[0].frames_not_understood == 0 && s.lanes[0].frames_total >= 60)
        .await;
    assert_eq!(state.lanes[0].instrument, right.title);
    // A run that goes on keeps its profile unless somebody says why not.
    let plan = RunPlan { portion: 1, portions: 1, ..RunPlan::default() };
    session.commands.send((3, Wish::Start { lane, plan: Box::new(plan) })).await.unwrap();
    follow(session, &mut state, |s| s.lanes[0].run.is_some()).await;
    session.commands.send((4, reread(None))).await.unwrap();
    let refused = loop {
        if let Some(Event::Answer { id: 4, refused, .. }) = session.events.recv().await {
            break refused;
        }
    };
    assert!(refused.is_some_and(|why| why.contains("reason")));
    session.commands.send((5, reread(Some("the unit was misread")))).await.unwrap();
    follow(session, &mut state, |s| s.lanes[0].run.as_ref().is_some_and(|run| !run.notes.is_empty())).await;
    assert!(state.lanes[0].run.as_ref().unwrap().notes[0].1.contains("the unit was misread"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_portion_waits_for_the_balance_and_starts_with_what_rests_on_it() {
    let home = tempfile::tempdir().unwrap();
    let recorder = start(home.path());
    let meter = lines(200, 40.0);
    // The pan is empty, then a beaker comes to rest.
    let weighing = |i: u32| {
        let text = match i {
            0..8 => "+     0.0001 g ok\r\n",
            8..12 => "+     1.2012 g\r\n",
            _ => "+     1.5873 g ok\r\n",
        };
        (0.3 + f64::from(i) / 10.0, text.as_bytes().to_vec())
    };
    let balance = pty::play((0..40).map(weighing), 1.0).unwrap();
    let mut bench = bench(&meter.path);
    let port = balance.path.display().to_string();
    bench.bench.instrument.push(Instrument { profile: "balance-stable-mark".to_owned(), port: port.clone() });
    bench.lines.push(LinePlan {
        port,
        profile_name: "balance-stable-mark.toml".to_owned(),
        profile_text: Profile::shipped("balance-stable-mark").unwrap().text,
    });
    let plan = RunPlan {
        procedure: dropwise::work::Procedure::shipped("vinegar-acidity").unwrap().to_owned(),
        values: [("m".to_owned(), "balance".to_owned())].into(),
        ..RunPlan::default()
    };
    let mut session = attach(&recorder).await;
    let open = Wish::Open { bench: Box::new(bench), start: Some(Box::new(plan)), confirms_sending: false };
    session.commands.send((1, open)).await.unwrap();
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |state| state.lanes.iter().any(|lane| lane.run.is_some())).await;
    let head = state.lanes.iter().find_map(|lane| lane.run.as_ref()).unwrap().head.clone();
    assert_eq!(head.plan.values["m"], "1.58730 g");
    let weighed = head.plan.weighed.unwrap();
    assert!(weighed.starts_with("1.58730 g, frame"), "{weighed}");
}
