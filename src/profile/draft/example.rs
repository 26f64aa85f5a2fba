//! Examples for the drafted profile, taken from the capture: they become tests of whoever mends it.

use super::heard::Parity;
use super::pipeline::Found;
use super::write::{quoted, quoted_bytes};
use crate::profile::{Decoded, Decoder, Profile};
use crate::reading::{Reading, Stamp, Validity};
use std::sync::Arc;

/// Examples of one line kind, and of all.
const OF_EACH: usize = 2;
const OF_ALL: usize = 8;

/// The bytes of a frame as they were on the line.
fn on_the_wire(found: &Found, line: usize) -> Vec<u8> {
    let (start, end) = found.frames[line].raw;
    let mut bytes = found.stream.bytes[start..end.min(found.stream.bytes.len())].to_vec();
    for b in &mut bytes {
        let odd = b.count_ones() % 2 == 1;
        if match found.parity {
            Some(Parity::Even) => odd,
            Some(Parity::Odd) => !odd,
            Some(Parity::Mark) => true,
            None => false,
        } {
            *b |= 0x80;
        }
    }
    bytes
}

/// Lines worth an example: the first, one from the middle, and one that is out of range.
fn candidates(found: &Found) -> Vec<usize> {
    if !found.registers.is_empty() {
        return (0..found.lines.len()).step_by((found.lines.len() / 3).max(1)).take(3).collect();
    }
    let mut list = Vec::new();
    for (index, template) in found.templates.iter().enumerate() {
        if !found.columns.iter().any(|c| c.template == index) {
            continue;
        }
        let over = template.over.first().and_then(|o| o.lines.first()).copied();
        let middle = template.lines.get(template.lines.len() / 2).copied();
        let picks = [
            template.lines.get(1).or(template.lines.first()).copied(),
            middle.filter(|_| over.is_none()),
            over,
        ];
        list.extend(picks.into_iter().flatten().take(OF_EACH));
    }
    list.dedup();
    list
}

/// The examples as TOML, each of them run through the profile once.
pub(super) fn examples(found: &Found, profile: &Arc<Profile>, asks: &[String]) -> String {
    let mut out = String::new();
    let mut count = 0;
    for line in candidates(found) {
        if count == OF_ALL {
            break;
        }
        let wire = on_the_wire(found, line);
        let request = found.frames[line].asked.map(|k| &found.stream.sent[k].bytes);
        let ask = request
            .and_then(|r| {
                if found.registers.is_empty() { found.requests.iter().position(|x| x == r) } else { Some(0) }
            })
            .and_then(|i| asks.get(i).map(|name| (i, name)));
        let mut decoder = Decoder::new(Arc::clone(profile));
        let mut frames: Vec<Decoded> = Vec::new();
        if let (Some(_), Some(bytes)) = (ask, request) {
            decoder.sent(Stamp::default(), bytes);
        }
        decoder.feed(Stamp::default(), &wire, &mut frames);
        decoder.finish(&mut frames);
        let readings: Vec<&Reading> = frames
            .iter()
            .flat_map(|f| f.readings.iter().chain(f.marks.iter().flat_map(|m| &m.readings)))
            .collect();
        let twice =
            readings.iter().enumerate().any(|(i, r)| readings[..i].iter().any(|o| o.channel == r.channel));
        if readings.is_empty() || twice {
            continue;
        }
        let gives: Vec<String> = readings.iter().map(|r| format!("{} = {}", r.channel, told(r))).collect();
        let answers = ask.map_or(String::new(), |(_, name)| format!("answers = {}\n", quoted(name)));
        out.push_str(&format!(
            "\n[[example]]\nwire = {}\n{answers}gives = {{ {} }}\n",
            quoted_bytes(&wire),
            gives.join(", ")
        ));
        count += 1;
    }
    out
}

fn told(reading: &Reading) -> String {
    let value = match reading.value {
        Some(v) if reading.validity == Validity::Valid => {
            format!("value = {}, unit = \"{}\"", number(v), reading.unit.symbol())
        }
        _ => "valid = false".to_owned(),
    };
    let steady = reading.steady.map_or(String::new(), |s| format!(", steady = {s}"));
    format!("{{ {value}{steady} }}")
}

/// A number as TOML takes it: always with a point or an exponent.
fn number(value: f64) -> String {
    let text = format!("{value}");
    if text.contains(['.', 'e']) { text } else { format!("{text}.0") }
}
