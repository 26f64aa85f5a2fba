//! Signatures and reviews: who may, what they cover, and what is seen when something moves afterwards.

use super::{replay, succeed, words};
use crate::program::dropwise;
use dropwise::store::{Reader, verify};
use rusqlite::Connection;
use std::io::Write;
use std::path::Path;
use std::process::{Output, Stdio};

const PHRASE: &str = "three blue flasks";

/// Runs the program with these lines on its standard input.
fn with_input(home: &Path, arguments: &[&str], input: &str) -> Output {
    let mut child = dropwise(home)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A program that refuses at once reads nothing.
    let _not_read = child.stdin.take().unwrap().write_all(input.as_bytes());
    child.wait_with_output().unwrap()
}

fn new_key(home: &Path, name: &str) {
    let made = with_input(home, &["sign", "--new-key", name], &format!("{PHRASE}\n{PHRASE}\n"));
    assert!(made.status.success(), "{}", words::stderr(&made));
}

fn sign(home: &Path, reckoning: &str, name: &str, meaning: &str) -> Output {
    with_input(home, &["sign", reckoning, "--as", name, "--meaning", meaning], &format!("{PHRASE}\n"))
}

/// A run of a real sample: read from a file that an instrument writes.
fn measured(home: &Path, sample: &str, procedure: &Path) {
    let wire = home.join("wire.txt");
    let profile = home.join("meter.toml");
    std::fs::write(
        &profile,
        "title = \"meter\"\nmeasures = [\"ph\"]\n[[line]]\nname = \"now\"\nlike = \"{ph} pH\"\n",
    )
    .unwrap();
    let mut lines = String::new();
    for i in 0..60 {
        let x = f64::from(i - 30) / 3.0;
        lines += &format!("{:.3} pH\n", 7.0 + 4.0 * x.tanh() + 0.01 * f64::from(i));
    }
    std::fs::write(&wire, lines).unwrap();
    let port = "stdin";
    let mut child = dropwise(home)
        .args(["run", procedure.to_str().unwrap(), "--plain", "--volume", "rate=6", "--sample", sample])
        .args(["--port", port, "--profile", profile.to_str().unwrap()])
        .stdin(std::fs::File::open(&wire).unwrap())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let status = child.wait().unwrap();
    assert!(status.success(), "{}", words::stderr(&child.wait_with_output().unwrap()));
}

fn procedure(home: &Path) -> std::path::PathBuf {
    let path = home.join("two-people.toml");
    std::fs::write(
        &path,
        "title = \"acidity, for two people\"\nid = \"two-people\"\nsecond_person = true\n[[find]]\nname = \"acid\"\n",
    )
    .unwrap();
    path
}

#[test]
fn a_reckoning_is_signed_by_two_people_and_a_simulated_one_by_nobody() {
    let home = tempfile::tempdir().unwrap();
    let home = home.path();
    measured(home, "vinegar 7", &procedure(home));
    replay(home, "vinegar 7");
    new_key(home, "Rosa Lind");
    new_key(home, "Ivo Brandt");
    let refused = |output: Output, code: i32, word: &str| {
        let text = words::stderr(&output);
        assert_eq!(output.status.code(), Some(code), "{text}");
        assert!(text.contains(word), "{word} is not in {text}");
    };
    // What was played from a capture is not the result of a sample.
    refused(sign(home, "2", "Rosa Lind", "performed"), 5, "capture");
    refused(sign(home, "1", "Ivo Brandt", "approved"), 5, "two people");
    refused(
        with_input(home, &["sign", "1", "--as", "Rosa Lind", "--meaning", "performed"], "wrong words\n"),
        2,
        "pass-phrase",
    );
    refused(sign(home, "1", "Nobody", "performed"), 2, "no key of Nobody");
    let performed = sign(home, "1", "Rosa Lind", "performed");
    assert!(performed.status.success(), "{}", words::stderr(&performed));
    refused(sign(home, "1", "Rosa Lind", "approved"), 5, "second person");
    assert!(sign(home, "1", "Ivo Brandt", "approved").status.success());
    let record = home.join("record.db");
    let reader = Reader::open(&record).unwrap();
    let signatures = reader.signatures("reckoning 1").unwrap();
    assert_eq!(signatures.len(), 2);
    assert!(signatures.iter().all(dropwise::store::Signature::holds));
    let body = reader.latest_datum("signature", "reckoning 1").unwrap().unwrap().body;
    // It covers every portion of the sample and the anchor that was looked at.
    assert!(body.contains("\"portions\"") && body.contains("\"anchor\""), "{body}");
    succeed(home, &["record", "verify"]);
}

#[test]
fn a_signature_that_was_made_up_is_found_although_every_hash_fits() {
    let home = tempfile::tempdir().unwrap();
    let home = home.path();
    measured(home, "vinegar 7", &procedure(home));
    new_key(home, "Rosa Lind");
    assert!(sign(home, "1", "Rosa Lind", "performed").status.success());
    let record = home.join("record.db");
    let body: String = Connection::open(&record)
        .unwrap()
        .query_row("SELECT body FROM datum WHERE kind = 'signature'", [], |row| row.get(0))
        .unwrap();
    let forged = body.replace("\"performed\"", "\"approved\"");
    assert_ne!(forged, body);
    let document = dropwise::store::NewDatum {
        kind: "signature".to_owned(),
        name: "reckoning 1".to_owned(),
        body: forged,
        utc_us: 1_790_000_000_000_000,
        who: "somebody".to_owned(),
        origin: dropwise::work::Origin::Keyed,
        verb: "sign".to_owned(),
        why: String::new(),
    };
    super::write(&record, vec![dropwise::store::Entry::Datum(Box::new(document))]);
    assert_eq!(verify(&record, None, &[], &|_, _| {}).unwrap().faults, []);
    let wrong = Reader::open(&record).unwrap().wrong_signatures().unwrap();
    assert_eq!(wrong.len(), 1);
    assert!(wrong[0].what.contains("not made with the key"), "{wrong:?}");
}

#[test]
fn a_review_lists_what_was_decided_since_the_last_one_and_is_signed() {
    let home = tempfile::tempdir().unwrap();
    let home = home.path();
    replay(home, "a");
    new_key(home, "Rosa Lind");
    let first = with_input(home, &["review", "--sign-as", "Rosa Lind"], &format!("{PHRASE}\n"));
    let text = words::stdout(&first);
    assert!(first.status.success(), "{}", words::stderr(&first));
    for word in ["begin run 1", "reckon reckoning 1", "end run 1", "enrol datum 1", "rows 1 to 4"] {
        assert!(text.contains(word), "{word} is not in {text}");
    }
    replay(home, "b");
    let second = succeed(home, &["review"]);
    assert!(second.contains("sign datum 2") && second.contains("begin run 2"), "{second}");
    assert!(!second.contains("begin run 1"), "{second}");
    assert!(succeed(home, &["review", "--all"]).contains("begin run 1"));
    succeed(home, &["record", "verify"]);
}
