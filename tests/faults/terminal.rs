//! The terminal of a screen goes while a run goes on.

use super::{complete_lines, follow};
use dropwise::link;
use dropwise::store::verify;
use dropwise::work::{BenchState, Command as Wish};
use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

/// A terminal multiplexer of its own, ended when it goes.
struct Tmux(String);

impl Tmux {
    fn run(&self, arguments: &[&str]) -> Option<Output> {
        Command::new("tmux").args(["-L", &self.0, "-f", "/dev/null"]).args(arguments).output().ok()
    }

    /// Opens a pane in which the program runs.
    fn pane(&self, name: &str, home: &Path, arguments: &str) {
        let program = env!("CARGO_BIN_EXE_dropwise");
        let command = format!("DROPWISE_HOME='{}' LC_ALL=C.UTF-8 '{program}' {arguments}", home.display());
        let opened = self.run(&["new-session", "-d", "-s", name, "-x", "100", "-y", "30", &command]).unwrap();
        assert!(opened.status.success(), "{}", String::from_utf8_lossy(&opened.stderr));
    }
}

impl Drop for Tmux {
    fn drop(&mut self) {
        let _ended = self.run(&["kill-server"]);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_pane_that_is_killed_ends_no_run_and_another_pane_shows_it() {
    if Command::new("tmux").arg("-V").output().is_err() {
        println!("skipped: there is no tmux here");
        return;
    }
    let home = tempfile::tempdir().unwrap();
    let benches = home.path().join("benches");
    std::fs::create_dir(&benches).unwrap();
    std::fs::write(
        benches.join("shelf.toml"),
        "title = \"shelf by the door\"\ninstrument = [{ profile = \"demo-bench\", port = \"simulator@20:5\" }]\n",
    )
    .unwrap();
    let tmux = Tmux(format!("dropwise-test-{}", std::process::id()));
    tmux.pane("first", home.path(), "run --bench shelf --sample vinegar");
    let record = home.path().join("record.db");
    let deadline = Instant::now() + Duration::from_secs(60);
    let mut session = loop {
        if let Ok(session) = link::connect(&link::socket_path(&record)).await {
            break session;
        }
        assert!(Instant::now() < deadline, "no recorder was started");
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    let mut state = BenchState::default();
    let points =
        |s: &BenchState| s.lanes.first().and_then(|l| l.run.as_ref()).map_or(0, |run| run.points.len());
    follow(&mut session, &mut state, |s| points(s) > 5).await;
    assert!(tmux.run(&["kill-session", "-t", "first"]).unwrap().status.success());
    let then = points(&state);
    follow(&mut session, &mut state, |s| points(s) > then + 20).await;
    tmux.pane("second", home.path(), "");
    let deadline = Instant::now() + Duration::from_secs(60);
    loop {
        let shown = tmux.run(&["capture-pane", "-p", "-t", "second"]).unwrap();
        let text = String::from_utf8_lossy(&shown.stdout).into_owned();
        if text.contains("shelf by the door") && text.contains("mL") {
            break;
        }
        assert!(Instant::now() < deadline, "the second pane shows\n{text}");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let lane = state.lanes[0].id;
    session.commands.send((9, Wish::End { lane, reason: Some("enough".to_owned()) })).await.unwrap();
    follow(&mut session, &mut state, |s| s.lanes[0].run.as_ref().is_some_and(|run| run.end.is_some())).await;
    let total = state.lanes[0].frames_total;
    drop(tmux);
    let saved = state.store.saved_lines;
    assert!(saved >= total, "{saved} of {total} lines are called saved");
    assert!(complete_lines(&record) >= total);
    assert_eq!(verify(&record, None, &[], &|_, _| {}).unwrap().faults, []);
    session.commands.send((10, Wish::Leave)).await.unwrap();
    while session.events.recv().await.is_some() {}
}
