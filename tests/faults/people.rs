//! Who may look on, who may command, and who has the hand: tried with other accounts, which only root can do.

use super::{Recorder, follow};
use crate::program::dropwise;
use dropwise::link;
use dropwise::store::{Reader, parse_anchors};
use dropwise::work::{BenchState, Command as Wish, Event};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Output;

/// Runs the program as another account.
fn as_account(home: &Path, uid: u32, arguments: &[&str]) -> Output {
    let program = home.join("dropwise");
    if !program.exists() {
        // Others may not be able to reach the folder in which it was built.
        std::fs::copy(env!("CARGO_BIN_EXE_dropwise"), &program).unwrap();
    }
    let mut command = std::process::Command::new(program);
    command.env("DROPWISE_HOME", home).env_remove("DROPWISE_RECORD").env_remove("DROPWISE_NAME");
    command.args(arguments).uid(uid).gid(uid).current_dir("/").output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned() + &String::from_utf8_lossy(&output.stdout)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bench_lets_in_whom_it_names_and_the_hand_moves_only_when_it_is_given_or_taken() {
    let account = |uid: u32| {
        let user = nix::unistd::User::from_uid(nix::unistd::Uid::from_raw(uid)).ok().flatten();
        user.map(|user| user.name)
    };
    // Two accounts that every system has.
    let (Some(ivo), Some(_)) = (account(1), account(65_534)) else {
        println!("skipped: there are no other accounts here");
        return;
    };
    if !nix::unistd::Uid::effective().is_root() {
        println!("skipped: only root can try other accounts");
        return;
    }
    let home = tempfile::tempdir().unwrap();
    std::fs::set_permissions(home.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    let anchors = home.path().join("anchors.txt");
    let benches = home.path().join("benches");
    std::fs::create_dir(&benches).unwrap();
    std::fs::write(
        benches.join("shelf.toml"),
        format!(
            "title = \"shelf\"\nanchors = \"{}\"\ninstrument = [{{ profile = \"demo-bench\", port = \"simulator@20:5\" }}]\n\
             [people]\nlook = [\"{ivo}\"]\ncommand = [\"{ivo}\"]\n",
            anchors.display()
        ),
    )
    .unwrap();
    let recorder = Recorder::start(home.path(), &["--bench", "shelf"]);
    let mut session = recorder.attach().await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| !s.lanes.is_empty()).await;
    let lane = state.lanes[0].id;
    let plan = Box::default();
    session.commands.send((1, Wish::Start { lane, plan })).await.unwrap();
    follow(&mut session, &mut state, |s| s.lanes[0].run.is_some()).await;
    // A third account may not even look.
    let third = as_account(home.path(), 65_534, &["hand", "ask"]);
    assert!(said(&third).contains("look on"), "{}", said(&third));
    assert_eq!(third.status.code(), Some(5));
    // The second one may look and command, and has not the hand.
    let early = as_account(home.path(), 1, &["hand", "take", "--why", "in a hurry"]);
    assert!(said(&early).contains("ask for the hand first"), "{}", said(&early));
    let asked = as_account(home.path(), 1, &["hand", "ask"]);
    assert!(asked.status.success(), "{}", said(&asked));
    follow(&mut session, &mut state, |s| {
        s.lanes[0].warnings.iter().any(|w| format!("{w:?}").contains("asks"))
    })
    .await;
    let soon = as_account(home.path(), 1, &["hand", "take", "--why", "in a hurry"]);
    assert!(said(&soon).contains("wait"), "{}", said(&soon));
    let granted = dropwise(home.path()).args(["hand", "grant"]).output().unwrap();
    assert!(granted.status.success(), "{}", said(&granted));
    // Now whoever started the run has to ask.
    session.commands.send((5, Wish::End { lane, reason: None })).await.unwrap();
    let refused = loop {
        match session.events.recv().await.unwrap() {
            Event::Answer { id: 5, refused, .. } => break refused.unwrap(),
            event => state.apply(&event),
        }
    };
    assert!(refused.contains(&format!("{ivo} has the hand")), "{refused}");
    let ledger = Reader::open(&recorder.record).unwrap().ledger(0).unwrap();
    let given = ledger.iter().find(|row| row.verb == "give the hand").unwrap();
    assert!(given.subject == "run 1" && given.why.contains(&ivo), "{given:?}");
    // Only its owner opens benches and ends the recorder; ended, the run leaves its anchor in the file.
    recorder.signal(nix::sys::signal::Signal::SIGTERM);
    while session.events.recv().await.is_some() {}
    let kept = parse_anchors(&std::fs::read_to_string(&anchors).unwrap());
    assert_eq!(kept.len(), 1);
    let path = anchors.to_str().unwrap();
    let verified = dropwise(home.path()).args(["record", "verify", "--anchor", path]).output().unwrap();
    assert!(verified.status.success(), "{}", said(&verified));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bench_that_wants_names_takes_no_command_without_one() {
    let home = tempfile::tempdir().unwrap();
    let benches = home.path().join("benches");
    std::fs::create_dir(&benches).unwrap();
    std::fs::write(
        benches.join("shelf.toml"),
        "title = \"shelf\"\ninstrument = [{ profile = \"demo-bench\", port = \"simulator@60:5\" }]\n[people]\nidentity = \"named\"\n",
    )
    .unwrap();
    let recorder = Recorder::start(home.path(), &["--bench", "shelf", "--name", "the service"]);
    let socket = link::socket_path(&recorder.record);
    let start = |lane| Wish::Start { lane, plan: Box::default() };
    let mut nameless = link::connect(&socket).await.unwrap();
    let mut state = BenchState::default();
    follow(&mut nameless, &mut state, |s| !s.lanes.is_empty()).await;
    let lane = state.lanes[0].id;
    nameless.commands.send((1, start(lane))).await.unwrap();
    let refused = loop {
        if let Event::Answer { id: 1, refused, .. } = nameless.events.recv().await.unwrap() {
            break refused.unwrap();
        }
    };
    assert!(refused.contains("--name"), "{refused}");
    let mut rosa = link::connect_as(&socket, Some("Rosa Lind".to_owned())).await.unwrap();
    rosa.commands.send((2, start(lane))).await.unwrap();
    follow(&mut rosa, &mut state, |s| s.lanes[0].run.as_ref().is_some_and(|run| !run.points.is_empty()))
        .await;
    rosa.commands.send((3, Wish::End { lane, reason: None })).await.unwrap();
    follow(&mut rosa, &mut state, |s| s.lanes[0].run.as_ref().is_some_and(|run| run.end.is_some())).await;
    let ledger = Reader::open(&recorder.record).unwrap().ledger(0).unwrap();
    let begun = ledger.iter().find(|row| row.verb == "begin").unwrap();
    assert!(begun.who.starts_with("Rosa Lind (account "), "{begun:?}");
    assert_eq!(begun.identity, "named");
}
