//! The whole inference in its order.

use super::Heard;
use super::check::{self, FoundCheck};
use super::column::Column;
use super::flag::{self, FlagSeen};
use super::framing::{self, Frame, Framing};
use super::heading;
use super::heard::{self, Parity, Stream};
use super::label;
use super::modbus::{self, RegisterSet};
use super::pulse;
use super::quantity::{self, Choice};
use super::style::{self, NumberStyle};
use super::template::{self, Line, Template};
use super::text::{self, Encoding};
use crate::reading::Quantity;
use std::collections::HashMap;

/// Everything that was found out about a capture.
pub(super) struct Found {
    pub(super) stream: Stream,
    pub(super) parity: Option<Parity>,
    pub(super) echoes: usize,
    pub(super) framing: Framing,
    pub(super) flow_control: bool,
    pub(super) check: Option<FoundCheck>,
    pub(super) encoding: Encoding,
    pub(super) style: NumberStyle,
    pub(super) frames: Vec<Frame>,
    pub(super) lines: Vec<Line>,
    pub(super) requests: Vec<Vec<u8>>,
    pub(super) templates: Vec<Template>,
    pub(super) columns: Vec<Column>,
    pub(super) choices: Vec<Option<Choice>>,
    pub(super) flags: Vec<FlagSeen>,
    pub(super) headings: Vec<usize>,
    pub(super) registers: Vec<RegisterSet>,
    /// Builds that are common enough to be read.
    pub(super) live_templates: Vec<bool>,
    pub(super) overprinted: bool,
    pub(super) escapes: bool,
    pub(super) handshake: bool,
    /// The first character of a frame is its number (CLSI LIS01).
    pub(super) numbered: bool,
}

/// Runs the inference.
pub(super) fn run(heard: &Heard) -> Found {
    let mut stream = Stream::new(heard);
    let parity = heard::parity_bit(&stream.bytes);
    if parity.is_some() {
        for b in &mut stream.bytes {
            *b &= 0x7f;
        }
    }
    let echoes = heard::cut_echoes(&mut stream);
    let framing = framing::find(&stream);
    let flow_control = drop_flow_control(&mut stream);
    let mut frames = framing::cut(&stream, &framing);
    let check = check::find(&frames, &framing)
        .filter(|_| frames.iter().filter(|f| f.body.starts_with(b":")).count() * 2 < frames.len());
    if let Some(found) = &check {
        for f in &mut frames {
            f.sound = holds(found, f);
        }
        for f in &mut frames {
            f.body.truncate(f.body.len() - found.in_body.min(f.body.len()));
            if found.start.is_some() && !f.body.is_empty() {
                f.body.remove(0);
            }
        }
    }
    let encoding = text::encoding(&frames);
    let texts: Vec<String> = frames.iter().map(|f| text::tidy(&encoding.decode(&f.body))).collect();
    let (requests, asked) = requests(&stream, &frames);
    let style = style::number_style(&texts, &asked);
    let lines: Vec<Line> = texts
        .into_iter()
        .enumerate()
        .map(|(i, text)| Line {
            tokens: text::tokens(&text, style),
            text,
            index: i,
            at_s: frames[i].at_s,
            sound: frames[i].sound,
            asked: asked[i],
        })
        .collect();
    let templates = template::find(&lines);
    let mut found = Found {
        stream,
        parity,
        echoes,
        framing,
        flow_control,
        check,
        encoding,
        style,
        frames,
        lines,
        requests,
        templates,
        columns: Vec::new(),
        choices: Vec::new(),
        flags: Vec::new(),
        headings: Vec::new(),
        registers: Vec::new(),
        live_templates: Vec::new(),
        overprinted: false,
        escapes: false,
        handshake: false,
        numbered: false,
    };
    found.registers = modbus::find(&found.stream, &found.frames, &found.lines);
    if found.registers.is_empty() {
        columns(&mut found);
        found.flags = flag::find(&found);
        habits(&mut found);
    } else {
        modbus::tie(&mut found.registers, &found.lines);
    }
    found.choose();
    found
}

fn holds(found: &FoundCheck, frame: &Frame) -> bool {
    use super::framing::{ETX, STX};
    use crate::frame::CheckPlace;
    let check = &found.check;
    match &check.place {
        CheckPlace::AfterEnd => {
            let mut bytes = Vec::new();
            if check.covers_start {
                bytes.push(STX);
            }
            bytes.extend_from_slice(&frame.body);
            if check.covers_end {
                bytes.push(ETX);
            }
            frame.tail.len() >= check.length() && check.holds(&bytes, &frame.tail[..check.length()])
        }
        CheckPlace::BeforeEnd { sign } => {
            let skip = usize::from(found.start.is_some());
            let Some(end) = frame.body.len().checked_sub(found.in_body).filter(|e| *e >= skip) else {
                return false;
            };
            let mut bytes = Vec::new();
            if check.covers_start && found.start.is_none() {
                bytes.push(STX);
            }
            bytes.extend_from_slice(&frame.body[skip..end]);
            frame.body[end..].starts_with(sign) && check.holds(&bytes, &frame.body[end + sign.len()..])
        }
    }
}

/// XOFF and XON in adjacent pairs are flow control; a check byte that looks like one is not.
fn drop_flow_control(stream: &mut Stream) -> bool {
    let pairs = stream.bytes.windows(2).filter(|w| *w == [0x13, 0x11]).count();
    let lone = stream.bytes.iter().filter(|b| matches!(**b, 0x11 | 0x13)).count();
    if pairs < 2 || pairs * 2 * 10 < lone * 7 {
        return false;
    }
    let ranges = stream
        .bytes
        .iter()
        .enumerate()
        .filter(|(_, b)| matches!(**b, 0x11 | 0x13))
        .map(|(i, _)| (i, i + 1))
        .collect();
    stream.cut(ranges);
    true
}

/// Which requests there are, and which of them each frame answers where they differ.
fn requests(stream: &Stream, frames: &[Frame]) -> (Vec<Vec<u8>>, Vec<Option<usize>>) {
    let mut counts: HashMap<&[u8], usize> = HashMap::new();
    for sent in stream.sent.iter().filter(|s| !s.is_handshake()) {
        *counts.entry(&sent.bytes).or_default() += 1;
    }
    let mut texts: Vec<Vec<u8>> = counts.iter().filter(|(_, n)| **n >= 3).map(|(b, _)| b.to_vec()).collect();
    texts.sort_by_key(|t| stream.sent.iter().position(|s| s.bytes == *t));
    // Requests that count or carry a check are taken as they come: more than a few kinds are no kinds.
    if texts.len() > 12 {
        texts.clear();
    }
    let asked = frames
        .iter()
        .map(|f| {
            if texts.len() < 2 {
                None
            } else {
                f.asked.and_then(|i| texts.iter().position(|t| *t == stream.sent[i].bytes))
            }
        })
        .collect();
    (texts, asked)
}

fn columns(found: &mut Found) {
    let mut columns: Vec<Column> = Vec::new();
    for (index, template) in found.templates.iter().enumerate() {
        for slot in template.number_slots() {
            columns.extend(Column::read(index, template, slot, &found.lines));
        }
        if columns.len() > 48 {
            break;
        }
    }
    for (index, template) in found.templates.iter().enumerate() {
        let mut mine: Vec<&mut Column> = columns.iter_mut().filter(|c| c.template == index).collect();
        label::within_lines(template, &mut mine, &found.lines);
        if let (Some(above), [column]) = (&template.above, mine.as_mut_slice()) {
            label::by_line_above(column, above);
        }
    }
    let mut used = vec![false; found.lines.len()];
    for template in &found.templates {
        if !template.number_slots().is_empty() {
            for i in template.lines.iter().chain(template.over.iter().flat_map(|o| &o.lines)) {
                used[*i] = true;
            }
        }
    }
    found.headings = heading::by_headings(&found.templates, &mut columns, &found.lines, &used);
    for column in &mut columns {
        let asked = found.templates[column.template].asked;
        let request = asked.or((found.requests.len() == 1).then_some(0)).and_then(|i| found.requests.get(i));
        let lone = found.templates[column.template].number_slots().len() == 1;
        if let Some(request) = request
            && lone
            && !request.starts_with(b":")
        {
            label::by_request(column, String::from_utf8_lossy(request).trim());
        }
    }
    bracketed(found, &mut columns);
    for column in &mut columns {
        // A word behind the last number (STATUS) does not undo what stands before it.
        if column.evidence.iter().any(|e| e.1 >= 0.8)
            && column.other.as_deref().is_some_and(|o| o.starts_with("the word"))
        {
            column.other = None;
        }
        quantity::by_numbers(column);
        // One more each line is a counter; one more each second under the name of a time is a time.
        let told = column
            .evidence
            .iter()
            .any(|(q, w, from)| *q == Quantity::Time && *w >= 0.5 && from != "its numbers");
        if column.run.counter && !told {
            column.other.get_or_insert_with(|| "it counts the lines".to_owned());
        }
        quantity::hidden_point(column);
        if column.run.constant
            && column.run.count > 5
            && (column.main_decimals() == 0 || column.evidence.iter().all(|(_, w, _)| *w < 0.5))
            && !column.evidence.iter().any(|(_, w, _)| *w >= 0.9)
        {
            column.other.get_or_insert_with(|| "it never changes: a setting".to_owned());
        }
    }
    quantity::between(&mut columns, &found.lines);
    for column in &mut columns {
        // What is tied to the pH by its step is in millivolts as it stands.
        if column.scale.is_some()
            && column.evidence.iter().any(|(q, _, from)| *q == Quantity::Emf && from.starts_with("the step"))
        {
            column.scale = None;
        }
    }
    found.columns = columns;
    let numeric: usize =
        found.templates.iter().filter(|t| !t.number_slots().is_empty()).map(|t| t.lines.len()).sum();
    found.live_templates =
        found.templates.iter().map(|t| t.lines.len() >= 3 && t.lines.len() * 12 >= numeric).collect();
    pulse::mark(found);
}

/// A number that stands in brackets in some lines and without them in others is negative there, as in accounts: a
/// profile cannot say that, so such a column stays a comment.
fn bracketed(found: &Found, columns: &mut [Column]) {
    let keys: Vec<&[char]> = found.templates.iter().map(|t| t.key.as_slice()).collect();
    for column in columns {
        let (key, slot) = (keys[column.template], column.slot);
        let around =
            slot.checked_sub(1).is_some_and(|before| key[before] == '(') && key.get(slot + 1) == Some(&')');
        if around {
            let without = [&key[..slot - 1], &key[slot..=slot], &key[slot + 2..]].concat();
            if keys.contains(&without.as_slice()) {
                column.other = Some("it stands in brackets, as negative amounts do".to_owned());
            }
        }
    }
}

impl Found {
    /// Chooses the quantities of all columns anew.
    pub(super) fn choose(&mut self) {
        self.choices = quantity::choose(&self.columns);
        let registers: Vec<Column> =
            self.registers.iter().flat_map(|s| s.registers.iter().map(|r| r.column.clone())).collect();
        let chosen = quantity::choose(&registers);
        for (register, choice) in self.registers.iter_mut().flat_map(|s| s.registers.iter_mut()).zip(chosen) {
            register.choice = choice;
        }
    }

    /// Numbers that stand for "out of range": beyond anything real, or nines alone that no neighbour is near.
    pub(super) fn codes(&self, column: &Column) -> Vec<String> {
        let template = &self.templates[column.template];
        let mut list: Vec<(String, usize)> = Vec::new();
        for i in &template.lines {
            let Some(token) = template.token(&self.lines[*i], column.slot) else { continue };
            let Some(n) = token.number() else { continue };
            let nines = token.text.chars().filter(char::is_ascii_digit).count() >= 3
                && token.text.chars().filter(char::is_ascii_digit).all(|c| c == '9');
            if n.value.abs() > 1e30 || nines && !column.values.iter().any(|(k, _)| k == i) {
                match list.iter_mut().find(|(t, _)| *t == token.text) {
                    Some(l) => l.1 += 1,
                    None => list.push((token.text.clone(), 1)),
                }
            }
        }
        list.into_iter().filter(|(t, n)| *n >= 2 || t.contains(['E', 'e'])).map(|(t, _)| t).collect()
    }

    /// Twice the time that nine of ten answers to a request took, in ms.
    pub(super) fn deadline_ms(&self, request: &[u8]) -> Option<u32> {
        let mut times: Vec<f64> = self
            .frames
            .iter()
            .filter_map(|f| f.asked.map(|k| (&self.stream.sent[k], f.at_s)))
            .filter(|(s, _)| s.bytes == request)
            .map(|(s, at)| at - s.at_s)
            .filter(|t| *t >= 0.0)
            .collect();
        times.sort_by(f64::total_cmp);
        let nine = times.get(times.len() * 9 / 10).filter(|_| self.stream.timed && times.len() >= 5)?;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to 100 .. 60 000"
        )]
        let ms = ((nine * 2_000.0 / 100.0).ceil() * 100.0).clamp(100.0, 60_000.0) as u32;
        Some(ms)
    }
}

/// Printer controls, overprinting and the hand-shake.
fn habits(found: &mut Found) {
    let escapes = memchr::memchr_iter(0x1b, &found.stream.bytes).count();
    let most = found.frames.iter().map(|f| f.body.iter().filter(|b| **b == 0x1b).count()).max().unwrap_or(0);
    found.escapes = escapes >= 2 && most >= 2;
    let over = found.frames.iter().filter(|f| f.body.trim_ascii().contains(&b'\r')).count();
    found.overprinted = over > 0 && matches!(&found.framing, Framing::Ends(e) if e == b"\r\n");
    let acks = found.stream.sent.iter().filter(|s| s.bytes == [6]).count();
    found.handshake = acks >= 3 && matches!(found.framing, Framing::StxEtx { .. });
    found.numbered = found.handshake
        && found.columns.iter().any(|c| {
            c.run.counter
                && c.slot == 0
                && c.run.max < 8.0
                && c.run.min >= 0.0
                && found.templates[c.template].lines.len() * 2 > found.lines.len()
        });
}
