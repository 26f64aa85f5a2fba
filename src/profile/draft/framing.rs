//! Where one frame ends and the next begins.

use super::heard::Stream;
use std::collections::HashMap;

pub(super) const STX: u8 = 2;
pub(super) const ETX: u8 = 3;

/// How frames are cut.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Framing {
    /// Each frame ends with these bytes.
    Ends(Vec<u8>),
    /// STX ... ETX, then so many bytes that belong to the frame (a check), then perhaps a line end.
    StxEtx { tail: usize },
    /// Each frame begins with this byte, and nothing marks its end.
    Starts(u8),
    /// Only pauses part the frames.
    Gap { ms: u32 },
}

/// One frame of the capture.
#[derive(Debug, Clone)]
pub(super) struct Frame {
    /// Bytes without the marks of its beginning and end.
    pub(super) body: Vec<u8>,
    /// The check bytes behind ETX.
    pub(super) tail: Vec<u8>,
    /// Every byte of the frame, marks and all.
    pub(super) raw: (usize, usize),
    /// Arrival of its last byte, seconds.
    pub(super) at_s: f64,
    /// Whether its checksum holds, where there is one.
    pub(super) sound: bool,
    /// Which request (index into the stream's list) went out last before it.
    pub(super) asked: Option<usize>,
}

/// Lines longer than this are damage for a draft.
const LONGEST_FRAME: usize = 2_000;

/// Finds the framing.
pub(super) fn find(stream: &Stream) -> Framing {
    let bytes = &stream.bytes;
    if let Some(tail) = stx_etx(stream) {
        return Framing::StxEtx { tail };
    }
    let ends = line_end(bytes);
    if let Some((end, count)) = &ends
        && *count >= 3
        && !pauses_say_otherwise(stream, *count)
    {
        return Framing::Ends(end.clone());
    }
    if let Some(framing) = by_pauses(stream) {
        return framing;
    }
    if let Some(framing) = by_mark(bytes) {
        return framing;
    }
    ends.map_or(Framing::Gap { ms: 50 }, |(end, _)| Framing::Ends(end))
}

/// STX and ETX in pairs; gives the number of bytes behind ETX that belong to the frame.
fn stx_etx(stream: &Stream) -> Option<usize> {
    let bytes = &stream.bytes;
    let starts: Vec<usize> = places(bytes, STX);
    let ends: Vec<usize> = places(bytes, ETX);
    if starts.len() < 3 || ends.len() < 3 {
        return None;
    }
    let paired = starts
        .iter()
        .filter(|s| {
            let next = ends.partition_point(|e| e <= s);
            ends.get(next).is_some_and(|e| e - *s < 400)
        })
        .count();
    if paired * 10 < starts.len() * 7 {
        return None;
    }
    // The tail is the shortest length that lands on a boundary about as often as the best one does.
    let pauses: Vec<usize> =
        stream.pauses().iter().filter(|(_, gap)| *gap > 0.1).map(|(at, _)| *at).collect();
    let lands = |tail: usize| {
        ends.iter()
            .filter(|e| {
                let at = *e + 1 + tail;
                match bytes.get(at) {
                    None => at == bytes.len(),
                    Some(b'\r' | b'\n' | 2 | 4 | 5) => true,
                    Some(_) => pauses.binary_search(&at).is_ok(),
                }
            })
            .count()
    };
    let scores: Vec<usize> = (0..=6).map(lands).collect();
    let best = scores.iter().copied().max().unwrap_or(0);
    scores.iter().position(|s| *s * 100 >= best * 85)
}

fn places(bytes: &[u8], wanted: u8) -> Vec<usize> {
    memchr::memchr_iter(wanted, bytes).collect()
}

/// The line end that occurs most, with its count.
fn line_end(bytes: &[u8]) -> Option<(Vec<u8>, usize)> {
    let (mut cr_lf, mut lf_cr, mut lf, mut cr) = (0usize, 0usize, 0usize, 0usize);
    let mut i = 0;
    while i < bytes.len() {
        let next = bytes.get(i + 1);
        match (bytes[i], next) {
            (b'\r', Some(b'\n')) => {
                cr_lf += 1;
                i += 1;
            }
            (b'\n', Some(b'\r')) => {
                lf_cr += 1;
                i += 1;
            }
            (b'\n', _) => lf += 1,
            (b'\r', _) => cr += 1,
            _ => {}
        }
        i += 1;
    }
    let best = cr_lf.max(lf_cr).max(lf).max(cr);
    if best == 0 {
        return None;
    }
    // CR alone beside CR LF is overprinting or a lost LF.
    Some(if cr_lf * 10 >= best * 4 {
        (b"\r\n".to_vec(), cr_lf)
    } else if lf_cr == best {
        (b"\n\r".to_vec(), lf_cr)
    } else if lf == best {
        (b"\n".to_vec(), lf)
    } else {
        (b"\r".to_vec(), cr)
    })
}

/// A few line ends in a capture of many pauses are garbage or belong to a title.
fn pauses_say_otherwise(stream: &Stream, ends: usize) -> bool {
    stream.timed && stream.pauses().iter().filter(|(_, gap)| *gap > 0.15).count() > ends * 6
}

/// The shape of a piece of the stream with digits levelled: what repeats when the cut is right.
fn outline(piece: &[u8]) -> u64 {
    let mut hash = 0xcbf2_9ce4_8422_2325_u64;
    let mut last = 0;
    for b in piece {
        let b = match b {
            b'0'..=b'9' => b'0',
            b'+' | b'-' | b' ' => b' ',
            other => *other,
        };
        if b != last || !matches!(b, b'0' | b' ') {
            hash = (hash ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3);
        }
        last = b;
    }
    hash
}

/// Frames parted by pauses, by a mark that stands before or behind each pause, or of one length.
fn by_pauses(stream: &Stream) -> Option<Framing> {
    let pauses = stream.pauses();
    if !stream.timed || pauses.len() < 3 {
        return None;
    }
    let mut best: Option<(f64, Vec<u32>)> = None;
    for ms in [15_u32, 30, 60, 100, 160, 250, 400, 650, 900] {
        let limit = f64::from(ms) / 1000.0;
        let cuts: Vec<usize> = pauses.iter().filter(|(_, gap)| *gap > limit).map(|(at, _)| *at).collect();
        if cuts.len() < 3 {
            continue;
        }
        let mut shapes: HashMap<u64, usize> = HashMap::new();
        let mut from = 0;
        for cut in cuts.iter().chain(std::iter::once(&stream.bytes.len())) {
            *shapes.entry(outline(&stream.bytes[from..*cut])).or_default() += cut - from;
            from = *cut;
        }
        let mut sizes: Vec<usize> = shapes.into_values().collect();
        sizes.sort_unstable_by(|a, b| b.cmp(a));
        let share = sizes.iter().take(3).sum::<usize>() as f64 / stream.bytes.len().max(1) as f64;
        match &mut best {
            Some((s, list)) if (share - *s).abs() < 0.02 => list.push(ms),
            Some((s, _)) if *s > share => {}
            _ => best = Some((share, vec![ms])),
        }
    }
    let (_, list) = best?;
    // The longest limit that cuts as well: a chunk that a slow line hands over late must not end a frame.
    let mut waits: Vec<f64> = pauses
        .iter()
        .map(|p| p.1)
        .filter(|gap| *gap > f64::from(*list.first().unwrap_or(&0)) / 1_000.0)
        .collect();
    waits.sort_by(f64::total_cmp);
    let usual = waits.get(waits.len() / 2).copied().unwrap_or(1.0);
    let ms = list
        .iter()
        .rev()
        .copied()
        .find(|ms| f64::from(*ms) / 1_000.0 < usual * 0.6)
        .or_else(|| list.first().copied())?;
    let limit = f64::from(ms) / 1000.0;
    let cuts: Vec<usize> = pauses.iter().filter(|(_, gap)| *gap > limit).map(|(at, _)| *at).collect();
    let common = |bytes: &mut dyn Iterator<Item = u8>| {
        let mut counts: HashMap<u8, usize> = HashMap::new();
        for b in bytes {
            *counts.entry(b).or_default() += 1;
        }
        counts.into_iter().max_by_key(|(b, n)| (*n, *b))
    };
    let is_mark = |b: u8| {
        !b.is_ascii_alphanumeric() && !matches!(b, b' ' | b'+' | b'-' | b'.' | b',' | b'%') && b < 0x7f
    };
    if let Some((mark, n)) = common(&mut cuts.iter().map(|c| stream.bytes[c - 1]))
        && is_mark(mark)
        && n * 10 >= cuts.len() * 7
        && (places(&stream.bytes, mark).len() * 10 <= cuts.len() * 13
            || n * 10 >= cuts.len() * 9 && !matches!(mark, b';' | b'|' | b'=' | b':'))
    {
        return Some(Framing::Ends(vec![mark]));
    }
    if let Some((mark, n)) = common(&mut cuts.iter().map(|c| stream.bytes[*c]))
        && (is_mark(mark) || mark.is_ascii_alphabetic())
        && n * 10 >= cuts.len() * 7
        && places(&stream.bytes, mark).len() * 10 <= cuts.len() * 12
    {
        return Some(Framing::Starts(mark));
    }
    Some(Framing::Gap { ms })
}

/// A mark of the instrument's own that divides the bytes into like pieces (where there are no times).
fn by_mark(bytes: &[u8]) -> Option<Framing> {
    let mut counts = [0usize; 128];
    for b in bytes.iter().filter(|b| **b < 128) {
        counts[usize::from(*b)] += 1;
    }
    let mut best: Option<(f64, u8)> = None;
    for mark in (1..0x20_u8).chain([b'!', b'#', b'$', b'&', b';', b'>', b'<', b'@', b'|', b'~', b':']) {
        let n = counts[usize::from(mark)];
        if n < 3 {
            continue;
        }
        let mut shapes: HashMap<u64, usize> = HashMap::new();
        for piece in bytes.split(|b| *b == mark) {
            *shapes.entry(outline(piece)).or_default() += 1;
        }
        let share = shapes.values().copied().max().unwrap_or(0) as f64 / (n + 1) as f64
            + if mark < 0x20 { 0.2 } else { 0.0 };
        if share > 0.5 && best.is_none_or(|(s, _)| share > s) {
            best = Some((share, mark));
        }
    }
    best.map(|(_, mark)| {
        if bytes.first() == Some(&mark) && mark != b';' {
            Framing::Starts(mark)
        } else {
            Framing::Ends(vec![mark])
        }
    })
}

/// Cuts the stream into frames. Long runs without an end are left out.
pub(super) fn cut(stream: &Stream, framing: &Framing) -> Vec<Frame> {
    let bytes = &stream.bytes;
    let mut ranges: Vec<(usize, usize, usize, usize)> = Vec::new(); // raw start, body start, body end, raw end
    match framing {
        Framing::StxEtx { tail } => {
            let mut i = 0;
            while let Some(start) = memchr::memchr(STX, &bytes[i..]).map(|n| n + i) {
                let Some(end) = memchr::memchr(ETX, &bytes[start..]).map(|n| n + start) else { break };
                // A second STX before ETX: the first frame was cut short.
                let start = memchr::memrchr(STX, &bytes[start..end]).map_or(start, |n| n + start);
                let raw_end = (end + 1 + tail).min(bytes.len());
                ranges.push((start, start + 1, end, raw_end));
                i = raw_end;
            }
        }
        Framing::Ends(mark) => {
            let mut from = 0;
            for at in memchr::memmem::find_iter(bytes, mark) {
                ranges.push((from, from, at, at + mark.len()));
                from = at + mark.len();
            }
            if from < bytes.len() && mark.len() == 1 && mark[0] >= 0x20 {
                ranges.push((from, from, bytes.len(), bytes.len()));
            }
        }
        Framing::Starts(mark) => {
            let starts = places(bytes, *mark);
            for (i, start) in starts.iter().enumerate() {
                let end = starts.get(i + 1).copied().unwrap_or(bytes.len());
                ranges.push((*start, *start, end, end));
            }
        }
        Framing::Gap { ms } => {
            let limit = f64::from(*ms) / 1000.0;
            let mut from = 0;
            let cuts = stream.pauses().into_iter().filter(|(_, gap)| *gap > limit).map(|(at, _)| at);
            for cut in cuts.chain(std::iter::once(bytes.len())) {
                if cut > from {
                    ranges.push((from, from, cut, cut));
                }
                from = cut;
            }
        }
    }
    ranges
        .into_iter()
        .filter(|(_, a, b, _)| b > a && b - a <= LONGEST_FRAME)
        .map(|(start, a, b, end)| Frame {
            body: bytes[a..b].to_vec(),
            tail: if matches!(framing, Framing::StxEtx { .. }) {
                bytes[(b + 1).min(end)..end].to_vec()
            } else {
                Vec::new()
            },
            raw: (start, end),
            at_s: stream.time_of(end.saturating_sub(1)),
            sound: true,
            asked: asked_before(stream, a, b),
        })
        .collect()
}

/// The request that went out last before most of the frame came.
fn asked_before(stream: &Stream, start: usize, end: usize) -> Option<usize> {
    let middle = start + (end - start) / 2;
    let next = stream.sent.partition_point(|s| s.at <= middle);
    stream.sent[..next].iter().rposition(|s| !s.is_handshake())
}
