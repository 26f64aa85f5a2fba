//! The record as a real SQLite file: append-only, durable, refused where it would not be safe.

use dropwise::reading::{Quantity, Reading, Stamp, Unit, Validity};
use dropwise::store::{
    Commit, Direction, Entry, Error, LineRow, Reader, SCHEMA_VERSION, Writer, open_for_writing,
};
use dropwise::work::Origin;
use rusqlite::Connection;
use std::path::Path;

fn line(line_id: i64) -> Entry {
    Entry::Line(Box::new(LineRow {
        line_id,
        bench: "window bench".to_owned(),
        instrument: "pH meter".to_owned(),
        port: "/dev/ttyS9".to_owned(),
        origin: Origin::Serial,
        bench_text: "title = \"window bench\"".to_owned(),
        opened_utc_us: 1_770_000_000_000_000,
        utc_offset_s: 3_600,
    }))
}

fn chunk(seq: i64, bytes: &'static [u8]) -> Entry {
    let at = Stamp { elapsed_ns: seq.unsigned_abs() * 1_000_000, utc_us: 1_770_000_000_000_000 + seq };
    Entry::Wire { line_id: 1, seq, direction: Direction::In, at, bytes: bytes.into() }
}

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap()
}

#[test]
fn what_was_acknowledged_is_in_the_file_byte_for_byte() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("record.db");
    let (writer, thread, ids) = Writer::start(&path).unwrap();
    assert_eq!((ids.line, ids.run), (1, 1));
    runtime().block_on(async {
        assert_eq!(writer.write(vec![line(1)]).await.await, Ok(Commit::Saved));
        assert_eq!(writer.write(vec![chunk(0, b"6.87 pH\r\n")]).await.await, Ok(Commit::Saved));
        // Acknowledged means: another connection sees it while the writer is still open.
        let seen = Connection::open(&path).unwrap();
        let bytes: Vec<u8> = seen.query_row("SELECT bytes FROM wire", [], |row| row.get(0)).unwrap();
        assert_eq!(bytes, b"6.87 pH\r\n");
        assert_eq!(writer.write(vec![chunk(1, &[0, 255, 27])]).await.await, Ok(Commit::Saved));
    });
    drop(writer);
    assert_eq!(thread.finish(), None);
    let mut bytes = Vec::new();
    Reader::open(&path).unwrap().wire(1, |chunk| bytes.extend(chunk.bytes)).unwrap();
    assert_eq!(bytes, b"6.87 pH\r\n\x00\xff\x1b");
}

#[test]
fn no_table_lets_a_row_be_changed_removed_or_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("record.db");
    let (writer, thread, _) = Writer::start(&path).unwrap();
    runtime().block_on(async {
        let reading = Reading {
            channel: "ph".into(),
            quantity: Quantity::Ph,
            value: Some(6.87),
            unit: Unit::Ph,
            validity: Validity::Valid,
            steady: None,
            frame: 0,
            at: Stamp::default(),
        };
        let decoding = Entry::Decoding {
            decoding_id: 1,
            line_id: 1,
            profile_text: "title = \"x\"".into(),
            from_seq: 0,
            utc_us: 1,
        };
        let reading = Entry::Reading { decoding_id: 1, field: 0, wire_seq: 0, reading };
        let batch = vec![line(1), chunk(0, b"x"), decoding, reading];
        assert_eq!(writer.write(batch).await.await, Ok(Commit::Saved));
    });
    drop(writer);
    assert_eq!(thread.finish(), None);
    let connection = Connection::open(&path).unwrap();
    let tables: Vec<String> = connection
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table'")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    assert!(tables.len() >= 16, "{tables:?}");
    for table in &tables {
        let column: String = connection
            .query_row("SELECT name FROM pragma_table_info(?) LIMIT 1", [table], |row| row.get(0))
            .unwrap();
        for kind in ["update", "delete", "replace"] {
            let there: bool = connection
                .query_row(
                    "SELECT count(*) = 1 FROM sqlite_schema WHERE type = 'trigger' AND name = ?",
                    [format!("{table}_no_{kind}")],
                    |row| row.get(0),
                )
                .unwrap();
            assert!(there, "{table} has no trigger against {kind}");
        }
        let rows: i64 =
            connection.query_row(&format!("SELECT count(*) FROM \"{table}\""), [], |row| row.get(0)).unwrap();
        if rows == 0 {
            continue;
        }
        for sql in [
            format!("UPDATE \"{table}\" SET \"{column}\" = \"{column}\""),
            format!("DELETE FROM \"{table}\""),
            format!("INSERT OR REPLACE INTO \"{table}\" SELECT * FROM \"{table}\" LIMIT 1"),
        ] {
            let error = connection.execute(&sql, []).unwrap_err().to_string();
            assert!(error.contains("append-only"), "{sql}: {error}");
        }
    }
}

#[test]
fn a_newer_record_is_read_and_never_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("record.db");
    let connection = open_for_writing(&path).unwrap();
    connection.pragma_update(None, "user_version", SCHEMA_VERSION + 1).unwrap();
    drop(connection);
    let error = open_for_writing(&path).unwrap_err();
    assert!(matches!(error, Error::Newer { .. }), "{error}");
    assert!(error.to_string().contains("read, not written"), "{error}");
    assert!(Reader::open(&path).unwrap().runs(10).unwrap().is_empty());
}

#[test]
fn a_file_of_another_program_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("other.db");
    Connection::open(&path).unwrap().execute_batch("CREATE TABLE sheep (name TEXT)").unwrap();
    assert!(matches!(open_for_writing(&path), Err(Error::Foreign { .. })));
    let text = folder.path().join("text.db");
    std::fs::write(&text, "this is no database, only words that go on for a while".repeat(40)).unwrap();
    let error = open_for_writing(&text).unwrap_err().to_string();
    assert!(error.contains("no SQLite file"), "{error}");
    assert_eq!(std::fs::read_to_string(&text).unwrap().len(), 54 * 40);
}

#[test]
fn while_another_program_holds_the_file_the_rows_wait_and_are_saved_afterwards() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("record.db");
    let (writer, thread, _) = Writer::start(&path).unwrap();
    let other = Connection::open(&path).unwrap();
    runtime().block_on(async {
        assert_eq!(writer.write(vec![line(1)]).await.await, Ok(Commit::Saved));
        other.execute_batch("BEGIN IMMEDIATE").unwrap();
        let answer = writer.write(vec![chunk(0, b"first")]).await.await.unwrap();
        let Commit::Waiting(words) = answer else { panic!("{answer:?}") };
        assert!(words.contains("another program holds it"), "{words}");
        assert_eq!(writer.state().borrow().waiting_bytes, 5);
        let later = writer.write(vec![chunk(1, b"second")]).await;
        other.execute_batch("ROLLBACK").unwrap();
        assert_eq!(later.await, Ok(Commit::Saved));
        assert_eq!(writer.state().borrow().trouble, None);
    });
    drop(writer);
    assert_eq!(thread.finish(), None);
    let mut chunks = Vec::new();
    Reader::open(&path).unwrap().wire(1, |chunk| chunks.push(chunk.bytes)).unwrap();
    assert_eq!(chunks, [b"first".to_vec(), b"second".to_vec()]);
}

#[test]
fn a_row_that_the_schema_refuses_does_not_hold_up_the_rows_behind_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("record.db");
    let (writer, thread, _) = Writer::start(&path).unwrap();
    runtime().block_on(async {
        // No such line: the foreign key refuses it.
        let stray = Entry::Wire {
            line_id: 77,
            seq: 0,
            direction: Direction::In,
            at: Stamp::default(),
            bytes: b"stray".as_slice().into(),
        };
        let first = writer.write(vec![line(1)]).await;
        let refused = writer.write(vec![stray]).await;
        let last = writer.write(vec![chunk(0, b"good")]).await;
        assert_eq!(first.await, Ok(Commit::Saved));
        assert!(matches!(refused.await, Ok(Commit::Waiting(words)) if words.contains("refused")));
        assert_eq!(last.await, Ok(Commit::Saved));
    });
    drop(writer);
    assert_eq!(thread.finish(), None);
    let mut bytes = Vec::new();
    Reader::open(&path).unwrap().wire(1, |chunk| bytes.extend(chunk.bytes)).unwrap();
    assert_eq!(bytes, b"good");
}

#[test]
fn a_folder_that_cannot_be_written_is_told_with_the_way_out() {
    // A file where a folder should be refuses everybody, root included.
    let folder = tempfile::tempdir().unwrap();
    let blocked = folder.path().join("blocked");
    std::fs::write(&blocked, "").unwrap();
    let error = open_for_writing(&blocked.join("record.db")).unwrap_err().to_string();
    assert!(error.contains("blocked") && error.contains("--record FILE"), "{error}");
    assert!(Path::new(&blocked).is_file());
}
