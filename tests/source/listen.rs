//! Listening with one line setting after the other.

use dropwise::reading::LineSettings;
use dropwise::source::listen::{CONVINCING, RATES, try_settings};
use dropwise::source::{Port, pty};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// A pseudo-terminal knows no rates, so the first setting is as good as any: what is tried here is that
/// each is tried, that the port is freed between trials, and that nothing is sent.
#[tokio::test]
async fn settings_are_tried_one_after_the_other_and_nothing_is_sent() {
    let lines = (0..2_000).map(|i| (f64::from(i) * 0.01, b"  6.87 pH   12.4 mV\r\n".to_vec()));
    let player = pty::play(lines, 1.0).unwrap();
    let port = Port::Serial { path: player.path.clone() };
    let mut tried = Vec::new();
    let trials = try_settings(&port, Duration::from_millis(150), &CancellationToken::new(), |trial| {
        tried.push(trial.line.baud);
    })
    .await
    .unwrap();
    assert_eq!(tried, RATES);
    assert!(trials[0].text > CONVINCING && trials[0].sample.contains("6.87 pH   12.4 mV"), "{:?}", trials[0]);
    assert!(trials.is_sorted_by(|a, b| a.text >= b.text));
    assert_eq!(player.received(), b"");
}

#[tokio::test]
async fn garbage_is_tried_with_parity_too_and_does_not_convince() {
    let noise = (0..20_000u32)
        .map(|i| (f64::from(i) * 0.001, vec![0x80 | (i.wrapping_mul(97) >> 3).to_le_bytes()[0]]));
    let player = pty::play(noise, 1.0).unwrap();
    let port = Port::Serial { path: player.path.clone() };
    let each = Duration::from_millis(60);
    let trials = try_settings(&port, each, &CancellationToken::new(), |_| {}).await.unwrap();
    assert_eq!(trials.len(), 3 * RATES.len());
    assert!(trials[0].text < CONVINCING, "{:?}", trials[0]);
}

#[tokio::test]
async fn a_silent_port_gives_nothing_and_a_missing_one_says_so() {
    let player = pty::play([(3_600.0, Vec::new())].into_iter(), 1.0).unwrap();
    let port = Port::Serial { path: player.path.clone() };
    let each = Duration::from_millis(10);
    let trials = try_settings(&port, each, &CancellationToken::new(), |_| {}).await.unwrap();
    assert_eq!(trials.len(), RATES.len());
    assert!(trials.iter().all(|trial| trial.bytes == 0));
    assert_eq!(trials[0].line, LineSettings::default());
    let missing: Port = "/dev/no-such-port".parse().unwrap();
    let error = try_settings(&missing, each, &CancellationToken::new(), |_| {}).await.unwrap_err();
    assert!(error.contains("there is no port"), "{error}");
}
