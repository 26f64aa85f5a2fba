//! The ledger, documents with versions, and records of older schemas.

use super::{burette, check, fixture, replay, succeed, write};
use dropwise::store::{Reader, SCHEMA_VERSION};

#[test]
fn the_newest_version_of_a_document_holds_and_the_older_ones_stay() {
    let home = tempfile::tempdir().unwrap();
    let record = home.path().join("record.db");
    write(&record, vec![burette(r#"{"volume_ml":25}"#, "bought"), burette(r#"{"volume_ml":50}"#, "")]);
    write(&record, vec![burette(r#"{"volume_ml":20}"#, "the tip was replaced")]);
    let reader = Reader::open(&record).unwrap();
    assert_eq!(reader.latest_datum("burette", "tall one").unwrap().unwrap().body, r#"{"volume_ml":20}"#);
    assert_eq!(reader.latest_datum("burette", "short one").unwrap(), None);
    assert_eq!(reader.datums("burette").unwrap().len(), 1);
    assert_eq!(reader.datum_versions("burette", "tall one").unwrap().len(), 3);
    assert_eq!(reader.datum(1).unwrap().unwrap().body, r#"{"volume_ml":25}"#);
    let ledger = reader.ledger(0).unwrap();
    let told: Vec<_> =
        ledger.iter().map(|r| (r.n, r.verb.as_str(), r.subject.as_str(), r.why.as_str())).collect();
    assert_eq!(
        told,
        [
            (1, "change", "datum 1", "bought"),
            (2, "change", "datum 2", ""),
            (3, "change", "datum 3", "the tip was replaced")
        ]
    );
    assert_eq!(ledger[0].prev_hash, "");
    for pair in ledger.windows(2) {
        assert_eq!(pair[1].prev_hash, pair[0].hash);
        assert_ne!(pair[1].content_hash, pair[0].content_hash);
    }
    assert!(ledger.iter().all(|row| row.hash == row.expected_hash() && row.identity == "account"));
    let anchor = reader.anchor().unwrap().unwrap();
    assert_eq!((anchor.n, &anchor.hash), (3, &ledger[2].hash));
}

#[test]
fn a_run_stands_in_the_ledger_with_its_beginning_its_evaluation_and_its_end() {
    let home = tempfile::tempdir().unwrap();
    replay(home.path(), "vinegar 7");
    succeed(home.path(), &["reckon", "1", "--why", "asked for"]);
    let reader = Reader::open(&home.path().join("record.db")).unwrap();
    let ledger = reader.ledger(0).unwrap();
    let told: Vec<_> = ledger.iter().map(|r| (r.verb.as_str(), r.subject.as_str())).collect();
    assert_eq!(
        told,
        [("begin", "run 1"), ("reckon", "reckoning 1"), ("end", "run 1"), ("reckon", "reckoning 2")]
    );
    assert_eq!(ledger[1].identity, "program");
    assert_eq!(ledger[3].why, "asked for");
    assert_eq!(reader.ledger_of("run 1").unwrap().len(), 2);
}

/// Records of every schema that ever landed stand in `fixtures/store`; see its README.
#[test]
fn a_record_of_every_older_schema_opens_and_everything_in_it_still_reads() {
    let home = tempfile::tempdir().unwrap();
    for version in 1..SCHEMA_VERSION {
        let record = home.path().join(format!("version_{version}.db"));
        std::fs::copy(fixture(&format!("store/version_{version}.db")), &record).unwrap();
        let before = Reader::open(&record).unwrap();
        let rows = before.runs(100).unwrap();
        assert_eq!(rows.len(), 2, "schema {version}");
        let runs: Vec<_> = rows.iter().map(|row| before.run(row.run).unwrap()).collect();
        assert_eq!(before.latest_datum("burette", "any").unwrap(), None);
        if version == 1 {
            assert_eq!(before.anchor().unwrap(), None);
        }
        drop(before);
        // Opening for writing migrates.
        write(&record, vec![burette("{}", "")]);
        let after = Reader::open(&record).unwrap();
        assert_eq!(after.runs(100).unwrap(), rows);
        for run in runs {
            assert_eq!(after.run(run.row.run).unwrap(), run);
        }
        assert_eq!(check(&record).faults, []);
        let first = after.ledger(0).unwrap().swap_remove(0);
        assert_eq!(first.verb, "migrate");
        let by_hand = &after.run(2).unwrap();
        assert_eq!((by_hand.marks.len(), by_hand.notes.len()), (5, 1));
        assert_eq!(by_hand.row.set_aside.as_deref(), Some("the burette leaked"));
        assert_eq!(after.reckonings(1).unwrap().len(), 2);
    }
}
