//! Sources against real pseudo-terminals, sockets and files: the same bytes from each, gaps told, no
//! spinning, nothing lost.
#![cfg(target_os = "linux")]

mod capture;
mod file;
mod serial;
mod socket;

use dropwise::source::{SourceEvent, SourceHandle};
use std::time::Duration;

/// Longer than anything here takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(20);

/// A stream with every byte value, odd line ends and a long line.
fn any_bytes() -> Vec<u8> {
    let mut bytes: Vec<u8> = (0..=255).collect();
    bytes.extend(b"6.87 pH\r\n6.88 pH\r7.00 pH\n");
    bytes.extend(std::iter::repeat_n(b'x', 9_000));
    bytes
}

async fn next(source: &mut SourceHandle) -> Option<SourceEvent> {
    tokio::time::timeout(PATIENCE, source.events.recv()).await.expect("no event came")
}

/// Takes events until one is wanted; gives everything up to and with it.
async fn until(source: &mut SourceHandle, wanted: impl Fn(&SourceEvent) -> bool) -> Vec<SourceEvent> {
    let mut events = Vec::new();
    while let Some(event) = next(source).await {
        let end = wanted(&event);
        events.push(event);
        if end {
            return events;
        }
    }
    panic!("the events ended without the wanted one: {events:?}");
}

/// Takes events until this many bytes have come in.
async fn until_bytes(source: &mut SourceHandle, count: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    while bytes.len() < count {
        let event = next(source).await.expect("the source ended early");
        bytes.extend(bytes_of(&[event]));
    }
    bytes
}

fn bytes_of(events: &[SourceEvent]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for event in events {
        if let SourceEvent::Bytes { bytes: chunk, .. } = event {
            bytes.extend(chunk);
        }
    }
    bytes
}

fn is_gone(event: &SourceEvent) -> bool {
    matches!(event, SourceEvent::Gone { .. })
}

fn is_opened(event: &SourceEvent) -> bool {
    matches!(event, SourceEvent::Opened { .. })
}

fn is_over(event: &SourceEvent) -> bool {
    matches!(event, SourceEvent::Over { .. })
}

fn remarks(event: &SourceEvent) -> String {
    match event {
        SourceEvent::Opened { remarks, .. } => remarks.join("; "),
        other => panic!("not opened: {other:?}"),
    }
}

/// Seconds of processor time that this thread has used (Linux).
fn cpu_s() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    text.split(' ').next().unwrap().parse::<f64>().unwrap() * 1e-9
}
