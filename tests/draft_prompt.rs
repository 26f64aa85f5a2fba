//! `profile draft` at a terminal: it asks at most three questions, takes an answer for each, and writes a
//! profile that `profile check` accepts.
#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

mod program;

use std::fs::File;
use std::io::{Read, Write};
use std::path::Path;
use std::process::Stdio;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

const PROMPT: &str = "your answer (Enter leaves it open): ";

/// Everything that is shown, as it comes.
fn shown(mut terminal: File) -> Receiver<String> {
    let (tell, told) = channel();
    std::thread::spawn(move || {
        let mut buffer = [0; 4096];
        // Reading fails when the last holder of the other side is gone.
        while let Ok(count) = terminal.read(&mut buffer) {
            if count == 0 || tell.send(String::from_utf8_lossy(&buffer[..count]).into_owned()).is_err() {
                break;
            }
        }
    });
    told
}

/// Drafts `wire` at a terminal; answers each question by `reply`. What was shown and how often it asked.
fn at_a_terminal(folder: &Path, wire: &str, reply: fn(usize) -> &'static str) -> (String, usize) {
    std::fs::write(folder.join("wire.bin"), wire).unwrap();
    let nix::pty::OpenptyResult { master, slave } = nix::pty::openpty(None, None).unwrap();
    let mut child = program::dropwise(folder)
        .args(["profile", "draft", "wire.bin", "--output", "drafted.toml"])
        .current_dir(folder)
        .stdin(Stdio::from(slave.try_clone().unwrap()))
        .stderr(Stdio::from(slave))
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let mut keys = File::from(master.try_clone().unwrap());
    let told = shown(File::from(master));
    let (mut text, mut asked) = (String::new(), 0);
    while let Ok(part) = told.recv_timeout(Duration::from_secs(60)) {
        text.push_str(&part);
        while text.matches(PROMPT).count() > asked {
            asked += 1;
            assert!(asked < 10, "it asks without end:\n{text}");
            keys.write_all(format!("{}\n", reply(asked)).as_bytes()).unwrap();
        }
    }
    assert!(child.wait().unwrap().success(), "{text}");
    (text, asked)
}

/// Exit code and words of `profile check`.
fn check(folder: &Path) -> (bool, String) {
    let run = program::dropwise(folder)
        .args(["profile", "check", "drafted.toml"])
        .current_dir(folder)
        .output()
        .unwrap();
    let said = [run.stdout, run.stderr].concat();
    (run.status.success(), String::from_utf8_lossy(&said).into_owned())
}

/// Five columns of numbers and a mark; nothing names them.
fn numbers_alone() -> String {
    let mark = |i: usize| if i.is_multiple_of(3) { "Q" } else { "Z" };
    let line = |i: usize| {
        let x = i as f64;
        let jump = 300.0 / (1.0 + (-(x - 40.0) / 3.0).exp());
        format!(
            "{:.3};{:.1};{:.2};{:.1};{};{}\r\n",
            x * 0.15,
            jump - 120.0,
            3.0 + jump / 60.0,
            24.6 + x * 0.01,
            i * 7,
            mark(i)
        )
    };
    (0..80).map(line).collect()
}

#[test]
fn questions_are_few_answers_are_taken_and_the_profile_is_sound() {
    let folder = tempfile::tempdir().unwrap();
    let (text, asked) = at_a_terminal(folder.path(), &numbers_alone(), |_| "1");
    assert!((1..=3).contains(&asked), "asked {asked} times:\n{text}");
    // The guess stands first, and two example lines show what is meant.
    assert!(text.contains("1  ") && text.contains("(guess)"), "{text}");
    assert!(!text.contains("not understood"), "{text}");
    let profile = std::fs::read_to_string(folder.path().join("drafted.toml")).unwrap();
    assert!(profile.contains("[[line]]") && profile.contains("[[example]]"), "{profile}");
    let (fine, said) = check(folder.path());
    assert!(fine, "{said}\n{profile}");
}

#[test]
fn a_wrong_answer_is_asked_again_and_an_empty_one_leaves_it_open() {
    let folder = tempfile::tempdir().unwrap();
    let (text, asked) = at_a_terminal(folder.path(), &numbers_alone(), |n| if n == 1 { "blue" } else { "" });
    assert!((2..=4).contains(&asked), "asked {asked} times:\n{text}");
    assert_eq!(text.matches("not understood").count(), 1, "{text}");
    assert!(text.contains("open question"), "{text}");
    let (fine, said) = check(folder.path());
    assert!(fine, "{said}");
}
