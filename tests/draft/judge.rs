//! Drafts a profile from a capture, reads the capture with it, and scores what came out.

use super::onwire::{Capture, Layout};
use super::score::{self, Answer, Counts, Truth};
use dropwise::profile::draft::{Draft, DraftAnswer, Heard, HeardChunk, HeardLine, draft};
use dropwise::profile::{Decoder, Profile};
use dropwise::reading::{Quantity, Stamp, Validity};
use std::sync::Arc;

/// What came of one capture.
pub struct Judged {
    pub counts: Counts,
    pub notes: Vec<String>,
    pub draft: Draft,
    /// Columns written live, and those of them whose quantity is measured here.
    pub live: usize,
    pub live_right: usize,
}

pub fn heard(capture: &Capture, baud: u32) -> Heard {
    Heard {
        chunks: capture
            .chunks
            .iter()
            .map(|c| HeardChunk { at_s: c.at_s, sent: c.sent, bytes: c.bytes.clone() })
            .collect(),
        timed: true,
        line: HeardLine { baud, ..HeardLine::default() },
    }
}

/// Reads a capture by a profile; an unsound profile is a defect of the drafter and is told.
pub fn read(text: &str, heard: &Heard) -> Result<Vec<Answer>, String> {
    let profile = Profile::parse("draft.toml", text)
        .map_err(|e| e.iter().map(|d| format!("{d:?}")).collect::<Vec<_>>().join("\n"))?;
    let profile = Arc::new(profile);
    if let Some(d) = profile.check().iter().find(|d| d.code != "profile.no-example") {
        return Err(format!("check: {d:?}"));
    }
    let mut decoder = Decoder::new(profile);
    let mut out = Vec::new();
    for chunk in &heard.chunks {
        let at = Stamp::from_seconds(chunk.at_s, 0);
        decoder.tick(at, &mut out);
        if chunk.sent { decoder.sent(at, &chunk.bytes) } else { decoder.feed(at, &chunk.bytes, &mut out) }
    }
    decoder.finish(&mut out);
    Ok(out
        .iter()
        .flat_map(|d| &d.readings)
        .map(|r| Answer {
            quantity: r.quantity,
            value: r.value,
            unit: r.unit,
            valid: r.validity == Validity::Valid,
        })
        .collect())
}

pub fn judge(layout: &Layout, damaged: bool, answers: &[DraftAnswer]) -> Judged {
    let capture = if damaged { &layout.damaged } else { &layout.clean };
    let heard = heard(capture, layout.baud);
    let draft = draft(&heard, answers);
    let (counts, mut notes) = match read(&draft.profile_text, &heard) {
        Ok(readings) => score::score(&capture.truth, &readings, &capture.also),
        Err(why) => {
            let (c, _) = score::score(&capture.truth, &[], &capture.also);
            (c, vec![format!("UNSOUND PROFILE {why}")])
        }
    };
    notes.truncate(400);
    let family = |q: Quantity| if q == Quantity::Voltage { Quantity::Emf } else { q };
    let live: Vec<Quantity> =
        draft.columns.iter().filter(|c| c.live).filter_map(|c| c.quantity).map(family).collect();
    let mut truth: Vec<Quantity> = layout.columns.iter().copied().map(family).collect();
    let mut right = 0;
    for q in &live {
        if let Some(at) = truth.iter().position(|t| t == q) {
            truth.remove(at);
            right += 1;
        }
    }
    Judged { counts, notes, live: live.len(), live_right: right, draft }
}

/// The answer that a person who knows the instrument gives to a question.
pub fn answer(draft: &Draft, capture: &Capture, number: usize) -> Option<DraftAnswer> {
    let question = draft.questions.iter().find(|q| q.number == number)?;
    // The number in the marked place of an example line names the column.
    let marked: Vec<String> = question
        .examples
        .iter()
        .filter_map(|e| {
            let (line, marks) = e.split_once('\n')?;
            let from = marks.chars().position(|c| c == '^')?;
            if let Some(value) = marks.strip_prefix("^ here ") {
                return Some(value.to_owned());
            }
            let count = marks.chars().filter(|c| *c == '^').count();
            Some(line.chars().skip(from).take(count).collect())
        })
        .collect();
    let values: Vec<f64> = marked.iter().filter_map(|m| number_of(m)).collect();
    let fits = |t: &Truth, v: f64, power: i32| {
        t.value.is_some_and(|x| (x - v * 10f64.powi(power)).abs() < 1e-6 * x.abs().max(1.0))
    };
    for power in [0, -1, -2, -3, -4, -5] {
        let mut kinds: Vec<Quantity> = capture.truth.iter().map(|t| t.quantity).collect();
        kinds.sort();
        kinds.dedup();
        let named = kinds.into_iter().find(|q| {
            !values.is_empty()
                && values.iter().all(|v| {
                    capture
                        .truth
                        .iter()
                        .any(|t| t.quantity == *q && (fits(t, *v, power) || t.pulses == Some(*v)))
                })
        });
        if let Some(q) = named {
            let unit = capture.truth.iter().find(|t| t.quantity == q).and_then(|t| t.unit)?;
            let pulses = capture.truth.iter().find(|t| t.quantity == q && t.pulses.is_some_and(|p| p > 0.0));
            let text = if let Some(t) = pulses {
                format!("{:.4}", t.value? / t.pulses?)
            } else if question.text.contains("decimal sign") {
                let last = capture.truth.iter().rev().find(|t| t.quantity == q && t.value.is_some())?;
                format!("{}", last.value?)
            } else {
                format!("{q} {unit}")
            };
            return Some(DraftAnswer { number, text });
        }
    }
    None
}

fn number_of(text: &str) -> Option<f64> {
    let minus = text.contains('-') || text.contains('\u{2212}');
    let digits: String = text.chars().filter(|c| c.is_ascii_digit() || matches!(c, '.' | ',')).collect();
    digits.replace(',', ".").parse::<f64>().ok().map(|v| if minus { -v } else { v })
}
