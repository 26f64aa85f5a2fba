//! Captures played again.

use super::{any_bytes, bytes_of, is_over, next, until};
use bytes::Bytes;
use dropwise::reading::LineSettings;
use dropwise::source::capture::{CaptureHeader, CaptureWriter, Captured};
use dropwise::source::{Port, SourceEvent, SourceHandle, open};
use std::path::Path;
use std::time::Duration;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

fn write(path: &Path, entries: &[(f64, Captured)]) {
    let header = CaptureHeader {
        title: Some("twelve seconds".to_owned()),
        started: Some("2026-03-02T08:14:00Z".parse().unwrap()),
        ..CaptureHeader::default()
    };
    let mut writer = CaptureWriter::new(std::fs::File::create(path).unwrap(), &header).unwrap();
    for (t_s, what) in entries {
        writer.write(*t_s, what).unwrap();
    }
}

fn play(path: &Path, speed: Option<f64>) -> SourceHandle {
    let port = Port::Capture { path: path.to_owned(), speed };
    open(port, LineSettings::default(), CancellationToken::new())
}

fn twelve_seconds() -> Vec<(f64, Captured)> {
    vec![
        (0.5, Captured::Out(b"READ\r".to_vec())),
        (0.75, Captured::In(any_bytes())),
        (6.0, Captured::Note("the port hung up".to_owned())),
        (12.0, Captured::In(b"7.00 pH\r\n".to_vec())),
    ]
}

/// The clock is virtual, so that two minutes at their pace pass at once.
#[tokio::test(start_paused = true)]
async fn a_capture_is_played_at_its_pace_with_its_own_times() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.capture");
    write(&path, &twelve_seconds());
    for (speed, takes_s) in [(Some(1.0), 12.0), (Some(10.0), 1.2), (None, 0.0)] {
        let began = Instant::now();
        let mut source = play(&path, speed);
        let events = until(&mut source, is_over).await;
        let took_s = began.elapsed().as_secs_f64();
        assert!((takes_s..takes_s + 0.1).contains(&took_s), "{speed:?}: {took_s}");
        let mut sent = any_bytes();
        sent.extend(b"7.00 pH\r\n");
        assert_eq!(bytes_of(&events), sent);
        let start_us = "2026-03-02T08:14:00Z".parse::<jiff::Timestamp>().unwrap().as_microsecond();
        let [
            SourceEvent::Opened { what, .. },
            SourceEvent::Sent { bytes: request, at: sent_at },
            SourceEvent::Bytes { at: first_at, .. },
            SourceEvent::Warning { text, .. },
            SourceEvent::Bytes { at: last_at, .. },
            SourceEvent::Over { at: over_at, .. },
        ] = &events[..]
        else {
            panic!("{events:?}")
        };
        assert!(what.ends_with("run.capture (twelve seconds)"), "{what}");
        assert_eq!(request, "READ\r");
        assert_eq!((sent_at.elapsed_ns, first_at.elapsed_ns), (500_000_000, 750_000_000));
        assert_eq!(text, "the port hung up");
        assert_eq!(last_at.utc_us, start_us + 12_000_000);
        assert_eq!(over_at, last_at);
        assert_eq!(next(&mut source).await, None);
    }
}

#[tokio::test]
async fn plain_bytes_are_played_without_times() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plain.txt");
    std::fs::write(&path, any_bytes()).unwrap();
    let mut source = play(&path, Some(1.0));
    let events = until(&mut source, is_over).await;
    assert_eq!(bytes_of(&events), any_bytes());
    assert!(super::remarks(&events[0]).contains("plain bytes without times"));
    assert!(events.iter().all(|event| !matches!(event, SourceEvent::Bytes { at, .. } if at.utc_us != 0)));
}

#[tokio::test]
async fn a_capture_takes_no_requests_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.capture");
    write(&path, &[(0.3, Captured::In(b"x".to_vec()))]);
    let mut source = play(&path, Some(1.0));
    source.write.send(Bytes::from_static(b"READ\r")).await.unwrap();
    let events = until(&mut source, is_over).await;
    assert!(events.iter().any(|event| matches!(event, SourceEvent::NotSent { .. })), "{events:?}");
    assert_eq!(bytes_of(&events), b"x");
}

#[tokio::test]
async fn a_damaged_capture_is_played_up_to_the_damage() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.capture");
    std::fs::write(&path, "{\"capture\":1}\n{\"t\":0,\"in\":\"good\"}\n{\"t\":0,\"in\":bad}\n").unwrap();
    let mut source = play(&path, None);
    let events = until(&mut source, |event| matches!(event, SourceEvent::Failed { .. })).await;
    assert_eq!(bytes_of(&events), b"good");
    let Some(SourceEvent::Failed { why, .. }) = events.last() else { unreachable!() };
    assert!(why.contains("run.capture:3:") && why.contains("a line looks like"), "{why}");
    let mut missing = play(&folder.path().join("none.capture"), None);
    assert!(matches!(next(&mut missing).await, Some(SourceEvent::Failed { .. })));
}

#[tokio::test]
async fn a_capture_is_stopped_in_the_middle() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.capture");
    write(&path, &[(0.0, Captured::In(b"x".to_vec())), (3_600.0, Captured::In(b"y".to_vec()))]);
    let token = CancellationToken::new();
    let port = Port::Capture { path, speed: Some(1.0) };
    let mut source = open(port, LineSettings::default(), token.clone());
    super::until_bytes(&mut source, 1).await;
    token.cancel();
    assert_eq!(tokio::time::timeout(Duration::from_secs(5), source.events.recv()).await, Ok(None));
}
