//! Files that other programs write.

use super::{any_bytes, cpu_s, is_gone, is_opened, next, until, until_bytes};
use dropwise::reading::LineSettings;
use dropwise::source::{Opening, Port, SourceEvent, SourceHandle, open};
use std::fs::{self, OpenOptions};
use std::io::Write;
use std::path::Path;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

fn follow(path: &Path, from_end: bool) -> SourceHandle {
    let port = Port::File { path: path.to_owned(), from_end };
    open(port, LineSettings::default(), CancellationToken::new())
}

fn append(path: &Path, bytes: &[u8]) {
    OpenOptions::new().append(true).open(path).unwrap().write_all(bytes).unwrap();
}

#[tokio::test]
async fn a_file_is_read_as_it_grows() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("meter.log");
    let sent = any_bytes();
    fs::write(&path, &sent).unwrap();
    let mut source = follow(&path, false);
    assert!(is_opened(&next(&mut source).await.unwrap()));
    assert_eq!(until_bytes(&mut source, sent.len()).await, sent);
    append(&path, b"7.01 ");
    assert_eq!(until_bytes(&mut source, 5).await, b"7.01 ");
    append(&path, b"pH\n");
    assert_eq!(until_bytes(&mut source, 3).await, b"pH\n");
    let cpu_before = cpu_s();
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert!(cpu_s() - cpu_before < 0.05, "a quiet file costs {} s in a second", cpu_s() - cpu_before);
}

#[tokio::test]
async fn what_the_file_held_before_can_be_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("meter.log");
    fs::write(&path, "yesterday\n").unwrap();
    let mut source = follow(&path, true);
    let opened = next(&mut source).await.unwrap();
    assert!(
        matches!(&opened, SourceEvent::Opened { what, .. } if what.ends_with("from byte 10")),
        "{opened:?}"
    );
    append(&path, b"today\n");
    assert_eq!(until_bytes(&mut source, 6).await, b"today\n");
}

#[tokio::test]
async fn a_file_that_is_cut_is_read_from_its_beginning() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("meter.log");
    fs::write(&path, "a long first day\n").unwrap();
    let mut source = follow(&path, false);
    until_bytes(&mut source, 17).await;
    fs::write(&path, "new\n").unwrap();
    let gone = next(&mut source).await.unwrap();
    assert!(matches!(&gone, SourceEvent::Gone { why, .. } if why.contains("became shorter")), "{gone:?}");
    assert!(is_opened(&next(&mut source).await.unwrap()));
    assert_eq!(until_bytes(&mut source, 4).await, b"new\n");
}

#[tokio::test]
async fn a_file_that_is_replaced_is_read_to_its_end_first() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("meter.log");
    fs::write(&path, "one\n").unwrap();
    let mut source = follow(&path, false);
    until_bytes(&mut source, 4).await;
    // the writer still holds the old file while the new one stands in its place
    let old = folder.path().join("meter.log.1");
    fs::rename(&path, &old).unwrap();
    append(&old, b"two\n");
    fs::write(&path, "three\n").unwrap();
    let events = until(&mut source, is_gone).await;
    assert_eq!(super::bytes_of(&events), b"two\n");
    assert_eq!(until_bytes(&mut source, 6).await, b"three\n");
}

#[tokio::test]
async fn a_file_that_is_taken_away_is_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("meter.log");
    let mut source = follow(&path, true);
    assert!(is_gone(&next(&mut source).await.unwrap()));
    fs::write(&path, "first\n").unwrap();
    assert_eq!(until_bytes(&mut source, 6).await, b"first\n");
    fs::remove_file(&path).unwrap();
    assert!(is_gone(&next(&mut source).await.unwrap()));
    fs::write(&path, "second\n").unwrap();
    assert_eq!(until_bytes(&mut source, 7).await, b"second\n");
}

#[tokio::test]
async fn a_missing_file_or_a_folder_fails_when_it_must_exist() {
    let folder = tempfile::tempdir().unwrap();
    for (path, says) in [
        (folder.path().join("none.log"), "could not be read: No such file"),
        (folder.path().to_owned(), "is no plain file"),
    ] {
        let opening = Opening { must_exist: true, ..Opening::default() };
        let mut source = open(Port::File { path, from_end: false }, opening, CancellationToken::new());
        let failed = next(&mut source).await.unwrap();
        assert!(matches!(&failed, SourceEvent::Failed { why, .. } if why.contains(says)), "{failed:?}");
    }
}
