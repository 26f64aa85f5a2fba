//! Bytes come in, each chunk stamped with both clocks; one interface for every kind of port.
//!
//! Input: a `Port`. Output: `SourceEvent`s in the order in which things happened. One task for each
//! source. Bytes are handed on as they came: a chunk is not a line. A source never drops bytes that it
//! has read, never spins on a port that is gone, and sends nothing but what it is given to send.

mod backoff;
mod clock;
mod connection;
mod error;
mod file;
mod lock;
mod outlet;
mod port;
mod replay;
mod serial;
mod stdin;
mod tcp;

pub mod capture;
pub mod listen;
pub mod ports;
#[cfg(unix)]
pub mod pty;
pub mod simulate;

pub use backoff::{FIRST_WAIT, LONGEST_WAIT};
pub use clock::Clock;
pub use error::SourceError;
pub use port::{PORT_FORMS, Port, PortError};

use crate::reading::{LineSettings, Stamp};
use bytes::Bytes;
use outlet::Wiring;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

/// Events that wait for the reader of [`SourceHandle::events`]. When it is full the source stops reading:
/// bytes then wait in the operating system; a file, a socket or a pipe holds them, a serial port may
/// overrun after some kilobytes, and a [`SourceEvent::Warning`] says for how long it was held up.
pub const EVENTS_QUEUED: usize = 256;
/// Writes that wait for the port. When it is full the sender waits; while a port is gone each write is
/// given back as [`SourceEvent::NotSent`], because a request must not be sent long after it was meant.
pub const WRITES_QUEUED: usize = 16;
/// Bytes in one chunk at most.
pub const CHUNK_BYTES: usize = 4096;

/// Chunks of a simulated instrument: seconds since its start, and what it sends then.
pub type Chunks = Box<dyn Iterator<Item = (f64, Vec<u8>)> + Send>;

/// What happens at a source.
#[derive(Debug, Clone, PartialEq)]
pub enum SourceEvent {
    /// The port is open, for the first time or again.
    Opened {
        /// When.
        at: Stamp,
        /// What was opened, in words: device and settings, or the peer.
        what: String,
        /// Settings that the port did not take, and other things to know, in words; usually empty.
        remarks: Vec<String>,
    },
    /// Bytes came in.
    Bytes {
        /// When the read returned.
        at: Stamp,
        /// As they came; never empty.
        bytes: Bytes,
    },
    /// Bytes went out (or did so when a capture was taken).
    Sent {
        /// When the system had taken them.
        at: Stamp,
        /// What was sent.
        bytes: Bytes,
    },
    /// Bytes could not be sent, or not all of them.
    NotSent {
        /// When.
        at: Stamp,
        /// What should have been sent.
        bytes: Bytes,
        /// Why not, in words.
        why: String,
    },
    /// Something to know that changes nothing.
    Warning {
        /// When.
        at: Stamp,
        /// In words.
        text: String,
    },
    /// The port is gone, or was not there; it is tried again by itself. Comes again when the reason changes.
    Gone {
        /// When.
        at: Stamp,
        /// Why, in words.
        why: String,
    },
    /// The source is at its end; nothing follows.
    Over {
        /// When.
        at: Stamp,
        /// Why, in words.
        why: String,
    },
    /// The source cannot be used; nothing follows.
    Failed {
        /// When.
        at: Stamp,
        /// Why and how to mend, in words.
        why: String,
    },
}

/// How to open a port.
#[derive(Debug, Clone, Copy, Default)]
pub struct Opening {
    /// How a serial line is set; without meaning for other ports.
    pub line: LineSettings,
    /// Whether a port that is not there at first is a failure; else it is waited for.
    pub must_exist: bool,
    /// What stands behind [`Port::Simulator`]: chunks for a seed.
    pub simulator: Option<fn(seed: u64, beaker: Option<&str>) -> Chunks>,
}

impl From<LineSettings> for Opening {
    fn from(line: LineSettings) -> Self {
        Self { line, ..Self::default() }
    }
}

/// The two ends of an open source.
///
/// After cancellation the port is closed and `events` ends once what was read has been taken. Dropping
/// `events` ends the source too.
#[derive(Debug)]
pub struct SourceHandle {
    /// What happens, in order.
    pub events: mpsc::Receiver<SourceEvent>,
    /// What to send.
    pub write: mpsc::Sender<Bytes>,
}

/// Opens a port on a task of its own; must be called within a tokio runtime.
///
/// Nothing is waited for: whether the port is there is told by the first event.
pub fn open(port: Port, how: impl Into<Opening>, cancel: CancellationToken) -> SourceHandle {
    let how = how.into();
    let (events_in, events) = mpsc::channel(EVENTS_QUEUED);
    let (write, write_out) = mpsc::channel(WRITES_QUEUED);
    let lossy = matches!(port, Port::Serial { .. } | Port::Usb { .. });
    let wiring = Wiring::new(events_in, write_out, cancel, lossy);
    tokio::spawn(async move {
        tracing::debug!(%port, "source begins");
        match port {
            Port::Serial { .. } | Port::Usb { .. } => {
                let line = serial::SerialLine::new(port, how.line);
                connection::keep(line, wiring, how.must_exist).await;
            }
            Port::Tcp { address } => {
                connection::keep(tcp::NetworkBox::new(address), wiring, how.must_exist).await
            }
            Port::File { path, from_end } => file::follow(path, from_end, wiring, how.must_exist).await,
            Port::Stdin => stdin::read(std::io::stdin(), "standard input", wiring).await,
            // Nothing comes, until somebody ends it.
            Port::Hand => {
                if wiring.outlet.opened("no instrument".to_owned(), Vec::new()).await.is_ok() {
                    wiring.stopped().await;
                }
            }
            Port::Capture { path, speed } => replay::play_file(path, speed, wiring).await,
            Port::Simulator { seed, beaker, speed } => match how.simulator {
                Some(chunks) => {
                    replay::simulate(chunks(seed, beaker.as_deref()), seed, speed, how.line, wiring).await;
                }
                None => wiring.fail(&SourceError::NoSimulator).await,
            },
        }
        tracing::debug!("source ends");
    });
    SourceHandle { events, write }
}
