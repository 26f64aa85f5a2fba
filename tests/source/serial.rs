//! The serial code on pseudo-terminals.

use super::{any_bytes, bytes_of, cpu_s, is_gone, is_opened, is_over, next, remarks, until, until_bytes};
use bytes::Bytes;
use dropwise::reading::{DataBits, LineSettings, Parity};
use dropwise::source::{Chunks, EVENTS_QUEUED, FIRST_WAIT, Opening, Port, SourceEvent, open, pty};
use std::path::Path;
use std::time::{Duration, Instant};
use tokio_util::sync::CancellationToken;

fn serial(path: impl AsRef<Path>) -> Port {
    Port::Serial { path: path.as_ref().to_owned() }
}

/// An instrument that sends `bytes` and then stays silent on an open line for an hour.
fn sends_then_rests(bytes: Vec<u8>) -> pty::PtyPlayer {
    pty::play([(0.0, bytes), (3_600.0, Vec::new())].into_iter(), 1.0).unwrap()
}

#[tokio::test]
async fn bytes_come_as_they_were_sent_with_both_clocks() {
    let sent = any_bytes();
    // far enough apart that a slow opening does not matter
    let halves = [(0.0, sent[..300].to_vec()), (1.0, sent[300..].to_vec())];
    let player = pty::play(halves.into_iter(), 1.0).unwrap();
    let mut source = open(serial(&player.path), LineSettings::default(), CancellationToken::new());
    let events = until(&mut source, is_gone).await;
    super::assert_same(&bytes_of(&events), &sent);
    let stamps: Vec<_> = events
        .iter()
        .filter_map(|event| match event {
            SourceEvent::Bytes { at, bytes } => {
                assert!(!bytes.is_empty());
                Some(*at)
            }
            _ => None,
        })
        .collect();
    assert!(stamps.is_sorted());
    let span_s = stamps.last().unwrap().seconds() - stamps[0].seconds();
    assert!((0.5..10.0).contains(&span_s), "{span_s}");
    let wall_s = (stamps.last().unwrap().utc_us - stamps[0].utc_us) as f64 * 1e-6;
    assert!((wall_s - span_s).abs() < 0.01, "{wall_s} {span_s}");
}

#[tokio::test]
async fn a_burst_of_200_kb_is_read_without_loss() {
    let sent: Vec<u8> = (0..20_000).flat_map(|i| format!("{i:08}\r\n").into_bytes()).collect();
    assert_eq!(sent.len(), 200_000);
    let player = pty::play([(0.0, sent.clone())].into_iter(), f64::INFINITY).unwrap();
    let mut source = open(serial(&player.path), LineSettings::default(), CancellationToken::new());
    let events = until(&mut source, is_gone).await;
    super::assert_same(&bytes_of(&events), &sent);
}

#[tokio::test]
async fn a_port_that_vanishes_comes_back_through_its_link_without_spinning() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("usb-Meter_A1-if00-port0");
    let first = sends_then_rests(b"before".to_vec());
    std::os::unix::fs::symlink(&first.path, &link).unwrap();
    let mut source = open(serial(&link), LineSettings::default(), CancellationToken::new());
    assert!(is_opened(&next(&mut source).await.unwrap()));
    assert_eq!(until_bytes(&mut source, 6).await, b"before");

    drop(first);
    std::fs::remove_file(&link).unwrap();
    let cpu_before = cpu_s();
    let gone = next(&mut source).await.unwrap();
    let SourceEvent::Gone { at: gone_at, why } = &gone else { panic!("{gone:?}") };
    assert!(why.contains("hung up"), "{why}");
    // a second away: the reason is told anew once, and no time is burnt
    tokio::time::sleep(Duration::from_secs(1)).await;
    let cpu = cpu_s() - cpu_before;
    assert!(cpu < 0.05, "{cpu} s of processor time in one second without a port");
    let missing = next(&mut source).await.unwrap();
    assert!(
        matches!(&missing, SourceEvent::Gone { why, .. } if why.contains("there is no port")),
        "{missing:?}"
    );
    // a request for an instrument that is away is given back at once
    source.write.send(Bytes::from_static(b"READ\r")).await.unwrap();
    let back = next(&mut source).await.unwrap();
    assert!(matches!(&back, SourceEvent::NotSent { bytes, .. } if bytes == "READ\r"), "{back:?}");

    let second = sends_then_rests(b"after".to_vec());
    std::os::unix::fs::symlink(&second.path, &link).unwrap();
    let back = next(&mut source).await.unwrap();
    let SourceEvent::Opened { at: back_at, .. } = &back else { panic!("{back:?}") };
    assert_eq!(until_bytes(&mut source, 5).await, b"after");
    let gap_s = back_at.seconds() - gone_at.seconds();
    assert!((1.0..10.0).contains(&gap_s), "{gap_s}");
}

#[tokio::test]
async fn a_hung_up_port_that_stays_is_tried_with_growing_waits() {
    let player = sends_then_rests(b"x".to_vec());
    let path = player.path.clone();
    let mut source = open(serial(&path), LineSettings::default(), CancellationToken::new());
    until_bytes(&mut source, 1).await;
    let began = Instant::now();
    let cpu_before = cpu_s();
    drop(player);
    until(&mut source, is_gone).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert!(cpu_s() - cpu_before < 0.05, "{}", cpu_s() - cpu_before);
    assert!(began.elapsed() > FIRST_WAIT);
}

#[tokio::test]
async fn what_is_written_arrives_and_is_told() {
    let player = sends_then_rests(b"ready\r\n".to_vec());
    let mut source = open(serial(&player.path), LineSettings::default(), CancellationToken::new());
    until_bytes(&mut source, 7).await;
    source.write.send(Bytes::from_static(b"READ\r\x00\xff")).await.unwrap();
    let sent = next(&mut source).await.unwrap();
    assert!(
        matches!(&sent, SourceEvent::Sent { bytes, .. } if bytes[..] == b"READ\r\x00\xff"[..]),
        "{sent:?}"
    );
    let deadline = Instant::now() + super::PATIENCE;
    while player.received().len() < 7 && Instant::now() < deadline {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    assert_eq!(player.received(), b"READ\r\x00\xff");
}

#[tokio::test]
async fn a_write_that_is_not_taken_is_given_up_and_reading_goes_on() {
    // nobody reads at the far end, so that the line fills up
    let pair = nix::pty::openpty(None, None).unwrap();
    let path = nix::unistd::ttyname(&pair.slave).unwrap();
    let mut source = open(serial(&path), LineSettings::default(), CancellationToken::new());
    assert!(is_opened(&next(&mut source).await.unwrap()));
    source.write.send(Bytes::from(vec![b'x'; 200_000])).await.unwrap();
    tokio::time::sleep(Duration::from_millis(100)).await;
    nix::unistd::write(&pair.master, b"7.00 pH\r\n").unwrap();
    assert_eq!(until_bytes(&mut source, 9).await, b"7.00 pH\r\n");
    let given_up = next(&mut source).await.unwrap();
    assert!(
        matches!(&given_up, SourceEvent::NotSent { why, .. } if why == "not taken within 2 s"),
        "{given_up:?}"
    );
}

#[tokio::test]
async fn a_port_in_use_is_refused_in_words_and_the_first_user_keeps_it() {
    let player = sends_then_rests(b"one".to_vec());
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("another-name");
    std::os::unix::fs::symlink(&player.path, &link).unwrap();
    let first_token = CancellationToken::new();
    let mut first = open(serial(&player.path), LineSettings::default(), first_token.clone());
    until_bytes(&mut first, 3).await;

    let must_exist = Opening { must_exist: true, ..Opening::default() };
    let mut second = open(serial(&link), must_exist, CancellationToken::new());
    let refused = next(&mut second).await.unwrap();
    let SourceEvent::Failed { why, .. } = &refused else { panic!("{refused:?}") };
    assert!(why.contains("is in use by this program itself"), "{why}");
    assert_eq!(next(&mut second).await, None);

    first_token.cancel();
    while next(&mut first).await.is_some() {}
    let mut third = open(serial(&link), must_exist, CancellationToken::new());
    assert!(is_opened(&next(&mut third).await.unwrap()));
}

#[tokio::test]
async fn a_port_locked_by_a_program_without_our_lock_file_is_refused_too() {
    let player = sends_then_rests(Vec::new());
    let _other = serialport::new(player.path.to_str().unwrap(), 9600).open().unwrap();
    let must_exist = Opening { must_exist: true, ..Opening::default() };
    let mut source = open(serial(&player.path), must_exist, CancellationToken::new());
    let refused = next(&mut source).await.unwrap();
    let SourceEvent::Failed { why, .. } = &refused else { panic!("{refused:?}") };
    // the foreign lock was taken in this very process, as the kernel's list of locks tells
    assert!(why.contains("is in use by this program itself"), "{why}");
}

#[tokio::test]
async fn a_missing_port_is_a_failure_only_when_it_must_exist() {
    let missing = serial("/dev/serial/by-id/usb-No_such_meter");
    let must_exist = Opening { must_exist: true, ..Opening::default() };
    let mut source = open(missing.clone(), must_exist, CancellationToken::new());
    let failed = next(&mut source).await.unwrap();
    let SourceEvent::Failed { why, .. } = &failed else { panic!("{failed:?}") };
    assert!(why.contains("there is no port /dev/serial/by-id/usb-No_such_meter"), "{why}");
    assert_eq!(next(&mut source).await, None);

    let token = CancellationToken::new();
    let mut patient = open(missing, LineSettings::default(), token.clone());
    assert!(is_gone(&next(&mut patient).await.unwrap()));
    token.cancel();
    assert_eq!(next(&mut patient).await, None);
}

#[tokio::test]
async fn what_is_no_serial_port_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("log.txt");
    std::fs::write(&file, "x").unwrap();
    for path in [file.as_path(), folder.path(), Path::new("/dev/null")] {
        let must_exist = Opening { must_exist: true, ..Opening::default() };
        let mut source = open(serial(path), must_exist, CancellationToken::new());
        let failed = next(&mut source).await.unwrap();
        assert!(
            matches!(&failed, SourceEvent::Failed { why, .. } if why.contains("is no serial port")),
            "{failed:?}"
        );
    }
}

#[tokio::test]
async fn settings_that_the_port_did_not_take_are_told() {
    // the kernel's pseudo-terminals refuse seven bits and parity without saying so
    let player = sends_then_rests(Vec::new());
    let line = LineSettings { data_bits: DataBits::Seven, parity: Parity::Even, ..LineSettings::default() };
    let mut source = open(serial(&player.path), line, CancellationToken::new());
    let opened = next(&mut source).await.unwrap();
    let remarks = remarks(&opened);
    assert!(remarks.contains("asked for data bits 7, but the port is set to 8"), "{remarks}");
    assert!(remarks.contains("asked for parity even, but the port is set to none"), "{remarks}");
    let SourceEvent::Opened { what, .. } = opened else { unreachable!() };
    assert!(what.ends_with("at 9600 7E1"), "{what}");
}

#[tokio::test]
async fn nothing_is_remarked_when_all_is_as_asked() {
    let player = sends_then_rests(Vec::new());
    for baud in [1_200, 9_600, 19_200, 115_200] {
        let line = LineSettings { baud, ..LineSettings::default() };
        let token = CancellationToken::new();
        let mut source = open(serial(&player.path), line, token.clone());
        assert_eq!(remarks(&next(&mut source).await.unwrap()), "");
        token.cancel();
        assert_eq!(next(&mut source).await, None);
    }
}

#[tokio::test]
async fn a_reader_that_stops_reading_holds_up_the_source_and_loses_nothing() {
    let sent: Vec<u8> = (0..400_000u32).flat_map(|i| i.to_be_bytes()).collect();
    let player = pty::play([(0.0, sent.clone())].into_iter(), f64::INFINITY).unwrap();
    let mut source = open(serial(&player.path), LineSettings::default(), CancellationToken::new());
    tokio::time::sleep(Duration::from_millis(1_500)).await;
    // the queue is full and nothing grows behind it: the instrument is still sending
    assert_eq!(source.events.len(), EVENTS_QUEUED);
    assert!(!player.is_over());
    let events = until(&mut source, is_gone).await;
    super::assert_same(&bytes_of(&events), &sent);
    let held = events.iter().any(
        |event| matches!(event, SourceEvent::Warning { text, .. } if text.contains("nobody took the data for")),
    );
    assert!(held, "no warning about having been held up");
}

#[tokio::test]
async fn the_port_is_free_again_when_nobody_listens() {
    let player = sends_then_rests(b"x".to_vec());
    let mut source = open(serial(&player.path), LineSettings::default(), CancellationToken::new());
    until_bytes(&mut source, 1).await;
    drop(source);
    let mut again = open(serial(&player.path), LineSettings::default(), CancellationToken::new());
    until(&mut again, is_opened).await;
}

#[tokio::test]
async fn the_simulated_instrument_is_read_through_a_pseudo_terminal_and_ends() {
    fn three_lines(seed: u64, _: Option<&str>) -> Chunks {
        Box::new((0..3).map(move |i| (f64::from(i) * 60.0, format!("{seed} {i}\r\n").into_bytes())))
    }
    let opening = Opening { simulator: Some(three_lines), ..Opening::default() };
    let began = Instant::now();
    let mut source = open("simulator@1200:7".parse().unwrap(), opening, CancellationToken::new());
    let events = until(&mut source, is_over).await;
    assert!(matches!(&events[0], SourceEvent::Opened { what, .. } if what.starts_with("simulator:7 (/dev/")));
    assert_eq!(bytes_of(&events), b"7 0\r\n7 1\r\n7 2\r\n");
    // two simulated minutes at 1200 times their pace
    assert!(began.elapsed() > Duration::from_millis(100));
    let mut none = open("simulator".parse().unwrap(), Opening::default(), CancellationToken::new());
    assert!(matches!(next(&mut none).await, Some(SourceEvent::Failed { .. })));
}
