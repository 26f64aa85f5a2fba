//! What comes with times of its own: a capture, and the simulated instrument.

use super::capture::{CaptureEntry, CaptureHeader, CaptureReader, Captured};
use super::outlet::{NobodyListens, Wiring};
use super::{Chunks, SourceError, SourceEvent};
use crate::reading::{LineSettings, Stamp};
use bytes::Bytes;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;

/// Entries that are read ahead; when they are used up the player waits for the disk.
const READ_AHEAD: usize = 64;

type Entries = mpsc::Receiver<Result<CaptureEntry, SourceError>>;

/// Plays a capture file. All stamps are those of the capture, at any speed.
pub(super) async fn play_file(path: PathBuf, speed: Option<f64>, wiring: Wiring) {
    let opened = {
        let path = path.clone();
        tokio::task::spawn_blocking(move || CaptureReader::open(&path)).await
    };
    let reader = match opened {
        Ok(Ok(reader)) => reader,
        Ok(Err(error)) => return wiring.fail(&error).await,
        Err(error) => {
            let why = error.to_string();
            return wiring.fail(&SourceError::Refused { port: path.display().to_string(), why }).await;
        }
    };
    let plain = reader.header().is_none();
    let header = reader.header().cloned().unwrap_or_default();
    let (entries_in, entries) = mpsc::channel(READ_AHEAD);
    tokio::task::spawn_blocking(move || {
        for entry in reader {
            if entries_in.blocking_send(entry).is_err() {
                return;
            }
        }
    });
    let remarks = if plain {
        vec!["plain bytes without times: played as fast as it goes".to_owned()]
    } else {
        Vec::new()
    };
    let opened = SourceEvent::Opened { at: header.stamp(0.0), what: title(&path, &header), remarks };
    if wiring.outlet.send(opened).await.is_ok() {
        play(entries, &header, if plain { None } else { speed }, wiring).await;
    }
}

fn title(path: &Path, header: &CaptureHeader) -> String {
    match &header.title {
        Some(title) => format!("capture {} ({title})", path.display()),
        None => format!("capture {}", path.display()),
    }
}

async fn play(mut entries: Entries, header: &CaptureHeader, speed: Option<f64>, mut wiring: Wiring) {
    let began = Instant::now();
    let mut last = header.stamp(0.0);
    loop {
        let Some(next) = wiring.take(&mut entries, "a capture takes nothing").await else { return };
        match next {
            None => {
                return wiring
                    .last(SourceEvent::Over { at: last, why: "the capture is at its end".to_owned() })
                    .await;
            }
            Some(Err(error)) => {
                return wiring.last(SourceEvent::Failed { at: last, why: error.to_string() }).await;
            }
            Some(Ok(entry)) => {
                let due = speed.map(|speed| began + seconds(entry.t_s / speed));
                if let Some(wait) = due.map(|due| due.saturating_duration_since(Instant::now()))
                    && !wait.is_zero()
                    && !wiring.pause(wait, "a capture takes nothing").await
                {
                    return;
                }
                // Time never goes back, even if somebody has edited the file.
                last = last.max(header.stamp(entry.t_s));
                if tell(entry, last, &wiring).await.is_err() {
                    return;
                }
            }
        }
    }
}

async fn tell(entry: CaptureEntry, at: Stamp, wiring: &Wiring) -> Result<(), NobodyListens> {
    let event = match entry.what {
        Captured::In(bytes) if bytes.is_empty() => return Ok(()),
        Captured::In(bytes) => SourceEvent::Bytes { at, bytes: Bytes::from(bytes) },
        Captured::Out(bytes) => SourceEvent::Sent { at, bytes: Bytes::from(bytes) },
        Captured::Note(text) => SourceEvent::Warning { at, text },
    };
    wiring.outlet.send(event).await
}

fn seconds(t_s: f64) -> Duration {
    Duration::try_from_secs_f64(t_s).unwrap_or(Duration::ZERO).min(Duration::from_secs(1_000_000_000))
}

/// Plays a simulated instrument through a real pseudo-terminal, so that the same code reads it as reads
/// a serial port.
#[cfg(unix)]
pub(super) async fn simulate(
    chunks: Chunks,
    seed: u64,
    speed: Option<f64>,
    line: LineSettings,
    mut wiring: Wiring,
) {
    use super::connection::{Connection, End, talk};
    let player = match super::pty::play(chunks, speed.unwrap_or(f64::INFINITY)) {
        Ok(player) => player,
        Err(error) => return wiring.fail(&error).await,
    };
    let Connection { mut stream, what, remarks } =
        match super::serial::open(&player.path, &format!("simulator:{seed}"), line) {
            Ok(connection) => connection,
            Err(error) => return wiring.fail(&error).await,
        };
    if wiring.outlet.opened(what, remarks).await.is_err() {
        return;
    }
    let (end, _) = talk(&mut stream, &mut wiring).await;
    if matches!(end, End::Gone(_)) {
        wiring.over("the simulated instrument is at its end").await;
    }
}

/// Without pseudo-terminals the simulated instrument is played like a capture, with the times of now.
#[cfg(not(unix))]
pub(super) async fn simulate(
    chunks: Chunks,
    seed: u64,
    speed: Option<f64>,
    _line: LineSettings,
    wiring: Wiring,
) {
    let (entries_in, entries) = mpsc::channel(READ_AHEAD);
    tokio::task::spawn_blocking(move || {
        for (t_s, bytes) in chunks {
            if entries_in.blocking_send(Ok(CaptureEntry { t_s, what: Captured::In(bytes) })).is_err() {
                return;
            }
        }
    });
    let header = CaptureHeader { started: Some(jiff::Timestamp::now()), ..CaptureHeader::default() };
    if wiring.outlet.opened(format!("simulator:{seed}"), Vec::new()).await.is_ok() {
        play(entries, &header, speed, wiring).await;
    }
}
