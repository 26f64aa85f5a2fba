//! The power goes: what was written and not synchronised is not there any more.
//!
//! The system calls of a recorder are traced with everything it wrote. At moments of chance the files are put together
//! as a disk would have them that keeps only what was synchronised (and, every other time, some of the rest, in no
//! order). What the screens had been told was saved by then has to be in them.

use super::{Chance, Recorder, complete_lines, open_and_run, rounds};
use crate::program::dropwise;
use dropwise::store::{Writer, verify};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

/// What the trace tells, in order.
enum Call {
    Write {
        file: String,
        at: usize,
        bytes: Vec<u8>,
    },
    Truncate {
        file: String,
        to: usize,
    },
    Synchronised {
        file: String,
    },
    /// A screen was told that so many lines are saved.
    Told(u64),
}

/// A file as the disk has it, and what is on its way there.
#[derive(Default, Clone)]
struct OnDisk {
    kept: Vec<u8>,
    waiting: Vec<(Option<Vec<u8>>, usize)>,
}

impl OnDisk {
    fn apply(kept: &mut Vec<u8>, (bytes, at): &(Option<Vec<u8>>, usize)) {
        match bytes {
            Some(bytes) => {
                kept.resize(kept.len().max(at + bytes.len()), 0);
                kept[*at..at + bytes.len()].copy_from_slice(bytes);
            }
            None => kept.resize(*at, 0),
        }
    }

    fn synchronise(&mut self) {
        for change in std::mem::take(&mut self.waiting) {
            Self::apply(&mut self.kept, &change);
        }
    }
}

/// The bytes of a traced string in which every byte is `\xNN`.
fn unhex(text: &str) -> Vec<u8> {
    text.split("\\x").skip(1).filter_map(|part| u8::from_str_radix(part.get(..2)?, 16).ok()).collect()
}

/// The path that the trace puts behind a descriptor: `pwrite64(9</home/record.db>, ...`.
fn traced_path(line: &str) -> Option<String> {
    let path = line.split_once('<')?.1.split_once('>')?.0;
    Some(if path.contains("\\x") { String::from_utf8(unhex(path)).ok()? } else { path.to_owned() })
}

fn parse(trace: &str, record: &str) -> Vec<Call> {
    let mut calls = Vec::new();
    // A synchronisation counts when it has come back, on whatever thread.
    let mut begun: BTreeMap<&str, String> = BTreeMap::new();
    for line in trace.lines() {
        let Some((thread, line)) = line.split_once(char::is_whitespace) else { continue };
        let line = line.trim_start();
        let ours = traced_path(line).filter(|path| path.starts_with(record));
        if line.starts_with("fdatasync(") || line.starts_with("fsync(") {
            let Some(file) = ours else { continue };
            if line.contains("<unfinished") {
                begun.insert(thread, file);
            } else if line.ends_with("= 0") {
                calls.push(Call::Synchronised { file });
            }
        } else if line.starts_with("<... fdatasync resumed") || line.starts_with("<... fsync resumed") {
            if let Some(file) = begun.remove(thread) {
                calls.push(Call::Synchronised { file });
            }
        } else if line.starts_with("pwrite64(") {
            let Some(file) = ours else { continue };
            // The last line is cut off where the tracer was killed along with the recorder.
            let Some((bytes, rest)) = line.split_once('"').and_then(|(_, rest)| rest.split_once('"')) else {
                continue;
            };
            let bytes = unhex(bytes);
            let numbers: Vec<usize> =
                rest.split(|c: char| !c.is_ascii_digit()).filter_map(|number| number.parse().ok()).collect();
            assert_eq!(numbers[0], bytes.len(), "the trace cut what was written");
            calls.push(Call::Write { file, at: numbers[1], bytes });
        } else if line.starts_with("ftruncate(") {
            let Some(file) = ours else { continue };
            let to = line.split_once(">, ").unwrap().1;
            let to: String = to.chars().take_while(char::is_ascii_digit).collect();
            calls.push(Call::Truncate { file, to: to.parse().unwrap() });
        } else if line.contains('"') {
            let text = String::from_utf8_lossy(&unhex(line)).into_owned();
            if let Some((_, rest)) = text.rsplit_once("\"saved_lines\":") {
                let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
                calls.push(Call::Told(digits.parse().unwrap_or(0)));
            }
        }
    }
    calls
}

async fn traced(home: &Path) -> Option<Vec<Call>> {
    let trace = home.join("trace");
    let mut command = Command::new("strace");
    command.args(["-f", "-y", "-xx", "-s", "200000", "-o"]).arg(&trace);
    command.args(["-e", "trace=pwrite64,fdatasync,fsync,ftruncate,write,writev,sendto,sendmsg"]);
    let own = dropwise(home);
    command.arg(own.get_program()).arg("recorder").stdin(Stdio::null());
    for (key, value) in own.get_envs() {
        match value {
            Some(value) => command.env(key, value),
            None => command.env_remove(key),
        };
    }
    let mut recorder = Recorder::start_by(command, home);
    let mut session = recorder.attach().await;
    for seed in 1..=3 {
        open_and_run(&session, seed, 60).await;
    }
    let deadline = tokio::time::Instant::now() + Duration::from_secs(4);
    while let Ok(Some(_)) = tokio::time::timeout_at(deadline, session.events.recv()).await {}
    recorder.kill();
    let record = home.join("record.db");
    let text = std::fs::read(&trace).ok()?;
    Some(parse(&String::from_utf8_lossy(&text), record.to_str()?))
}

#[tokio::test(flavor = "multi_thread")]
async fn the_power_goes_at_any_moment_and_nothing_that_was_called_saved_is_lost() {
    let can_trace = Command::new("strace").args(["-f", "true"]).output().is_ok_and(|o| o.status.success());
    if !can_trace {
        println!("skipped: system calls cannot be traced here");
        return;
    }
    let home = tempfile::tempdir().unwrap();
    let record = home.path().join("record.db");
    // The record is there, closed and on the disk, before the recorder starts.
    let (writer, thread, _) = Writer::start(&record).unwrap();
    drop(writer);
    assert_eq!(thread.finish(), None);
    let mut files: BTreeMap<String, OnDisk> = BTreeMap::new();
    let kept = std::fs::read(&record).unwrap();
    files.insert(record.display().to_string(), OnDisk { kept, waiting: Vec::new() });
    let calls = traced(home.path()).await.unwrap();
    let synchronised = calls.iter().filter(|call| matches!(call, Call::Synchronised { .. })).count();
    assert!(synchronised > 20, "only {synchronised} synchronisations were seen");
    let mut chance = Chance(0x9e37_79b9_7f4a_7c15);
    let cuts = rounds("DROPWISE_CUTS", 25);
    let mut moments: Vec<u64> = (0..cuts).map(|_| chance.below(calls.len() as u64)).collect();
    moments.sort_unstable();
    let (mut told, mut checked, mut most) = (0, 0, 0);
    let mut moments = moments.into_iter().peekable();
    for (n, call) in (0..).zip(calls) {
        match call {
            Call::Write { file, at, bytes } => {
                files.entry(file).or_default().waiting.push((Some(bytes), at));
            }
            Call::Truncate { file, to } => files.entry(file).or_default().waiting.push((None, to)),
            Call::Synchronised { file } => files.entry(file).or_default().synchronise(),
            Call::Told(lines) => told = told.max(lines),
        }
        while moments.next_if_eq(&n).is_some() {
            checked += 1;
            let after = tempfile::tempdir().unwrap();
            for (name, file) in files.iter().filter(|(name, _)| !name.ends_with("-shm")) {
                let mut bytes = file.kept.clone();
                // Every other time the disk got some of the rest as well.
                for change in file.waiting.iter().filter(|_| checked % 2 == 0) {
                    if chance.below(2) == 0 {
                        OnDisk::apply(&mut bytes, change);
                    }
                }
                let name = Path::new(name).file_name().unwrap();
                std::fs::write(after.path().join(name), bytes).unwrap();
            }
            let record = after.path().join("record.db");
            let kept = complete_lines(&record);
            assert!(kept >= told, "cut {checked} at call {n}: {kept} lines kept, {told} were called saved");
            let report = verify(&record, None, &[], &|_, _| {}).unwrap();
            assert_eq!(report.faults, [], "cut {checked} at call {n}");
            most = most.max(told);
        }
    }
    assert!(most > 0, "no cut came after a line was called saved");
    println!(
        "{checked} cuts among {synchronised} synchronisations, up to {most} lines called saved: none lost"
    );
}
