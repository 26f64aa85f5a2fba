//! A stored run goes through the stages again, from its wire.

use crate::detector::{Evaluation, Given};
use crate::profile::{Decoded, Decoder, Profile};
use crate::reading::FrameFate;
use crate::store::{Error as StoreError, Reader, StoredReckoning, StoredRun};
use crate::work::{Bench, Pairing, Procedure, Run, Step};
use std::sync::Arc;

/// The run ended because its line did: what the decoder still held counted for it.
pub(super) const LINE_OVER: &str = "the line is at its end";
/// The run ended because the recorder was asked to leave.
pub(super) const STOPPED: &str = "the recorder was stopped";

/// One chunk of the wire with the frames that it completed.
#[derive(Debug, Clone)]
pub struct ReadChunk {
    /// Its number on the line.
    pub seq: i64,
    /// When it came, microseconds since 1970 UTC.
    pub utc_us: i64,
    /// The frames.
    pub frames: Vec<Decoded>,
}

/// The wire of a line as a profile reads it.
#[derive(Debug, Clone, Default)]
pub struct ReadLine {
    /// Every chunk, in order.
    pub chunks: Vec<ReadChunk>,
    /// What the decoder still held when the wire was over.
    pub rest: Vec<Decoded>,
}

/// Reads the wire of a line from its first chunk on.
///
/// # Errors
/// What the record says.
pub fn read_line(reader: &Reader, line_id: i64, profile: Arc<Profile>) -> Result<ReadLine, StoreError> {
    let mut reopened = reader.reopenings(line_id)?.into_iter().peekable();
    let mut decoder = Decoder::new(profile);
    let mut line = ReadLine::default();
    reader.wire(line_id, |chunk| {
        let mut frames = Vec::new();
        while reopened.next_if(|t| *t <= chunk.at.elapsed_ns).is_some() {
            decoder.reopened();
        }
        // A frame that ends by a pause ends before the next chunk; what would be asked is left.
        let _not_sent = decoder.tick(chunk.at, &mut frames);
        if chunk.incoming {
            decoder.feed(chunk.at, &chunk.bytes, &mut frames);
        } else {
            decoder.sent(chunk.at, &chunk.bytes);
        }
        line.chunks.push(ReadChunk { seq: chunk.seq, utc_us: chunk.at.utc_us, frames });
    })?;
    decoder.finish(&mut line.rest);
    Ok(line)
}

/// A line as it counts for a run.
#[derive(Debug, Clone, Copy)]
pub struct Counted<'a> {
    /// What was read.
    pub line: &'a ReadLine,
    /// The first chunk that counts.
    pub from_seq: i64,
    /// The last one.
    pub to_seq: i64,
}

/// What a run of that procedure would begin with: the same bench, the same start.
///
/// # Errors
/// When the procedure or the bench of the run cannot be read, in words.
fn begin(stored: &StoredRun, procedure: &str) -> Result<Run, String> {
    let looks = match procedure {
        "" => vec![Given::default()],
        text => Procedure::read("of the run", text)?.looks(),
    };
    let (signal, _) = stored.head.curve.signal.ok_or("the run does not say what its signal is")?;
    let bench: Bench = toml::from_str(&stored.bench_text)
        .map_err(|e| format!("the bench of the run cannot be read: {}", e.to_string().trim_end()))?;
    let pairing = Pairing::new(bench.volume, signal, bench.settling, stored.head.at)
        .measuring(stored.head.curve.titrant)?;
    Ok(Run::of_looks(pairing, looks, stored.head.expectation))
}

/// Puts wire and marks through a run in the order in which they came; `take` is handed what follows.
///
/// # Errors
/// When procedure or bench cannot be read, in words.
pub fn evaluate_again(
    stored: &StoredRun,
    lines: &[Counted<'_>],
    procedure: &str,
    mut take: impl FnMut(Step),
) -> Result<Evaluation, String> {
    let mut run = begin(stored, procedure)?;
    let mut order: Vec<(i64, usize, &ReadChunk)> = Vec::new();
    for (source, counted) in lines.iter().enumerate() {
        order.extend(counted.line.chunks.iter().map(|chunk| (chunk.utc_us, source, chunk)));
    }
    // One line keeps its own order; several are joined by the wall clock that they share.
    if lines.len() > 1 {
        order.sort_by_key(|(at, _, _)| *at);
    }
    let mut marks = stored.marks.iter().peekable();
    for (_, source, chunk) in order {
        while let Some((mark, _, when)) = marks.next_if(|(_, after, _)| source == 0 && *after < chunk.seq) {
            // A mark that was taken live is taken again.
            run.mark(*mark, *when).unwrap_or_default().into_iter().for_each(&mut take);
        }
        let counts = (lines[source].from_seq..=lines[source].to_seq).contains(&chunk.seq);
        for frame in chunk.frames.iter().filter(|frame| counts && understood(frame)) {
            run.take(&frame.readings).into_iter().for_each(&mut take);
        }
    }
    for (mark, _, when) in marks {
        run.mark(*mark, *when).unwrap_or_default().into_iter().for_each(&mut take);
    }
    if stored.row.ended.as_deref().is_some_and(|why| why == LINE_OVER || why == STOPPED) {
        let whole = lines.iter().filter(|l| l.line.chunks.last().is_some_and(|c| c.seq <= l.to_seq));
        for frame in whole.flat_map(|l| &l.line.rest).filter(|frame| understood(frame)) {
            run.take(&frame.readings).into_iter().for_each(&mut take);
        }
    }
    run.finish().into_iter().for_each(&mut take);
    Ok(run.evaluate())
}

fn understood(frame: &Decoded) -> bool {
    matches!(frame.frame.fate, FrameFate::Understood { .. })
}

/// What became of an evaluation that was made again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Repeated {
    /// It finds the same.
    Same,
    /// It finds something else, in words.
    Other(String),
    /// It cannot be made again here, in words.
    NotRepeated(String),
}

/// How far a recomputed figure may be from the kept one, relative to it: other processors round otherwise.
const SAME: f64 = 1e-9;

/// Compares what an evaluation kept with what comes of its wire now.
#[must_use]
pub fn compare(kept: &StoredReckoning, now: &Evaluation, points: usize) -> Repeated {
    let same = |a: f64, b: f64| (a - b).abs() <= SAME * a.abs().max(b.abs()).max(1e-3);
    if usize::try_from(kept.points).ok() != Some(points) {
        return Repeated::Other(format!("{} points kept, {points} come of its wire", kept.points));
    }
    if kept.findings.len() != now.end_points.len() {
        let (a, b) = (kept.findings.len(), now.end_points.len());
        return Repeated::Other(format!("{a} end-points kept, {b} come of its wire"));
    }
    for (n, (kept, now)) in (1..).zip(kept.findings.iter().zip(&now.end_points)) {
        let u = match (kept.u, now.u) {
            (Some(a), Some(b)) => same(a, b),
            (a, b) => a.is_none() && b.is_none(),
        };
        if !same(kept.titrant, now.titrant) || !u {
            let (a, b) = (kept.titrant, now.titrant);
            return Repeated::Other(format!("end-point {n}: {a} kept, {b} comes of its wire"));
        }
    }
    Repeated::Same
}
