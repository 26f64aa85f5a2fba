//! What a chain alone cannot show, an anchor that was kept elsewhere does.

use super::{burette, check, replay, succeed, try_to, words, write};
use dropwise::store::Reader;
use rusqlite::Connection;
use std::path::Path;

fn anchor_of(home: &Path) -> String {
    succeed(home, &["record", "anchor"]).trim().to_owned()
}

/// The record is in order by itself, and not with the anchor.
fn only_the_anchor_shows(home: &Path, anchor: &str, word: &str) {
    assert_eq!(check(&home.join("record.db")).faults, []);
    succeed(home, &["record", "verify"]);
    let shown = try_to(home, &["record", "verify", "--anchor", anchor]);
    assert_eq!(shown.status.code(), Some(5));
    assert!(words::stdout(&shown).contains(word), "{}", words::stdout(&shown));
}

#[test]
fn an_old_copy_put_back_is_found_with_an_anchor() {
    let home = tempfile::tempdir().unwrap();
    let record = home.path().join("record.db");
    replay(home.path(), "first");
    let old = std::fs::read(&record).unwrap();
    replay(home.path(), "second");
    let kept = home.path().join("anchors.txt");
    let kept_text = kept.to_str().unwrap();
    succeed(home.path(), &["record", "anchor", "--append", kept_text]);
    succeed(home.path(), &["record", "verify", "--anchor", kept_text]);
    std::fs::write(&record, old).unwrap();
    only_the_anchor_shows(home.path(), kept_text, "older copy");
}

#[test]
fn a_tail_cut_off_is_found_with_an_anchor() {
    let home = tempfile::tempdir().unwrap();
    let record = home.path().join("record.db");
    replay(home.path(), "first");
    write(&record, vec![burette("{}", "")]);
    let anchor = anchor_of(home.path());
    let connection = Connection::open(&record).unwrap();
    let triggers: Vec<String> = connection
        .prepare("SELECT sql FROM sqlite_schema WHERE type = 'trigger' AND name LIKE '%_no_delete'")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    // The last entry goes with everything that tells of it.
    connection
        .execute_batch(
            "DROP TRIGGER ledger_no_delete; DROP TRIGGER seal_no_delete; DROP TRIGGER datum_no_delete;
            DELETE FROM datum; DELETE FROM seal WHERE n = (SELECT max(n) FROM seal);
            DELETE FROM ledger WHERE n = (SELECT max(n) FROM ledger);",
        )
        .unwrap();
    for sql in triggers.iter().filter(|sql| !sql.is_empty()) {
        // Those that were not dropped are there already.
        let _there = connection.execute_batch(sql);
    }
    drop(connection);
    only_the_anchor_shows(home.path(), &anchor, "cut off");
}

#[test]
fn a_chain_that_was_written_anew_is_found_with_an_anchor() {
    let home = tempfile::tempdir().unwrap();
    let record = home.path().join("record.db");
    write(&record, vec![burette(r#"{"volume_ml":25}"#, "")]);
    let anchor = anchor_of(home.path());
    std::fs::remove_file(&record).unwrap();
    write(&record, vec![burette(r#"{"volume_ml":24}"#, "")]);
    only_the_anchor_shows(home.path(), &anchor, "written anew");
    let nonsense = try_to(home.path(), &["record", "verify", "--anchor", "anchor 1 abc"]);
    assert_eq!(nonsense.status.code(), Some(2));
}

#[test]
fn an_anchor_covers_what_came_in_after_the_last_decision() {
    let home = tempfile::tempdir().unwrap();
    let record = home.path().join("record.db");
    // A record that was closed has no seal that its ledger does not tell of.
    write(&record, vec![burette("{}", "")]);
    replay(home.path(), "first");
    let seals: i64 = Connection::open(&record)
        .unwrap()
        .query_row("SELECT max(n) FROM seal", [], |row| row.get(0))
        .unwrap();
    assert_eq!(Reader::open(&record).unwrap().ledger(0).unwrap().last().unwrap().seal_n, seals);
}
