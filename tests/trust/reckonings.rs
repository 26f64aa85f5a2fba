//! Evaluations that are made again: kept beside the first, compared, in batches, and by the verification.

use super::{full_record, replay, succeed, try_to, words};
use dropwise::store::Reader;
use rusqlite::Connection;

#[test]
fn a_batch_goes_on_where_it_was_cut_off() {
    let home = tempfile::tempdir().unwrap();
    for sample in ["a", "b", "c", "d"] {
        replay(home.path(), sample);
    }
    let batch = ["reckon", "all", "--procedure", "vinegar-acidity", "--why", "new limits", "--json"];
    let count = |text: &str| text.lines().filter(|line| line.contains("\"reckoning\"")).count();
    // As if it had been cut off after two.
    assert_eq!(count(&succeed(home.path(), &[&batch[..1], &["2", "3"], &batch[2..]].concat())), 2);
    let resumed = try_to(home.path(), &[&batch[..], &["--resume"]].concat());
    assert!(resumed.status.success(), "{}", words::stderr(&resumed));
    assert_eq!(count(&words::stdout(&resumed)), 2);
    assert!(
        words::stderr(&resumed).contains("2 runs were reckoned so before"),
        "{}",
        words::stderr(&resumed)
    );
    let again = try_to(home.path(), &[&batch[..], &["--resume"]].concat());
    assert_eq!(count(&words::stdout(&again)), 0);
    let reader = Reader::open(&home.path().join("record.db")).unwrap();
    for run in 1..=4 {
        assert_eq!(reader.reckoning_ids(run).unwrap().len(), 2);
    }
    succeed(home.path(), &["record", "verify"]);
}

#[test]
fn two_evaluations_stand_side_by_side_with_what_changed() {
    let home = tempfile::tempdir().unwrap();
    full_record(home.path());
    let ids = Reader::open(&home.path().join("record.db")).unwrap().reckoning_ids(3).unwrap();
    let pair = format!("{},{}", ids[0], ids[1]);
    let text = succeed(home.path(), &["show", "3", "--compare", &pair]);
    for word in ["reckoning", "procedure", "changed", "points", "end-point", "as vinegar"] {
        assert!(text.contains(word), "{word} is not in\n{text}");
    }
    let json = succeed(home.path(), &["show", "3", "--compare", &pair, "--json"]);
    let value: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(value["changed"], serde_json::json!(["procedure"]));
    let foreign = try_to(home.path(), &["show", "2", "--compare", &pair]);
    assert_eq!(foreign.status.code(), Some(2), "{}", words::stderr(&foreign));
}

#[test]
fn an_end_point_that_does_not_follow_from_its_wire_is_found_although_every_hash_fits() {
    // A record whose program wrote a wrong end-point: sealed and chained as if it were right.
    let home = tempfile::tempdir().unwrap();
    replay(home.path(), "honest");
    let record = home.path().join("record.db");
    let reader = Reader::open(&record).unwrap();
    let run = reader.run(1).unwrap();
    drop(reader);
    let mut wrong = run.findings.clone();
    assert!(!wrong.is_empty());
    wrong[0].titrant += 0.01;
    let decoding: i64 = Connection::open(&record)
        .unwrap()
        .query_row("SELECT decoding_id FROM reckoning_decoding", [], |row| row.get(0))
        .unwrap();
    let rows = dropwise::store::ReckoningRows::new(2);
    let mut entries = vec![dropwise::store::Entry::Reckoning {
        reckoning_id: 2,
        run: 1,
        decodings: vec![(decoding, run.lines[0].from_seq)],
        utc_us: 1,
    }];
    entries.extend((1..).zip(&run.points).map(|(n, point)| rows.point(n, 0, *point)));
    entries.extend(rows.result(&wrong, &[]));
    entries.push(rows.reckoned("somebody".to_owned(), String::new(), None));
    super::write(&record, entries);
    succeed(home.path(), &["record", "verify", "--hashes-only"]);
    let found = try_to(home.path(), &["record", "verify"]);
    assert_eq!(found.status.code(), Some(5));
    let text = words::stdout(&found);
    assert!(text.contains("WRONG  reckoning (reckoning_id 2) does not follow from its wire"), "{text}");
}
