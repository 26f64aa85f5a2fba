//! A disk that is full, and a record whose file or folder goes: on a file system of a few megabytes in memory, which only
//! root can mount, and in folders that are moved.

use super::{Recorder, complete_lines, follow, open_and_run};
use crate::program::dropwise;
use dropwise::store::verify;
use dropwise::work::{BenchState, Command as Wish, Event};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A small file system; unmounted when it goes.
struct SmallDisk(tempfile::TempDir);

impl SmallDisk {
    fn mount() -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=4m", "tmpfs"])
            .arg(folder.path())
            .output()
            .is_ok_and(|output| output.status.success());
        if !mounted {
            println!("skipped: a small file system cannot be mounted here (that takes root)");
        }
        mounted.then_some(Self(folder))
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    /// Leaves not a byte free.
    fn fill(&self) -> PathBuf {
        let path = self.path().join("other people's data");
        let mut file = std::fs::File::create(&path).unwrap();
        let mut block = vec![0; 65_536];
        while !block.is_empty() {
            if file.write_all(&block).is_err() {
                block.truncate(block.len() / 2);
            }
        }
        path
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // Lazily: a process that is about to end may still hold it.
        let _unmounted = Command::new("umount").arg("-l").arg(self.path()).status();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_run_goes_on_while_the_disk_is_full_and_nothing_is_lost_afterwards() {
    let Some(disk) = SmallDisk::mount() else { return };
    let elsewhere = tempfile::tempdir().unwrap();
    let place = elsewhere.path().to_str().unwrap();
    let mut recorder = Recorder::start(disk.path(), &["--unsaved-to", place]);
    let mut session = recorder.attach().await;
    open_and_run(&session, 1, 20).await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 20).await;
    let filler = disk.fill();
    follow(&mut session, &mut state, |s| s.store.trouble.is_some() && s.store.unsaved_chunks > 20).await;
    let words = state.store.trouble.clone().unwrap();
    assert!(words.contains("free some space"), "{words}");
    let points = |s: &BenchState| s.lanes[0].run.as_ref().map_or(0, |run| run.points.len());
    let before = points(&state);
    // The run goes on meanwhile.
    follow(&mut session, &mut state, |s| points(s) > before + 3).await;
    std::fs::remove_file(&filler).unwrap();
    follow(&mut session, &mut state, |s| s.store.trouble.is_none() && s.store.unsaved_chunks == 0).await;
    let saved = state.store.saved_lines;
    assert!(complete_lines(&recorder.record) >= saved);
    assert_eq!(verify(&recorder.record, None, &[], &|_, _| {}).unwrap().faults, []);
    // It fills again, and now the recorder has to leave.
    let filler = disk.fill();
    follow(&mut session, &mut state, |s| s.store.unsaved_chunks > 10).await;
    let received = state.lanes[0].frames_total;
    recorder.signal(nix::sys::signal::Signal::SIGTERM);
    let why = leaving(&mut session).await;
    recorder.process.wait().unwrap();
    assert!(why.contains("dropwise record recover") && why.contains(place), "{why}");
    std::fs::remove_file(&filler).unwrap();
    let file = only_file(elsewhere.path());
    let recovered = dropwise(disk.path()).args(["record", "recover"]).arg(&file).output().unwrap();
    assert!(recovered.status.success(), "{}", String::from_utf8_lossy(&recovered.stderr));
    assert!(complete_lines(&recorder.record) >= received, "{received} lines were shown");
    let verified = dropwise(disk.path()).args(["record", "verify"]).output().unwrap();
    assert!(verified.status.success(), "{}", String::from_utf8_lossy(&verified.stdout));
    let ended = dropwise(disk.path()).args(["list"]).output().unwrap();
    assert!(String::from_utf8_lossy(&ended.stdout).contains("the recorder was stopped"));
}

/// Waits for the reason that the recorder gives when it leaves.
async fn leaving(session: &mut dropwise::live::Session) -> String {
    loop {
        match session.events.recv().await {
            Some(Event::Leaving { why }) => return why,
            Some(_) => {}
            None => panic!("it left without a word"),
        }
    }
}

/// The only file of a folder.
fn only_file(folder: &Path) -> PathBuf {
    std::fs::read_dir(folder).unwrap().next().unwrap().unwrap().path()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_folder_that_goes_during_a_run_takes_nothing_along() {
    let place = tempfile::tempdir().unwrap();
    let (home, away) = (place.path().join("bench"), place.path().join("away"));
    std::fs::create_dir(&home).unwrap();
    let elsewhere = tempfile::tempdir().unwrap();
    let mut recorder = Recorder::start(&home, &["--unsaved-to", elsewhere.path().to_str().unwrap()]);
    let mut session = recorder.attach().await;
    open_and_run(&session, 1, 20).await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 20).await;
    std::fs::rename(&home, &away).unwrap();
    follow(&mut session, &mut state, |s| s.store.trouble.is_some() && s.store.unsaved_chunks > 10).await;
    let words = state.store.trouble.clone().unwrap();
    assert!(words.contains("is not at") && words.contains("put it back"), "{words}");
    let points = |s: &BenchState| s.lanes[0].run.as_ref().map_or(0, |run| run.points.len());
    let before = points(&state);
    follow(&mut session, &mut state, |s| points(s) > before + 3).await;
    // Somebody begins another record there: it is left alone.
    std::fs::create_dir(&home).unwrap();
    std::fs::write(&recorder.record, "").unwrap();
    follow(&mut session, &mut state, |s| {
        s.store.trouble.as_ref().is_some_and(|words| words.contains("another file"))
    })
    .await;
    std::fs::remove_dir_all(&home).unwrap();
    std::fs::rename(&away, &home).unwrap();
    follow(&mut session, &mut state, |s| s.store.trouble.is_none() && s.store.unsaved_chunks == 0).await;
    assert!(complete_lines(&recorder.record) >= state.store.saved_lines);
    assert_eq!(verify(&recorder.record, None, &[], &|_, _| {}).unwrap().faults, []);
    // Now it goes for good, and the recorder has to leave.
    let then = state.store.saved_lines;
    std::fs::remove_dir_all(&home).unwrap();
    follow(&mut session, &mut state, |s| s.store.unsaved_chunks > 10).await;
    let received = state.lanes[0].frames_total;
    assert!(received > then);
    recorder.signal(nix::sys::signal::Signal::SIGTERM);
    let why = leaving(&mut session).await;
    recorder.process.wait().unwrap();
    let file = only_file(elsewhere.path());
    assert!(why.contains(file.to_str().unwrap()) && why.contains("put that in its place"), "{why}");
    std::fs::create_dir(&home).unwrap();
    std::fs::rename(&file, &recorder.record).unwrap();
    assert!(complete_lines(&recorder.record) >= received, "{received} lines were shown");
    let verified = dropwise(&home).args(["record", "verify"]).output().unwrap();
    assert!(verified.status.success(), "{}", String::from_utf8_lossy(&verified.stdout));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_disk_that_is_unmounted_during_a_run_is_told_and_nothing_is_lost() {
    let Some(disk) = SmallDisk::mount() else { return };
    let elsewhere = tempfile::tempdir().unwrap();
    let mut recorder = Recorder::start(disk.path(), &["--unsaved-to", elsewhere.path().to_str().unwrap()]);
    let mut session = recorder.attach().await;
    open_and_run(&session, 2, 20).await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 20).await;
    assert!(Command::new("umount").arg("-l").arg(disk.path()).status().unwrap().success());
    follow(&mut session, &mut state, |s| s.store.trouble.is_some() && s.store.unsaved_chunks > 10).await;
    let received = state.lanes[0].frames_total;
    recorder.signal(nix::sys::signal::Signal::SIGTERM);
    let why = leaving(&mut session).await;
    recorder.process.wait().unwrap();
    let file = only_file(elsewhere.path());
    assert!(why.contains("disk taken out") && why.contains(file.to_str().unwrap()), "{why}");
    assert!(complete_lines(&file) >= received, "{received} lines were shown");
    assert_eq!(verify(&file, None, &[], &|_, _| {}).unwrap().faults, []);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_write_ahead_log_that_somebody_tidies_away_is_made_anew() {
    let home = tempfile::tempdir().unwrap();
    let mut recorder = Recorder::start(home.path(), &[]);
    let mut session = recorder.attach().await;
    open_and_run(&session, 3, 20).await;
    let mut state = BenchState::default();
    for _ in 0..3 {
        let saved = state.store.saved_lines;
        follow(&mut session, &mut state, |s| s.store.saved_lines > saved + 20).await;
        std::fs::remove_file(recorder.record.with_file_name("record.db-wal")).unwrap();
    }
    let saved = state.store.saved_lines;
    follow(&mut session, &mut state, |s| s.store.saved_lines > saved + 5).await;
    let saved = state.store.saved_lines;
    recorder.kill();
    assert!(complete_lines(&recorder.record) >= saved);
    assert_eq!(verify(&recorder.record, None, &[], &|_, _| {}).unwrap().faults, []);
}

#[tokio::test(flavor = "multi_thread")]
async fn two_recorders_on_one_record_and_a_viewer_while_it_is_written() {
    let home = tempfile::tempdir().unwrap();
    let recorder = Recorder::start(home.path(), &[]);
    let mut session = recorder.attach().await;
    open_and_run(&session, 1, 60).await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 30).await;
    let second = dropwise(home.path()).arg("recorder").output().unwrap();
    assert_eq!(second.status.code(), Some(5));
    let text = String::from_utf8_lossy(&second.stderr).into_owned();
    assert!(text.contains(&recorder.process.id().to_string()), "{text}");
    for command in [&["list"][..], &["show", "1"], &["record", "verify"], &["review"]] {
        let viewed = dropwise(home.path()).args(command).output().unwrap();
        assert!(viewed.status.success(), "{command:?}: {}", String::from_utf8_lossy(&viewed.stderr));
    }
    let copy = home.path().join("copy.db");
    let copied = dropwise(home.path()).args(["record", "backup"]).arg(&copy).output().unwrap();
    assert!(copied.status.success(), "{}", String::from_utf8_lossy(&copied.stderr));
    assert!(complete_lines(&copy) >= 30);
    let lane = state.lanes[0].id;
    session.commands.send((77, Wish::End { lane, reason: None })).await.unwrap();
    follow(&mut session, &mut state, |s| s.lanes[0].run.as_ref().is_some_and(|run| run.end.is_some())).await;
}
