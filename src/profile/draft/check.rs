//! The checksum, if one of the known kinds fits the frames.

use super::framing::{ETX, Frame, Framing, STX};
use crate::frame::{Check, CheckKind, CheckPlace};
use std::collections::HashSet;

/// A checksum that fits.
#[derive(Debug, Clone)]
pub(super) struct FoundCheck {
    pub(super) check: Check,
    /// Bytes of the body that belong to it (none where it stands behind the end mark).
    pub(super) in_body: usize,
    /// A byte that all frames begin with and that the check leaves out.
    pub(super) start: Option<u8>,
    /// Frames of those tried that it fits.
    pub(super) fits: usize,
    pub(super) tried: usize,
}

/// No more frames than these are tried, from the start and from the middle: neighbours, since each nth frame of an
/// instrument that sends its lines in turn would be always the same line.
const FRAMES: usize = 50;

/// Tries every known kind in every known place; accepted above half of the frames, at least five, with different values.
pub(super) fn find(frames: &[Frame], framing: &Framing) -> Option<FoundCheck> {
    let middle = (frames.len() / 2).saturating_sub(FRAMES / 4).max(FRAMES / 2);
    let sample: Vec<&Frame> = frames
        .iter()
        .take(FRAMES / 2)
        .chain(frames.iter().skip(middle).take(FRAMES / 2))
        .filter(|f| f.body.len() >= 4)
        .collect();
    if sample.len() < 5 {
        return None;
    }
    let mut best: Option<FoundCheck> = None;
    let mut keep = |found: FoundCheck| {
        if found.fits * 2 > found.tried
            && found.fits >= 5
            && best.as_ref().is_none_or(|b| found.fits > b.fits)
        {
            best = Some(found);
        }
    };
    let between = matches!(framing, Framing::StxEtx { .. });
    let orders = |kind: CheckKind| if kind.width() == 2 { &[false, true][..] } else { &[false][..] };
    for (_, kind) in CheckKind::ALL {
        for hex in [true, false] {
            for low_first in orders(kind) {
                let base = Check {
                    kind,
                    hex,
                    low_first: *low_first,
                    place: CheckPlace::AfterEnd,
                    covers_start: false,
                    covers_end: false,
                };
                let length = base.length();
                if between {
                    for (covers_start, covers_end) in
                        [(false, true), (false, false), (true, true), (true, false)]
                    {
                        let check = Check { covers_start, covers_end, ..base.clone() };
                        keep(count(&sample, None, &check, |f| {
                            (f.tail.len() >= length).then(|| {
                                (covered(&f.body, covers_start, covers_end), f.tail[..length].to_vec())
                            })
                        }));
                    }
                }
                for sign in signs(&sample, length) {
                    let place = CheckPlace::BeforeEnd { sign: sign.clone().into_boxed_slice() };
                    for start in starts(&sample, between) {
                        for covers_start in if between { &[false, true][..] } else { &[false][..] } {
                            let check =
                                Check { place: place.clone(), covers_start: *covers_start, ..base.clone() };
                            let mut found = count(&sample, start, &check, |f| {
                                let skip = usize::from(start.is_some());
                                let text_end = f.body.len().checked_sub(length + sign.len())?;
                                (text_end > skip && f.body[text_end..].starts_with(&sign)).then(|| {
                                    (
                                        covered(&f.body[skip..text_end], *covers_start, false),
                                        f.body[text_end + sign.len()..].to_vec(),
                                    )
                                })
                            });
                            found.in_body = length + sign.len();
                            keep(found);
                        }
                    }
                }
            }
        }
    }
    best
}

fn covered(body: &[u8], start: bool, end: bool) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(body.len() + 2);
    if start {
        bytes.push(STX);
    }
    bytes.extend_from_slice(body);
    if end {
        bytes.push(ETX);
    }
    bytes
}

/// What may stand between the text and the check value: nothing, or the mark that most frames have there.
fn signs(sample: &[&Frame], length: usize) -> Vec<Vec<u8>> {
    let mut list = vec![Vec::new()];
    let at = |f: &Frame| f.body.len().checked_sub(length + 1).map(|i| f.body[i]);
    let marks: HashSet<u8> =
        sample.iter().filter_map(|f| at(f)).filter(|b| b.is_ascii_punctuation() || *b == b' ').collect();
    for mark in marks {
        if sample.iter().filter(|f| at(f) == Some(mark)).count() * 2 > sample.len() {
            list.push(vec![mark]);
        }
    }
    list.sort();
    list
}

/// A mark at the start that the check may leave out.
fn starts(sample: &[&Frame], between: bool) -> Vec<Option<u8>> {
    let first = sample.first().and_then(|f| f.body.first()).copied().filter(u8::is_ascii_punctuation);
    match first {
        Some(mark)
            if !between
                && sample.iter().filter(|f| f.body.first() == Some(&mark)).count() * 10
                    > sample.len() * 7 =>
        {
            vec![None, Some(mark)]
        }
        _ => vec![None],
    }
}

fn count(
    sample: &[&Frame],
    start: Option<u8>,
    check: &Check,
    parts: impl Fn(&Frame) -> Option<(Vec<u8>, Vec<u8>)>,
) -> FoundCheck {
    let mut values = HashSet::new();
    let mut fits = 0;
    for frame in sample {
        if let Some((text, value)) = parts(frame)
            && check.holds(&text, &value)
        {
            fits += 1;
            values.insert(value);
        }
    }
    // One value again and again is a constant, no check.
    if values.len() < 3 {
        fits = 0;
    }
    FoundCheck { check: check.clone(), in_body: 0, start, fits, tried: sample.len() }
}
