//! What makes a record trustworthy: ledger, seals, anchors, copies, evaluations made again.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

#[path = "../program/mod.rs"]
mod program;
#[path = "../words/mod.rs"]
mod words;

mod altered;
mod anchors;
mod copies;
mod ledger;
mod reckonings;
mod signed;

use dropwise::store::{Commit, Entry, NewDatum, Report, Writer, verify};
use dropwise::work::Origin;
use program::dropwise;
use std::path::{Path, PathBuf};
use std::process::Output;

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name)
}

/// Writes entries to a record and closes it.
fn write(record: &Path, entries: Vec<Entry>) {
    let (writer, thread, _) = Writer::start(record).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let answer = runtime.block_on(async { writer.write(entries).await.await });
    assert_eq!(answer, Ok(Commit::Saved));
    drop(writer);
    assert_eq!(thread.finish(), None);
}

fn burette(body: &str, why: &str) -> Entry {
    Entry::Datum(Box::new(NewDatum {
        kind: "burette".to_owned(),
        name: "tall one".to_owned(),
        body: body.to_owned(),
        utc_us: 1_790_000_000_000_000,
        who: "bench7".to_owned(),
        origin: Origin::Keyed,
        verb: "change".to_owned(),
        why: why.to_owned(),
    }))
}

/// Runs the program with its record under `home`; it has to succeed.
fn succeed(home: &Path, arguments: &[&str]) -> String {
    let output = dropwise(home).args(arguments).output().unwrap();
    assert!(output.status.success(), "{arguments:?}: {}{}", words::stdout(&output), words::stderr(&output));
    words::stdout(&output)
}

fn try_to(home: &Path, arguments: &[&str]) -> Output {
    dropwise(home).args(arguments).output().unwrap()
}

/// A replay that finds an end-point.
fn replay(home: &Path, sample: &str) {
    let capture = fixture("captures/ph-stream-comma.jsonl");
    let capture = capture.to_str().unwrap();
    succeed(
        home,
        &["replay", "--profile", "ph-stream-comma", "--volume", "rate=2", "--sample", sample, capture],
    );
}

/// A record with rows in every table, closed.
fn full_record(home: &Path) -> PathBuf {
    let record = home.join("record.db");
    std::fs::copy(fixture("store/version_1.db"), &record).unwrap();
    replay(home, "vinegar 7");
    succeed(home, &["reckon", "3", "--procedure", "vinegar-acidity", "--why", "as vinegar"]);
    let confirmation = Entry::Confirmation {
        profile_text: "title = \"asks\"".to_owned(),
        bench: "window bench".to_owned(),
        utc_us: 1_790_000_000_000_000,
        who: "bench7".to_owned(),
    };
    write(&record, vec![burette(r#"{"volume_ml":25}"#, "bought"), confirmation]);
    record
}

fn check(record: &Path) -> Report {
    verify(record, None, &[], &|_, _| {}).unwrap()
}
