//! What was heard on the line: the incoming bytes in one piece, with times, and what was sent between them.

use super::Heard;

/// A request as it went out, and the place in the incoming bytes where it did.
#[derive(Debug, Clone)]
pub(super) struct Sent {
    pub(super) at: usize,
    pub(super) at_s: f64,
    pub(super) bytes: Vec<u8>,
}

impl Sent {
    /// Control bytes alone (ACK, ENQ) are a hand-shake and ask for nothing.
    pub(super) fn is_handshake(&self) -> bool {
        self.bytes.iter().all(|b| *b < 0x20)
    }
}

/// A run of incoming bytes that arrived together.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    pub(super) start: usize,
    pub(super) begins_s: f64,
    pub(super) ends_s: f64,
}

/// The incoming bytes in one piece.
#[derive(Debug, Default)]
pub(super) struct Stream {
    pub(super) bytes: Vec<u8>,
    pub(super) pieces: Vec<Piece>,
    pub(super) sent: Vec<Sent>,
    /// Whether arrival times are known.
    pub(super) timed: bool,
    /// Bytes that were left unread because the capture is longer than a draft needs.
    pub(super) unread: usize,
}

/// A draft needs some hundred lines; more than this is not looked at, so that no capture is too long.
const MOST_BYTES: usize = 1 << 20;

impl Stream {
    pub(super) fn new(heard: &Heard) -> Self {
        let mut stream = Self { timed: heard.timed, ..Self::default() };
        let byte_s = 10.0 / f64::from(heard.line.baud.max(50));
        let mut last_end = f64::NEG_INFINITY;
        for chunk in &heard.chunks {
            if chunk.sent {
                if stream.sent.len() < 20_000 {
                    stream.sent.push(Sent {
                        at: stream.bytes.len(),
                        at_s: chunk.at_s,
                        bytes: chunk.bytes.clone(),
                    });
                }
                continue;
            }
            let room = MOST_BYTES - stream.bytes.len();
            let taken = chunk.bytes.len().min(room);
            stream.unread += chunk.bytes.len() - taken;
            if taken == 0 {
                continue;
            }
            // The stamp is that of the last byte; the first one came as much earlier as the bytes take on the line.
            let begins_s = (chunk.at_s - byte_s * (taken as f64 - 1.0)).max(last_end);
            stream.pieces.push(Piece { start: stream.bytes.len(), begins_s, ends_s: chunk.at_s });
            last_end = chunk.at_s;
            stream.bytes.extend_from_slice(&chunk.bytes[..taken]);
        }
        stream
    }

    fn piece_of(&self, at: usize) -> Option<&Piece> {
        let next = self.pieces.partition_point(|p| p.start <= at);
        next.checked_sub(1).and_then(|i| self.pieces.get(i))
    }

    /// When the byte at this place had arrived, in seconds.
    pub(super) fn time_of(&self, at: usize) -> f64 {
        self.piece_of(at).map_or(0.0, |p| p.ends_s)
    }

    /// Places where the line paused, with the pause in seconds before the byte there.
    pub(super) fn pauses(&self) -> Vec<(usize, f64)> {
        self.pieces.windows(2).map(|w| (w[1].start, w[1].begins_s - w[0].ends_s)).collect()
    }

    /// Takes places out of the bytes (echoes, flow control) and moves everything after them.
    pub(super) fn cut(&mut self, mut ranges: Vec<(usize, usize)>) {
        ranges.retain(|(a, b)| a < b);
        ranges.sort_unstable();
        if ranges.is_empty() {
            return;
        }
        let mut kept = Vec::with_capacity(self.bytes.len());
        let mut from = 0;
        for (a, b) in &ranges {
            if *a > from {
                kept.extend_from_slice(&self.bytes[from..*a]);
            }
            from = from.max(*b);
        }
        kept.extend_from_slice(&self.bytes[from.min(self.bytes.len())..]);
        // Both lists of places are in order, so one walk moves them all.
        let moved = |places: &mut dyn Iterator<Item = &mut usize>| {
            let (mut next, mut gone, mut reach) = (0, 0, 0);
            for place in places {
                while next < ranges.len() && ranges[next].1 <= *place {
                    gone += ranges[next].1 - ranges[next].0.max(reach).min(ranges[next].1);
                    reach = reach.max(ranges[next].1);
                    next += 1;
                }
                let inside = ranges.get(next).map_or(0, |(a, _)| place.saturating_sub((*a).max(reach)));
                *place = place.saturating_sub(gone + inside);
            }
        };
        moved(&mut self.pieces.iter_mut().map(|p| &mut p.start));
        moved(&mut self.sent.iter_mut().map(|s| &mut s.at));
        self.bytes = kept;
    }
}

/// The parity bit that sits on top of seven-bit text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Parity {
    Even,
    Odd,
    Mark,
}

/// Finds a parity bit: more than 15 bytes of 100 above 127, and 85 of 100 agree with one rule.
pub(super) fn parity_bit(bytes: &[u8]) -> Option<Parity> {
    let high = bytes.iter().filter(|b| **b > 127).count();
    if bytes.len() < 20 || high * 100 < bytes.len() * 15 {
        return None;
    }
    let share = |rule: fn(u8) -> bool| bytes.iter().filter(|b| rule(**b)).count() * 100 / bytes.len();
    let even = share(|b| b.count_ones() % 2 == 0);
    let odd = share(|b| b.count_ones() % 2 == 1);
    let mark = share(|b| b > 127);
    let best = even.max(odd).max(mark);
    let text = bytes
        .iter()
        .filter(|b| (0x20..0x7f).contains(&(**b & 0x7f)) || matches!(**b & 0x7f, 2..=13 | 0x11 | 0x13))
        .count();
    if best < 85 || text * 100 < bytes.len() * 85 {
        return None;
    }
    Some(if best == mark {
        Parity::Mark
    } else if best == even {
        Parity::Even
    } else {
        Parity::Odd
    })
}

/// Cuts echoes of our own requests out of the stream; gives how many there were.
pub(super) fn cut_echoes(stream: &mut Stream) -> usize {
    let mut ranges = Vec::new();
    for sent in &stream.sent {
        if sent.is_handshake() || sent.bytes.len() > 200 {
            continue;
        }
        let words = sent.bytes.trim_ascii();
        let rest = &stream.bytes[sent.at.min(stream.bytes.len())..];
        let window = &rest[..rest.len().min(words.len() + 4)];
        if words.is_empty() {
            continue;
        }
        if let Some(at) = window.windows(words.len()).position(|w| w == words) {
            let start = sent.at + at;
            let text_end = start + words.len();
            let mut end = text_end;
            while end < stream.bytes.len() && matches!(stream.bytes[end], b'\r' | b'\n') {
                end += 1;
            }
            // An answer may begin with the words of its request: then no line end stands between.
            if end > text_end || sent.bytes.len() == words.len() {
                ranges.push((start, end));
            }
        }
    }
    let found = ranges.len();
    if found >= 2 {
        stream.cut(ranges);
        return found;
    }
    0
}
