//! `profile check`: the examples of a profile are run as tests.

use super::compile::Example;
use super::form::BecomesWord;
use super::{Decoded, Decoder, MarkKind, Profile};
use crate::form::{Diagnostic, Mistakes, Severity};
use crate::reading::{FrameFate, Reading, Stamp, Validity};
use std::ops::Range;
use std::sync::Arc;
use toml::Value;

impl Profile {
    /// Runs the examples and looks for patterns that do not mean what they seem to. Empty when all is well.
    #[must_use]
    pub fn check(self: &Arc<Self>) -> Vec<Diagnostic> {
        let mut found = self.lints();
        for example in &self.examples {
            found.extend(self.run_example(example));
        }
        found.sort_by_key(|d| (d.line, d.column));
        found
    }

    pub(crate) fn located(
        &self,
        severity: Severity,
        code: &'static str,
        span: Range<usize>,
        message: String,
        remedy: String,
    ) -> Diagnostic {
        Mistakes::new(&self.file, &self.text).located(severity, code, span, message, Some(remedy))
    }

    /// Differences between what an example gives and what it must give.
    fn run_example(self: &Arc<Self>, example: &Example) -> Vec<Diagnostic> {
        let frames = self.decode_example(example);
        let readings: Vec<&Reading> = frames
            .iter()
            .flat_map(|f| f.readings.iter().chain(f.marks.iter().flat_map(|m| &m.readings)))
            .collect();
        let mut found = Vec::new();
        if let Some(becomes) = example.becomes {
            let last = frames.last().map(became);
            if last != Some(becomes) {
                let became = last.map_or("no frame".to_owned(), in_words);
                let message = format!("the example becomes {became}, not {}", in_words(becomes));
                let remedy = "mend the pattern or the example; `profile explain` shows why".to_owned();
                found.push(self.located(
                    Severity::Error,
                    "profile.example-fails",
                    example.span.clone(),
                    message,
                    remedy,
                ));
            }
        }
        let mut told: Vec<&str> = Vec::new();
        for (name, value, span) in &example.gives {
            told.push(name);
            let of_field: Vec<&Reading> =
                readings.iter().copied().filter(|r| *r.channel == *name.as_str()).collect();
            let wanted: Vec<&Value> = match value {
                Value::Array(list) => list.iter().collect(),
                one => vec![one],
            };
            let trouble = if let (Value::Boolean(flag), "steady") = (value, name.as_str()) {
                let all = !readings.is_empty() && readings.iter().all(|r| r.steady == Some(*flag));
                (!all).then(|| format!("the readings are not marked steady = {flag}"))
            } else if let Value::String(text) = value {
                let texts = frames.iter().flat_map(|f| &f.marks).flat_map(|m| &m.texts);
                let found: Vec<&String> =
                    texts.filter(|(n, _)| **n == *name.as_str()).map(|(_, t)| t).collect();
                (!found.contains(&text)).then(|| format!("`{name}` is {found:?}, not {text:?}"))
            } else if of_field.len() != wanted.len() {
                Some(format!("`{name}` comes {} times, not {}", of_field.len(), wanted.len()))
            } else {
                wanted.iter().zip(&of_field).find_map(|(wanted, reading)| differs(name, wanted, reading))
            };
            if let Some(message) = trouble {
                let remedy = "mend the pattern or the example; `profile explain` shows why".to_owned();
                found.push(self.located(
                    Severity::Error,
                    "profile.example-fails",
                    span.clone(),
                    message,
                    remedy,
                ));
            }
        }
        if !example.gives.is_empty()
            && let Some(extra) = readings.iter().find(|r| !told.contains(&&*r.channel))
        {
            let message = format!("the example gives also `{}` = {}", extra.channel, shown(extra));
            let remedy = format!("add `{}` to `gives`, or mend the pattern", extra.channel);
            found.push(self.located(
                Severity::Error,
                "profile.example-fails",
                example.span.clone(),
                message,
                remedy,
            ));
        }
        found
    }

    fn decode_example(self: &Arc<Self>, example: &Example) -> Vec<Decoded> {
        let mut decoder = Decoder::new(Arc::clone(self));
        let mut frames = Vec::new();
        if let Some(ask) = example.answers.and_then(|index| self.asks.get(index)) {
            decoder.sent(Stamp::default(), &ask.bytes);
        }
        decoder.feed(Stamp::default(), &example.wire, &mut frames);
        decoder.finish(&mut frames);
        frames
    }
}

fn became(frame: &Decoded) -> BecomesWord {
    if let Some(mark) = frame.marks.first() {
        return match mark.kind {
            MarkKind::RunStart => BecomesWord::RunStart,
            MarkKind::RunEnd => BecomesWord::RunEnd,
            MarkKind::Step => BecomesWord::Step,
            MarkKind::InstrumentEndpoint => BecomesWord::InstrumentEndpoint,
            MarkKind::Refill => BecomesWord::Refill,
            MarkKind::PageHeading | MarkKind::Ignore => BecomesWord::Ignored,
        };
    }
    match frame.frame.fate {
        FrameFate::Understood { .. } => BecomesWord::Understood,
        FrameFate::Ignored { .. } => BecomesWord::Ignored,
        FrameFate::Damaged { .. } => BecomesWord::Damaged,
        FrameFate::NotUnderstood => BecomesWord::NotUnderstood,
    }
}

fn in_words(word: BecomesWord) -> String {
    match word {
        BecomesWord::Understood => "understood".to_owned(),
        BecomesWord::Ignored => "ignored".to_owned(),
        BecomesWord::Damaged => "damaged".to_owned(),
        BecomesWord::NotUnderstood => "not understood".to_owned(),
        BecomesWord::RunStart => "the mark run-start".to_owned(),
        BecomesWord::RunEnd => "the mark run-end".to_owned(),
        BecomesWord::Step => "the mark step".to_owned(),
        BecomesWord::InstrumentEndpoint => "the mark instrument-endpoint".to_owned(),
        BecomesWord::Refill => "the mark refill".to_owned(),
    }
}

fn shown(reading: &Reading) -> String {
    let value = reading.value.map_or("no number".to_owned(), |v| format!("{v} {}", reading.unit));
    match &reading.validity {
        Validity::Valid => value,
        Validity::NotValid(why) => format!("{value}, not valid: {why}"),
    }
}

/// How far two readings of the same text may differ.
const SAME: f64 = 1e-9;

fn differs(name: &str, wanted: &Value, reading: &Reading) -> Option<String> {
    let number = |value: &Value| match value {
        Value::Float(v) => Some(*v),
        #[expect(clippy::cast_precision_loss, reason = "examples hold small whole numbers")]
        Value::Integer(v) => Some(*v as f64),
        _ => None,
    };
    let same = |v: f64| reading.value.is_some_and(|found| (found - v).abs() <= SAME * v.abs().max(1.0));
    let valid = reading.validity == Validity::Valid;
    let fits = match wanted {
        Value::Table(table) => {
            table.get("value").and_then(number).is_none_or(same)
                && table.get("unit").and_then(Value::as_str).is_none_or(|unit| reading.unit.symbol() == unit)
                && table.get("valid").and_then(Value::as_bool).unwrap_or(true) == valid
                && table
                    .get("steady")
                    .and_then(Value::as_bool)
                    .is_none_or(|steady| reading.steady == Some(steady))
        }
        other => number(other).is_some_and(same) && valid,
    };
    (!fits).then(|| format!("`{name}` is {}, not {wanted}", shown(reading)))
}
