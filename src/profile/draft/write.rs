//! The profile as a person would have written it, with the guesses in comments.

use super::column::Column;
use super::flag::FlagSeen;
use super::pattern::{self, FieldName};
use super::pipeline::Found;
use super::quantity::{LIVE, rivals};
use super::template::Slot;
use super::{DraftColumn, HeardLine, words};
use crate::reading::{Quantity, Unit};
use std::collections::BTreeMap;

/// Adds a line to a text.
macro_rules! put {
    ($out:expr) => { $out.push('\n') };
    ($out:expr, $($part:tt)*) => {{
        $out.push_str(&format!($($part)*));
        $out.push('\n');
    }};
}

mod quote;
mod requests;
mod wire;

use quote::{percent, trimmed};
pub(super) use quote::{quoted, quoted_bytes, shown};
use requests::{asks, registers};
use wire::{span, wire};

/// A profile and its columns.
pub(super) struct Written {
    pub(super) text: String,
    pub(super) columns: Vec<DraftColumn>,
    /// Names of the requests, in their order.
    pub(super) asks: Vec<String>,
}

/// The unit in which a column is read: as told, else the one in which such numbers are usual.
pub(super) fn unit_of(column: &Column, quantity: Quantity) -> Unit {
    if let Some(told) = column.units.iter().map(|(_, u)| *u).find(|u| u.quantities().contains(&quantity)) {
        return told;
    }
    let size = column.run.max.abs().max(column.run.min.abs()) * column.scale.map_or(1.0, |s| 10f64.powi(s.0));
    let decimals = column.main_decimals();
    match quantity {
        Quantity::Conductance if size < 30.0 && decimals >= 2 => Unit::MillisiemensPerCm,
        Quantity::Emf | Quantity::Voltage if size < 3.0 && (decimals >= 3 || column.shape.exponent) => {
            Unit::Volt
        }
        Quantity::Volume if decimals == 0 && size > 300.0 && column.scale.is_none() => Unit::Microlitre,
        Quantity::Transmittance if size <= 1.1 => Unit::One,
        _ => quantity.canonical_unit(),
    }
}

/// Names for the channels: the quantity, or quantity_2 where it comes again.
fn channel(quantity: Quantity, column: &Column, taken: &mut Vec<String>) -> String {
    let plain = quantity.name().to_owned();
    if !taken.contains(&plain) {
        taken.push(plain.clone());
        return plain;
    }
    let label: String = column
        .label
        .as_deref()
        .unwrap_or("")
        .to_lowercase()
        .chars()
        .filter(|c| c.is_ascii_alphanumeric())
        .collect();
    let by_label = format!("{plain}_{label}");
    let name = if !label.is_empty() && !taken.contains(&by_label) {
        by_label
    } else {
        (2..).map(|n| format!("{plain}_{n}")).find(|n| !taken.contains(n)).unwrap_or(plain)
    };
    taken.push(name.clone());
    name
}

/// Writes the profile. `strict` asks for shapes of numbers, which keep damaged ones out.
pub(super) fn write(found: &Found, line: &HeardLine, strict: bool, settled: &[String]) -> Written {
    let mut out = String::new();
    let mut columns = Vec::new();
    let mut body = String::new();
    let mut fields: BTreeMap<String, Vec<String>> = BTreeMap::new();
    let mut measured: Vec<Quantity> = Vec::new();
    let mut answers: Vec<(Option<usize>, String)> = Vec::new();
    if found.registers.is_empty() {
        lines(
            found,
            strict,
            &mut Parts {
                body: &mut body,
                fields: &mut fields,
                columns: &mut columns,
                measured: &mut measured,
                answers: &mut answers,
            },
        );
    } else {
        registers(found, &mut body, &mut columns, &mut measured);
    }
    if !body.contains("\n[[line]]") && !body.contains("\n[[block]]") {
        put!(
            body,
            "\n# Nothing is read yet: this line only takes what comes.\n[[line]]\nlike = \"{{_:text}}\"\nmarks = \"ignore\""
        );
    }
    let names: Vec<&str> = measured.iter().map(|q| q.name()).collect();
    put!(
        out,
        "# Drafted from a capture of {} frames{}. What was guessed from what stands beside each part:",
        found.lines.len(),
        span(found)
    );
    put!(out, "# read it through, and give the file a title of its own.");
    if found.lines.len() < 20 {
        put!(out, "# {} frames are few: a capture of twenty or more makes a surer draft.", found.lines.len());
    }
    let title = if names.is_empty() {
        "an instrument not understood yet".to_owned()
    } else {
        format!("instrument that sends {}", names.join(", "))
    };
    put!(out, "title = {}", quoted(&title));
    let list: Vec<String> = names.iter().map(|n| format!("\"{n}\"")).collect();
    put!(out, "measures = [{}]", list.join(", "));
    wire(&mut out, found, line);
    let names_of_asks = asks(&mut out, found, &answers);
    out.push_str(&body);
    for (name, entries) in &fields {
        put!(out, "\n[field.{name}]");
        for entry in entries {
            put!(out, "{entry}");
        }
    }
    if !settled.is_empty() {
        put!(out);
        for note in settled {
            put!(out, "# {note}");
        }
    }
    Written { text: out, columns, asks: names_of_asks }
}

/// What one part of the file is written into.
struct Parts<'a> {
    body: &'a mut String,
    fields: &'a mut BTreeMap<String, Vec<String>>,
    columns: &'a mut Vec<DraftColumn>,
    measured: &'a mut Vec<Quantity>,
    answers: &'a mut Vec<(Option<usize>, String)>,
}

fn lines(found: &Found, strict: bool, parts: &mut Parts<'_>) {
    let mut taken: Vec<String> = Vec::new();
    let mut line_names: Vec<String> = Vec::new();
    let mut seen_patterns: Vec<String> = Vec::new();
    for index in 0..found.templates.len() {
        let mine: Vec<usize> =
            (0..found.columns.len()).filter(|c| found.columns[*c].template == index).collect();
        if mine.is_empty() {
            continue;
        }
        let mut names: BTreeMap<usize, FieldName> = BTreeMap::new();
        let mut notes: Vec<String> = Vec::new();
        for (place, c) in mine.iter().enumerate() {
            let column = &found.columns[*c];
            let choice = found.choices[*c];
            let scaled = column.scale.is_none_or(|s| s.1 >= LIVE);
            let live = choice.is_some_and(|x| x.weight >= LIVE) && found.live_templates[index] && scaled;
            let because = reasons(column, choice.map(|x| x.quantity));
            let from_to = (column.run.first, column.run.last);
            let place_words =
                format!("number {} ({} .. {})", place + 1, trimmed(from_to.0), trimmed(from_to.1));
            if live && let Some(choice) = choice {
                let name = channel(choice.quantity, column, &mut taken);
                let unit = unit_of(column, choice.quantity);
                notes.push(format!(
                    "# {name}: from {}; {} sure{}",
                    because.join(", "),
                    percent(choice.weight),
                    second(column, choice.quantity)
                ));
                add_field(parts.fields, found, column, &name, choice.quantity);
                if !parts.measured.contains(&choice.quantity) {
                    parts.measured.push(choice.quantity);
                }
                names.insert(
                    column.slot,
                    FieldName { channel: name.clone(), quantity: choice.quantity, unit },
                );
                parts.columns.push(DraftColumn {
                    channel: name,
                    quantity: Some(choice.quantity),
                    unit: Some(unit),
                    confidence: choice.weight,
                    live: true,
                    because,
                    from_to,
                });
            } else {
                let guess = choice.map(|x| x.quantity).filter(|_| column.other.is_none());
                notes.push(match (&column.other, guess) {
                    (Some(why), _) => format!("# {place_words} is left out: {}", shown(why)),
                    (None, Some(q)) if !scaled => format!("# {place_words} stays unread: {q}, but its decimal sign is left out and nothing says where it belongs"),
                    (None, Some(q)) => format!("# {place_words} stays unread: {q} ({})?{} To read it, write {{{q}:{}}} in its place.", percent(column.weight(q)), second(column, q), unit_of(column, q)),
                    (None, None) => format!("# {place_words} stays unread: nothing says what it is"),
                });
                parts.columns.push(DraftColumn {
                    channel: format!("column_{}", parts.columns.len() + 1),
                    quantity: guess,
                    unit: guess.map(|q| unit_of(column, q)),
                    confidence: choice.map_or(0.0, |x| x.weight),
                    live: false,
                    because,
                    from_to,
                });
            }
        }
        let template = &found.templates[index];
        put!(
            parts.body,
            "\n# {} lines such as: {}",
            template.lines.len(),
            template.lines.first().map_or(String::new(), |i| shown(&found.lines[*i].text))
        );
        for note in &notes {
            put!(parts.body, "{note}");
        }
        if names.is_empty() {
            continue;
        }
        let flag = found.flags.iter().find(|f| f.template == index && f.known);
        let mut list = pattern::patterns(found, index, &names, flag, strict);
        let stands_alone = template.asked.is_none() && template.above.is_none();
        list.retain(|p| !seen_patterns.contains(p) || !stands_alone);
        seen_patterns.extend(list.iter().cloned());
        if list.is_empty() {
            continue;
        }
        let base = names.values().map(|n| n.channel.as_str()).collect::<Vec<_>>().join("-");
        let name = if line_names.contains(&base) { format!("{base}-{index}") } else { base };
        line_names.push(name.clone());
        parts.answers.push((template.asked, name.clone()));
        let key = match &template.above {
            Some(above) => {
                let begins = plain(above);
                put!(
                    parts.body,
                    "# a line names what the next one holds\n[[block]]\nname = {}\nbegins = {}",
                    quoted(&name),
                    quoted(&begins)
                );
                seen_patterns.push(begins);
                "ends"
            }
            None => {
                put!(parts.body, "[[line]]\nname = {}", quoted(&name));
                "like"
            }
        };
        if let [one] = list.as_slice() {
            put!(parts.body, "{key} = {}", quoted(one));
        } else {
            put!(parts.body, "{key} = [");
            for p in &list {
                put!(parts.body, "    {},", quoted(p));
            }
            put!(parts.body, "]");
        }
        if let Some(flag) = flag {
            put!(
                parts.body,
                "# S, ST, = and the like were taken for settled: see that it is so\nflags.steady = {{ {} }}",
                meanings(flag)
            );
        }
        for other in found
            .flags
            .iter()
            .filter(|f| f.template == index && !f.known && f.words.iter().any(|w| w.2.is_some()))
        {
            put!(
                parts.body,
                "# a flag? write {{steady:flag}} in its place and: flags.steady = {{ {} }}",
                meanings(other)
            );
        }
    }
    ignored(found, parts.body, &seen_patterns);
}

fn meanings(flag: &FlagSeen) -> String {
    flag.words
        .iter()
        .filter_map(|(w, _, m)| m.map(|m| format!("{} = {m}", quoted(w))))
        .collect::<Vec<_>>()
        .join(", ")
}

fn reasons(column: &Column, quantity: Option<Quantity>) -> Vec<String> {
    let mut list: Vec<String> = Vec::new();
    for (q, _, from) in &column.evidence {
        if Some(*q) == quantity && !list.contains(from) {
            list.push(shown(from));
        }
    }
    list
}

/// The best rival, where there is one worth a word.
fn second(column: &Column, chosen: Quantity) -> String {
    rivals(column, Some(chosen))
        .into_iter()
        .find(|q| column.weight(*q) > 0.15)
        .map_or(String::new(), |q| format!("; else {q} ({})", percent(column.weight(q))))
}

/// Scale, texts in place of the number, refills.
fn add_field(
    fields: &mut BTreeMap<String, Vec<String>>,
    found: &Found,
    column: &Column,
    name: &str,
    quantity: Quantity,
) {
    let entries = fields.entry(name.to_owned()).or_default();
    let template = &found.templates[column.template];
    let mut texts: Vec<String> =
        template.over.iter().filter(|o| o.slot == column.slot).map(|o| o.words.clone()).collect();
    texts.extend(found.codes(column));
    texts.sort();
    texts.dedup();
    if !texts.is_empty() {
        let list: Vec<String> = texts.iter().map(|t| format!("{} = \"out of range\"", quoted(t))).collect();
        entries.push(format!("instead = {{ {} }}", list.join(", ")));
    }
    if let Some((power, weight)) = column.scale {
        entries.push(format!(
            "# the decimal sign is left out: {} is taken for {} ({} sure)",
            trimmed(column.run.last),
            trimmed(column.run.last * 10f64.powi(power)),
            percent(weight)
        ));
        entries.push(format!("scale = {}", if power == 0 { "1.0".to_owned() } else { format!("1e{power}") }));
    }
    if let Some(size) = column.pulse_ml {
        entries
            .push("# pulses: the size of one was read from a line of the capture, or is a guess".to_owned());
        entries.push(format!("scale = {size}"));
    }
    if quantity == Quantity::Volume && column.run.refills > 0 {
        if column.run.refills_at_zero == column.run.refills {
            entries.push("restarts = \"at-zero\"".to_owned());
        } else {
            entries.push("# it starts again below its last value: if that is a refill, write restarts = \"at-zero\" or restarts_at".to_owned());
        }
    }
    if entries.is_empty() {
        fields.remove(name);
    } else if entries.iter().all(|e| e.starts_with('#')) {
        entries.insert(0, "scale = 1.0".to_owned());
    }
}

/// A text as a pattern that takes exactly it.
fn plain(text: &str) -> String {
    text.trim()
        .chars()
        .flat_map(|c| if matches!(c, '{' | '}' | '[' | ']' | '\\') { vec!['\\', c] } else { vec![c] })
        .collect()
}

/// Lines that come again and again and say nothing, so that they do not count as not understood.
fn ignored(found: &Found, body: &mut String, taken: &[String]) {
    let mut patterns: Vec<(String, &str)> = Vec::new();
    let text_of = |line: &usize| found.lines[*line].text.as_str();
    patterns.extend(found.headings.iter().map(|line| (plain(text_of(line)), "page-heading")));
    for (index, template) in found.templates.iter().enumerate() {
        let is_heading =
            |line: &usize| found.headings.iter().any(|heading| text_of(heading) == text_of(line));
        if template.lines.len() < 2 || template.lines.iter().all(is_heading) {
            continue;
        }
        if let [Slot::Flag(list)] = template.slots.as_slice() {
            for (w, _) in list.iter().filter(|(w, _)| !w.is_empty()) {
                let refills = ["FILL", "FUELL"].iter().any(|word| words::plain(w).contains(word));
                patterns.push((plain(w), if refills { "refill" } else { "ignore" }));
            }
            continue;
        }
        let is_time = |slot: &Slot| matches!(slot, Slot::Clock | Slot::Date);
        if template.slots.iter().all(is_time) {
            let first = template.lines.first().map_or("", text_of);
            patterns.push((digits_skipped(&plain(first)), "ignore"));
        } else if is_left_out(found, index) {
            let text = pattern::patterns(found, index, &BTreeMap::new(), None, true).into_iter().next();
            patterns.extend(
                text.filter(|text| !text.contains('{') || has_words(text)).map(|text| (text, "ignore")),
            );
        }
    }
    // A run of blanks in a pattern stands for any run of blanks.
    let folded = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut written: Vec<String> = taken.iter().map(|text| folded(text)).collect();
    for (text, mark) in patterns {
        if text.is_empty()
            || text.contains(char::is_control) && !text.contains('\t')
            || written.contains(&folded(&text))
            || written.len() > 60
        {
            continue;
        }
        put!(body, "\n[[line]]\nlike = {}\nmarks = \"{mark}\"", quoted(&text));
        written.push(folded(&text));
    }
}

/// Whether every number of a build was left out for a reason, or none is there.
fn is_left_out(found: &Found, index: usize) -> bool {
    found.columns.iter().filter(|column| column.template == index).all(|column| column.other.is_some())
}

/// Whether a pattern has letters of its own beside what it skips.
fn has_words(pattern: &str) -> bool {
    let mut depth = 0_usize;
    pattern.chars().any(|c| {
        match c {
            '{' => depth += 1,
            '}' => depth = depth.saturating_sub(1),
            _ => {}
        }
        depth == 0 && c.is_alphabetic()
    })
}

/// `04/05/26` as `{_}/{_}/{_}`.
fn digits_skipped(text: &str) -> String {
    let mut out = String::new();
    for (index, c) in text.char_indices() {
        if !c.is_ascii_digit() {
            out.push(c);
        } else if !text[..index].ends_with(|before: char| before.is_ascii_digit()) {
            out.push_str("{_}");
        }
    }
    out
}

pub(super) fn median(mut list: Vec<f64>) -> Option<f64> {
    list.retain(|v| v.is_finite());
    list.sort_by(f64::total_cmp);
    list.get(list.len() / 2).copied()
}
