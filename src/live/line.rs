//! One instrument of a lane: its source, its decoder, and the chunks that wait for the record.

use crate::profile::{Decoder, Profile};
use crate::reading::{FrameLine, Stamp};
use crate::source::{SourceEvent, SourceHandle};
use crate::store::{Commit, Direction};
use bytes::Bytes;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};

/// Bytes of the wire kept to be read again: a thousand lines of usual length several times over.
const RECENT_BYTES: usize = 512 * 1024;
/// Chunks kept to be read again.
const RECENT_CHUNKS: usize = 8_192;

/// Bytes that are on their way to the disk and not decoded before they are there.
#[derive(Debug)]
pub(super) struct Pending {
    pub(super) ack: oneshot::Receiver<Commit>,
    pub(super) direction: Direction,
    pub(super) at: Stamp,
    pub(super) bytes: Bytes,
    pub(super) seq: i64,
    pub(super) since: Instant,
}

/// One instrument.
#[derive(Debug)]
pub(super) struct Line {
    pub(super) line_id: i64,
    pub(super) decoding_id: i64,
    pub(super) profile: Arc<Profile>,
    pub(super) decoder: Decoder,
    /// Where requests go; a capture takes none.
    pub(super) write: Option<mpsc::Sender<Bytes>>,
    pub(super) pending: VecDeque<Pending>,
    pub(super) over: bool,
    /// The chunk up to which the wire has been decoded.
    pub(super) decoded_to: i64,
    /// The latest chunks with their numbers, to be read again with another profile.
    recent: VecDeque<(i64, Direction, Stamp, Bytes)>,
    recent_bytes: usize,
    next_seq: i64,
    next_event: i64,
    anchor: Option<(Instant, Stamp)>,
}

impl Line {
    pub(super) fn new(
        line_id: i64,
        decoding_id: i64,
        profile: Arc<Profile>,
        write: Option<mpsc::Sender<Bytes>>,
    ) -> Self {
        Self {
            line_id,
            decoding_id,
            decoder: Decoder::new(Arc::clone(&profile)),
            profile,
            write,
            pending: VecDeque::new(),
            over: false,
            decoded_to: -1,
            recent: VecDeque::new(),
            recent_bytes: 0,
            next_seq: 0,
            next_event: 0,
            anchor: None,
        }
    }

    /// Keeps a decoded chunk for a while.
    pub(super) fn remember(&mut self, direction: Direction, at: Stamp, bytes: Bytes) {
        self.recent_bytes += bytes.len();
        self.recent.push_back((self.decoded_to, direction, at, bytes));
        while self.recent_bytes > RECENT_BYTES || self.recent.len() > RECENT_CHUNKS {
            let Some((_, _, _, gone)) = self.recent.pop_front() else { break };
            self.recent_bytes -= gone.len();
        }
    }

    /// Reads with another profile from now on; gives the latest frames as it understands them, and the
    /// chunk from which it has read.
    pub(super) fn read_again(&mut self, profile: Arc<Profile>, decoding_id: i64) -> (Vec<FrameLine>, i64) {
        self.decoder = Decoder::new(Arc::clone(&profile));
        self.profile = profile;
        self.decoding_id = decoding_id;
        let mut decoded = Vec::new();
        for (_, direction, at, bytes) in &self.recent {
            match direction {
                Direction::In => self.decoder.feed(*at, bytes, &mut decoded),
                Direction::Out => self.decoder.sent(*at, bytes),
            }
        }
        let from_seq = self.recent.front().map_or(self.next_seq, |(seq, ..)| *seq);
        (decoded.into_iter().map(|one| one.frame).collect(), from_seq)
    }

    pub(super) fn next_seq(&mut self) -> i64 {
        let seq = self.next_seq;
        self.next_seq += 1;
        seq
    }

    pub(super) fn next_event(&mut self) -> i64 {
        let n = self.next_event;
        self.next_event += 1;
        n
    }

    /// Remembers how the line's clock stands.
    pub(super) fn see(&mut self, at: Stamp) {
        self.anchor = Some((Instant::now(), at));
    }

    /// The line's clock now.
    pub(super) fn now(&self) -> Stamp {
        let Some((then, stamp)) = self.anchor else { return Stamp::default() };
        let since = then.elapsed();
        Stamp {
            elapsed_ns: stamp.elapsed_ns.saturating_add(u64::try_from(since.as_nanos()).unwrap_or(u64::MAX)),
            utc_us: stamp.utc_us.saturating_add(i64::try_from(since.as_micros()).unwrap_or(i64::MAX)),
        }
    }

    /// When the decoder wants to be woken (a request falls due, a frame ends by a pause).
    pub(super) fn wake(&self) -> Option<Instant> {
        let (then, stamp) = self.anchor.filter(|_| self.write.is_some() && !self.over)?;
        let ahead = self.decoder.wake_at()?.saturating_sub(stamp.elapsed_ns);
        then.checked_add(Duration::from_nanos(ahead))
    }
}

/// Hands the events of one source on with its index, until it ends.
pub(super) fn forward(
    index: usize,
    mut handle: SourceHandle,
    to: mpsc::Sender<(usize, SourceEvent)>,
) -> mpsc::Sender<Bytes> {
    let write = handle.write.clone();
    tokio::spawn(async move {
        while let Some(event) = handle.events.recv().await {
            if to.send((index, event)).await.is_err() {
                break;
            }
        }
    });
    write
}
