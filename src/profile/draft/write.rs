//! The profile as a person would have written it, with the guesses in comments.

use super::column::Column;
use super::framing::Framing;
use super::heard::Parity;
use super::modbus::RegisterSet;
use super::pattern::{self, FieldName};
use super::pipeline::{FlagSeen, Found};
use super::quantity::{LIVE, rivals};
use super::template::Slot;
use super::text::{Encoding, SignPlace};
use super::words;
use super::{DraftColumn, HeardLine};
use crate::frame::CheckPlace;
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

/// A profile and its columns.
pub(super) struct Written {
    pub(super) text: String,
    pub(super) columns: Vec<DraftColumn>,
    /// Names of the requests, in their order.
    pub(super) asks: Vec<String>,
}

/// A text in TOML: in single quotes where that needs no escapes.
pub(super) fn quoted(text: &str) -> String {
    if !text.contains('\'') && !text.chars().any(char::is_control) {
        return if text.contains(['"', '\\']) { format!("'{text}'") } else { format!("\"{text}\"") };
    }
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\r' => out.push_str("\\r"),
            '\n' => out.push_str("\\n"),
            '\t' => out.push_str("\\t"),
            c if c.is_control() => {
                out.push_str(&format!("\\u{:04X}", u32::from(c)));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// Bytes as TOML text, one character each.
pub(super) fn quoted_bytes(bytes: &[u8]) -> String {
    let mut out = String::from("\"");
    for b in bytes {
        match b {
            b'"' => out.push_str("\\\""),
            b'\\' => out.push_str("\\\\"),
            b'\r' => out.push_str("\\r"),
            b'\n' => out.push_str("\\n"),
            b'\t' => out.push_str("\\t"),
            0x20..=0x7e => out.push(char::from(*b)),
            b => {
                out.push_str(&format!("\\u{b:04X}"));
            }
        }
    }
    out.push('"');
    out
}

/// A byte by its name in a profile.
fn byte_name(b: u8) -> String {
    match b {
        0x02 => "STX".into(),
        0x03 => "ETX".into(),
        0x04 => "EOT".into(),
        0x0a => "LF".into(),
        0x0c => "FF".into(),
        0x0d => "CR".into(),
        0x1e => "RS".into(),
        b'\'' => "0x27".into(),
        0x21..=0x7e => format!("'{}'", char::from(b)),
        b => format!("0x{b:02X}"),
    }
}

fn byte_names(bytes: &[u8]) -> String {
    bytes.iter().map(|b| byte_name(*b)).collect::<Vec<_>>().join(" ")
}

fn percent(weight: f64) -> String {
    format!("{:.0} %", (weight * 100.0).min(99.0))
}

/// A comment cannot carry control characters.
fn shown(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{b7}' } else { c }).collect()
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
    if !body.contains("\n[[line]]") {
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

fn span(found: &Found) -> String {
    match (found.lines.first(), found.lines.last()) {
        (Some(a), Some(b)) if found.stream.timed && b.at_s > a.at_s => {
            format!(" in {:.0} s", b.at_s - a.at_s)
        }
        _ => String::new(),
    }
}

fn wire(out: &mut String, found: &Found, line: &HeardLine) {
    put!(out, "\n[wire]");
    put!(out, "baud = {}", line.baud);
    if line.data_bits != 8 {
        put!(out, "data_bits = {}", line.data_bits);
    }
    if matches!(line.parity.as_str(), "even" | "odd") {
        put!(out, "parity = \"{}\"", line.parity);
    }
    if line.stop_bits == 2 {
        put!(out, "stop_bits = 2");
    }
    if matches!(line.flow.as_str(), "xon-xoff" | "hardware") {
        put!(out, "flow = \"{}\"", line.flow);
    }
    let mut frame: Vec<String> = Vec::new();
    match &found.framing {
        _ if !found.registers.is_empty() => {
            frame.push("starts_with = \"':'\"".to_owned());
            frame.push("ends_with = \"CR LF\"".to_owned());
            frame.push("check = \"lrc-hex\"".to_owned());
        }
        Framing::StxEtx { .. } => {
            frame.push("starts_with = \"STX\"".to_owned());
            frame.push("ends_with = \"ETX\"".to_owned());
        }
        Framing::Ends(mark) => {
            if let Some(start) = found.check.as_ref().and_then(|c| c.start) {
                frame.push(format!("starts_with = \"{}\"", byte_names(&[start])));
            }
            let request_end = found
                .requests
                .first()
                .and_then(|r| r.last())
                .copied()
                .filter(|b| found.echoes > 0 && mark == b"\r\n" && matches!(b, b'\r' | b'\n'));
            match request_end {
                // An echo ends as the request did: it must not run into the answer.
                Some(end) => {
                    frame.push(format!("ends_with = [\"{}\", \"{}\"]", byte_names(mark), byte_names(&[end])))
                }
                None => frame.push(format!("ends_with = \"{}\"", byte_names(mark))),
            }
        }
        Framing::Gap { ms } => frame.push(format!("gap_ms = {ms}")),
        Framing::Starts(_) => frame.push("gap_ms = 100".to_owned()),
    }
    if let Some(c) = found.check.as_ref().filter(|_| found.registers.is_empty()) {
        let name =
            crate::frame::CheckKind::ALL.iter().find(|(_, k)| *k == c.check.kind).map_or("sum-8", |(n, _)| n);
        let form = if c.check.hex { "hex" } else { "byte" };
        frame.push(format!("check = \"{name}-{form}{}\"", if c.check.low_first { "-low-first" } else { "" }));
        match &c.check.place {
            CheckPlace::AfterEnd => frame.push("check_place = \"after-end\"".to_owned()),
            CheckPlace::BeforeEnd { sign } => {
                frame.push("check_place = \"before-end\"".to_owned());
                if !sign.is_empty() {
                    frame.push(format!("check_sign = \"{}\"", byte_names(sign)));
                }
            }
        }
        let covers = match (c.check.covers_start, c.check.covers_end) {
            (false, false) => "text",
            (true, false) => "start",
            (false, true) => "end",
            (true, true) => "start-and-end",
        };
        frame.push(format!("check_covers = \"{covers}\""));
        put!(out, "# the checksum fits {} of {} frames tried", c.fits, c.tried);
    }
    put!(out, "frame = {{ {} }}", frame.join(", "));
    if found.encoding == Encoding::Ascii {
        put!(out, "# no character above 127 came again and again: text = ... stays open");
    } else {
        put!(out, "text = \"{}\"", found.encoding.name());
    }
    let mut clean: Vec<&str> = Vec::new();
    match found.parity {
        Some(Parity::Even) => clean.push("parity-even"),
        Some(Parity::Odd) => clean.push("parity-odd"),
        Some(Parity::Mark) => clean.push("high-bit"),
        None => {}
    }
    if found.flow_control {
        clean.push("xon-xoff");
    }
    if found.overprinted {
        clean.push("overprint");
    }
    if found.escapes {
        clean.push("printer-escapes");
    }
    if found.parity.is_some() {
        put!(out, "# the highest bit of each byte is a parity bit: the instrument sends seven bits");
    }
    if !clean.is_empty() {
        put!(out, "clean = [{}]", clean.iter().map(|c| format!("\"{c}\"")).collect::<Vec<_>>().join(", "));
    }
    if found.style.either {
        put!(out, "# some lines have a decimal comma, others a point\ndecimal = \"either\"");
    } else if found.style.comma {
        put!(out, "decimal = \"comma\"");
    }
    if let Some(mark) = found.style.thousands {
        let name = match mark {
            '.' => "point",
            ',' => "comma",
            '\'' => "apostrophe",
            _ => "blank",
        };
        put!(out, "thousands = \"{name}\"");
    }
    let signs: Vec<SignPlace> = found.columns.iter().flat_map(|c| c.shape.signs.clone()).collect();
    if signs.contains(&SignPlace::Behind) {
        put!(out, "sign = \"behind\"");
    } else if signs.contains(&SignPlace::Apart) {
        put!(out, "sign = \"apart\"");
    }
    if found.handshake {
        put!(
            out,
            "\n# ENQ, ACK and EOT stand between the frames: a hand-shake.\n[handshake]{}",
            if found.numbered { "\nnumbered = true" } else { "" }
        );
    }
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
        list.retain(|p| !seen_patterns.contains(p) || template.asked.is_some());
        seen_patterns.extend(list.iter().cloned());
        if list.is_empty() {
            continue;
        }
        let base = names.values().map(|n| n.channel.as_str()).collect::<Vec<_>>().join("-");
        let name = if line_names.contains(&base) { format!("{base}-{index}") } else { base };
        line_names.push(name.clone());
        parts.answers.push((template.asked, name.clone()));
        put!(parts.body, "[[line]]\nname = {}", quoted(&name));
        if let [one] = list.as_slice() {
            put!(parts.body, "like = {}", quoted(one));
        } else {
            put!(parts.body, "like = [");
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

fn trimmed(value: f64) -> String {
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
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

/// Lines that come again and again and say nothing, so that they do not count as not understood.
fn ignored(found: &Found, body: &mut String, taken: &[String]) {
    let mut patterns: Vec<(String, &str)> = Vec::new();
    let plain = |text: &str| -> String {
        text.trim()
            .chars()
            .flat_map(|c| if matches!(c, '{' | '}' | '[' | ']' | '\\') { vec!['\\', c] } else { vec![c] })
            .collect()
    };
    for (index, template) in found.templates.iter().enumerate() {
        if !template.number_slots().is_empty() || template.lines.len() < 2 {
            continue;
        }
        let text = match template.slots.as_slice() {
            [Slot::Flag(list)] => {
                for (w, _) in list.iter().filter(|(w, _)| !w.is_empty()) {
                    let mark = if words::plain(w).contains("FILL") || words::plain(w).contains("FUELL") {
                        "refill"
                    } else {
                        "ignore"
                    };
                    patterns.push((plain(w), mark));
                }
                continue;
            }
            _ => pattern::patterns(found, index, &BTreeMap::new(), None, false).into_iter().next(),
        };
        if let Some(text) = text.filter(|t| t.chars().any(|c| c.is_alphanumeric() && c != '_') && t != "{_}")
        {
            patterns.push((text, "ignore"));
        }
    }
    for h in &found.headings {
        let text = plain(&found.lines[*h].text);
        patterns.push((text, "page-heading"));
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

fn asks(out: &mut String, found: &Found, answers: &[(Option<usize>, String)]) -> Vec<String> {
    if !found.registers.is_empty() {
        return vec!["read-registers".to_owned()];
    }
    let mut list: Vec<String> = Vec::new();
    for (i, request) in found.requests.iter().enumerate() {
        let times: Vec<f64> =
            found.stream.sent.iter().filter(|s| s.bytes == *request).map(|s| s.at_s).collect();
        let every = median(times.windows(2).map(|w| w[1] - w[0]).collect()).unwrap_or(1.0);
        let names: Vec<String> = answers
            .iter()
            .filter(|(a, _)| *a == Some(i) || a.is_none() && found.requests.len() == 1)
            .map(|(_, n)| quoted(n))
            .collect();
        let slug: String = String::from_utf8_lossy(request)
            .trim()
            .to_lowercase()
            .chars()
            .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
            .collect();
        let slug = slug.trim_matches('-').to_owned();
        let plain = if slug.is_empty() { "request".to_owned() } else { slug };
        let name = if list.contains(&plain) { format!("{plain}-{}", i + 1) } else { plain };
        list.push(name.clone());
        if i == 0 {
            put!(
                out,
                "\n# What went out while the capture was taken; a person confirms it before it is ever sent."
            );
        }
        put!(out, "\n[[ask]]\nname = {}\nsend = {}", quoted(&name), quoted_bytes(request));
        if !names.is_empty() {
            put!(out, "answers = [{}]", names.join(", "));
        }
        put!(out, "every = \"{every:.1} s\"");
        if let Some(within) = found.deadline_ms(request) {
            put!(out, "# twice the time that nine of ten answers took\nwithin = \"{within} ms\"");
        }
    }
    list
}

pub(super) fn median(mut list: Vec<f64>) -> Option<f64> {
    list.retain(|v| v.is_finite());
    list.sort_by(f64::total_cmp);
    list.get(list.len() / 2).copied()
}

fn registers(found: &Found, body: &mut String, columns: &mut Vec<DraftColumn>, measured: &mut Vec<Quantity>) {
    let mut taken = Vec::new();
    for (k, set) in found.registers.iter().enumerate() {
        let name = if k == 0 { "registers".to_owned() } else { format!("registers-{}", k + 1) };
        let mut list: Vec<String> = Vec::new();
        let mut notes: Vec<String> = Vec::new();
        for register in &set.registers {
            let column = &register.column;
            let choice = register.choice;
            let from_to = (column.run.first, column.run.last);
            let because = reasons(column, choice.map(|c| c.quantity));
            let Some(choice) = choice.filter(|c| c.weight >= LIVE) else {
                let guess = choice.map(|c| c.quantity);
                notes.push(format!(
                    "# register {} ({} .. {}) stays unread{}",
                    register.at,
                    trimmed(from_to.0),
                    trimmed(from_to.1),
                    guess.map_or(String::new(), |q| format!(": {q}?"))
                ));
                columns.push(DraftColumn {
                    channel: format!("register_{}", register.at),
                    quantity: guess,
                    unit: None,
                    confidence: choice.map_or(0.0, |c| c.weight),
                    live: false,
                    because,
                    from_to,
                });
                continue;
            };
            let channel = channel(choice.quantity, column, &mut taken);
            let unit = unit_of(column, choice.quantity);
            let scale = register.scale_of(choice.quantity);
            let assigned = if channel == choice.quantity.name() {
                channel.clone()
            } else {
                format!("{channel} = {}", choice.quantity)
            };
            let scaled = if scale == 0 { String::new() } else { format!(", scale = 1e{scale}") };
            notes.push(format!(
                "# {channel}: {} is taken for {} {unit}; {} sure, from {}{}",
                trimmed(from_to.0),
                trimmed(from_to.0 * 10f64.powi(scale)),
                percent(choice.weight),
                because.join(", "),
                second(column, choice.quantity)
            ));
            list.push(format!(
                "    {{ field = \"{assigned}:{}\", at = {}, form = \"{}\"{scaled} }},",
                unit.symbol(),
                register.at,
                register.form
            ));
            if !measured.contains(&choice.quantity) {
                measured.push(choice.quantity);
            }
            columns.push(DraftColumn {
                channel,
                quantity: Some(choice.quantity),
                unit: Some(unit),
                confidence: choice.weight,
                live: true,
                because,
                from_to,
            });
        }
        ask_registers(body, found, set, &name);
        for note in notes {
            put!(body, "{note}");
        }
        if !list.is_empty() {
            put!(body, "[[line]]\nname = \"{name}\"\nregisters = [\n{}\n]", list.join("\n"));
        }
    }
}

fn ask_registers(body: &mut String, found: &Found, set: &RegisterSet, name: &str) {
    let times: Vec<f64> = found.stream.sent.iter().filter(|s| !s.is_handshake()).map(|s| s.at_s).collect();
    let every =
        median(times.windows(2).map(|w| w[1] - w[0]).collect()).unwrap_or(1.0) * found.registers.len() as f64;
    if !set.heard {
        put!(body, "\n# The request itself was not heard: the number of the first register is a guess.");
    }
    let live = set.registers.iter().any(|r| r.choice.is_some_and(|c| c.weight >= LIVE));
    let answers = if live { format!("answers = [\"{name}\"]\n") } else { String::new() };
    put!(
        body,
        "\n[[ask]]\nname = \"read-{name}\"\nmodbus = {{ address = {}, function = {}, first = {}, count = {} }}\n{answers}every = \"{every:.1} s\"\n\n# {} answers; scale and quantity of each register are guesses, compare them with the display",
        set.address,
        set.function,
        set.first,
        set.count,
        set.answers
    );
}
