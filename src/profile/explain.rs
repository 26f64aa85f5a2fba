//! `profile explain`: what a profile makes of a capture, frame by frame, for the author of the profile.

use super::matcher::Scratch;
use super::program::{Capture, Held, Op, Program};
use super::{Decoded, Decoder, Means, Pattern, Profile, control};
use crate::reading::{Flow, FrameFate, Parity, Reading, Stamp, Validity, visible};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Near misses told for one frame.
const NEAR_MISSES: usize = 2;
/// Longest part of a frame that is shown, in characters.
const LONGEST_SHOWN: usize = 200;

/// A chunk of a capture.
#[derive(Debug, Clone, Copy)]
pub enum Passed<'a> {
    /// From the instrument.
    In(&'a [u8]),
    /// To the instrument.
    Out(&'a [u8]),
}

/// How a part of the text is coloured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Paint {
    Field(usize),
    Good,
    Quiet,
    Bad,
}

/// Colours that colour-blind eyes tell apart; each part is also marked by a letter.
const FIELD_COLOURS: [u8; 6] = [36, 33, 35, 34, 32, 31];

/// Writes the explanation of one capture.
#[derive(Debug)]
pub struct Explainer {
    profile: Arc<Profile>,
    decoder: Decoder,
    scratch: Scratch,
    colour: bool,
    sums: Sums,
}

#[derive(Debug, Default)]
struct Sums {
    frames: u64,
    understood: u64,
    ignored: u64,
    damaged: u64,
    not_understood: u64,
    /// By channel: valid, not valid.
    readings: BTreeMap<String, (u64, u64)>,
}

impl Explainer {
    /// An explainer at the start of a capture.
    #[must_use]
    pub fn new(profile: Arc<Profile>, colour: bool) -> Self {
        Self {
            decoder: Decoder::new(Arc::clone(&profile)),
            profile,
            scratch: Scratch::default(),
            colour,
            sums: Sums::default(),
        }
    }

    /// What comes before the frames: what the profile would send, and how the line is set.
    #[must_use]
    pub fn head(&self) -> String {
        let profile = &self.profile;
        let mut text = format!("{}\n", visible(&profile.title));
        let sends = profile.sends();
        if sends.is_empty() {
            text.push_str("sends nothing\n");
        }
        for (occasion, bytes) in sends {
            let hex: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
            text.push_str(&format!(
                "sends {}  ({})\n      {occasion}\n",
                control::shown(&bytes),
                hex.join(" ")
            ));
        }
        let wire = &profile.wire;
        let parity = match wire.parity {
            Parity::None => "no parity",
            Parity::Even => "even parity",
            Parity::Odd => "odd parity",
        };
        let flow = match wire.flow {
            Flow::None => "no flow control",
            Flow::XonXoff => "flow control by XON and XOFF",
            Flow::RtsCts => "flow control by RTS and CTS",
        };
        let on = |set| if set { "on" } else { "off" };
        text.push_str(&format!(
            "line: {} baud, {} data bits, {parity}, {} stop bit(s), {flow}, DTR {}, RTS {}\n",
            wire.baud,
            u8::from(wire.data_bits),
            u8::from(wire.stop_bits),
            on(wire.dtr),
            on(wire.rts)
        ));
        text
    }

    /// Takes a chunk; what is complete by it is told.
    #[must_use]
    pub fn chunk(&mut self, at: Stamp, passed: Passed<'_>) -> String {
        let mut frames = Vec::new();
        let mut text = String::new();
        let _offered = self.decoder.tick(at, &mut frames);
        match passed {
            Passed::In(bytes) => self.decoder.feed(at, bytes, &mut frames),
            Passed::Out(bytes) => {
                text.push_str(&format!("{:>10.3} s  sent {}\n", at.seconds(), control::shown(bytes)));
                self.decoder.sent(at, bytes);
            }
        }
        self.tell(&frames, &mut text);
        text
    }

    /// The capture is over: what is left, and the sums.
    #[must_use]
    pub fn end(mut self) -> String {
        let mut frames = Vec::new();
        let mut text = String::new();
        self.decoder.finish(&mut frames);
        self.tell(&frames, &mut text);
        let sums = &self.sums;
        text.push_str(&format!(
            "\n{} frames: {} understood, {} ignored, {} damaged, {} not understood\n",
            sums.frames, sums.understood, sums.ignored, sums.damaged, sums.not_understood
        ));
        for (channel, (valid, not_valid)) in &sums.readings {
            text.push_str(&format!("{channel}: {valid} readings"));
            if *not_valid > 0 {
                text.push_str(&format!(", {not_valid} more not valid"));
            }
            text.push('\n');
        }
        if sums.readings.is_empty() {
            text.push_str("no readings\n");
        }
        text
    }

    fn tell(&mut self, frames: &[Decoded], text: &mut String) {
        for warning in self.decoder.take_warnings() {
            text.push_str(&format!("              {}\n", self.paint(&warning, Paint::Bad)));
        }
        for frame in frames {
            self.frame(frame, text);
        }
    }

    fn frame(&mut self, decoded: &Decoded, text: &mut String) {
        let frame = &decoded.frame;
        self.sums.frames += 1;
        let profile = Arc::clone(&self.profile);
        let mut captures: Vec<(Capture, String)> = Vec::new();
        let verdict = match &frame.fate {
            FrameFate::Understood { by } | FrameFate::Ignored { by } => {
                let understood = matches!(frame.fate, FrameFate::Understood { .. });
                if understood {
                    self.sums.understood += 1
                } else {
                    self.sums.ignored += 1
                }
                if let Some(pattern) = self.taker(&profile, by, &frame.text) {
                    captures = named(&pattern.program, &self.scratch.captures);
                }
                let word = if understood { "taken by" } else { "ignored by" };
                self.paint(
                    &format!("{word} {}", visible(by)),
                    if understood { Paint::Good } else { Paint::Quiet },
                )
            }
            FrameFate::Damaged { why } => {
                self.sums.damaged += 1;
                self.paint(&format!("damaged: {}", visible(why)), Paint::Bad)
            }
            FrameFate::NotUnderstood => {
                self.sums.not_understood += 1;
                self.paint("not understood", Paint::Bad)
            }
        };
        text.push_str(&format!("{:>10.3} s  frame {}  {verdict}\n", frame.at.seconds(), frame.number));
        self.marked(&frame.text, &captures, text);
        for reading in &decoded.readings {
            text.push_str(&format!("              {}\n", self.reading(reading)));
        }
        for mark in &decoded.marks {
            text.push_str(&format!("              says {:?} (no reading)\n", mark.kind));
            for (name, value) in &mark.texts {
                text.push_str(&format!("              {name}: {}\n", visible(value)));
            }
            for reading in &mark.readings {
                text.push_str(&format!("              {} (never a point)\n", self.reading(reading)));
            }
        }
        if frame.fate == FrameFate::NotUnderstood {
            for miss in self.near_misses(&profile, &frame.text) {
                text.push_str(&format!("              {miss}\n"));
            }
        }
    }

    fn reading(&mut self, reading: &Reading) -> String {
        let count = self.sums.readings.entry(reading.channel.to_string()).or_default();
        let value = reading.value.map_or("no number".to_owned(), |value| format!("{value} {}", reading.unit));
        let steady = match reading.steady {
            Some(true) => ", steady",
            Some(false) => ", not steady",
            None => "",
        };
        match &reading.validity {
            Validity::Valid => {
                count.0 += 1;
                format!("{} = {value}{steady}", reading.channel)
            }
            Validity::NotValid(why) => {
                count.1 += 1;
                format!(
                    "{} = {value}{steady}, {}",
                    reading.channel,
                    self.paint(&format!("not valid: {why}"), Paint::Bad)
                )
            }
        }
    }

    /// The text of a frame, its fields in colour, and below each field its letter and name.
    fn marked(&self, frame: &str, captures: &[(Capture, String)], text: &mut String) {
        let shown_end = frame.char_indices().nth(LONGEST_SHOWN).map_or(frame.len(), |(at, _)| at);
        let mut line = String::new();
        let mut marks = String::new();
        let mut at = 0;
        let mut sorted: Vec<&(Capture, String)> = captures.iter().filter(|(c, _)| c.end > c.start).collect();
        sorted.sort_by_key(|(capture, _)| capture.start);
        let mut names = Vec::new();
        for (index, (capture, name)) in sorted.into_iter().enumerate() {
            if capture.start < at || capture.end > shown_end {
                continue;
            }
            let between = visible(&frame[at..capture.start]);
            let field = visible(&frame[capture.start..capture.end]);
            let letter = char::from(b'a' + u8::try_from(index % 26).unwrap_or(0));
            marks.push_str(&" ".repeat(between.chars().count()));
            marks.extend(std::iter::repeat_n(letter, field.chars().count()));
            line.push_str(&between);
            line.push_str(&self.paint(&field, Paint::Field(index)));
            names.push(format!("{letter} {name}"));
            at = capture.end;
        }
        line.push_str(&visible(&frame[at..shown_end]));
        text.push_str(&format!("              {line}\n"));
        if shown_end < frame.len() {
            text.push_str(&format!("              ... {} characters in all\n", frame.chars().count()));
        }
        if !names.is_empty() {
            text.push_str(&format!("              {marks}   {}\n", names.join(", ")));
        }
    }

    /// The pattern that took a frame; its captures are in the scratch.
    fn taker<'p>(&mut self, profile: &'p Profile, by: &str, text: &str) -> Option<&'p Pattern> {
        let of_lines =
            profile.lines.iter().filter(|line| &*line.name == by).flat_map(|line| match &line.means {
                Means::Like(patterns) => patterns.as_slice(),
                Means::Registers(_) => &[],
            });
        let of_blocks = profile
            .blocks
            .iter()
            .filter(|block| &*block.name == by)
            .flat_map(|b| [&b.ends, &b.rows, &b.lines, &b.ignore, &b.begins].into_iter().flatten());
        of_lines.chain(of_blocks).find(|pattern| pattern.program.run(text, &mut self.scratch))
    }

    /// The patterns that came furthest, and where they failed.
    fn near_misses(&mut self, profile: &Profile, text: &str) -> Vec<String> {
        let mut misses: Vec<(usize, String)> = Vec::new();
        for pattern in profile.patterns() {
            if pattern.program.run(text, &mut self.scratch) {
                misses.push((
                    usize::MAX,
                    format!(
                        "`{}` fits, but only inside its block or as an answer to its request",
                        visible(&pattern.text)
                    ),
                ));
                continue;
            }
            let (pos, op) = self.scratch.furthest;
            let column = text.get(..pos).map_or(0, |before| before.chars().count()) + 1;
            let found = text.get(pos..).and_then(|rest| rest.split(' ').find(|word| !word.is_empty()));
            let found = found.map_or("the end of the line".to_owned(), |word| {
                format!("{:?}", visible(&word.chars().take(20).collect::<String>()))
            });
            let expected = pattern.program.expected(op);
            misses.push((
                pos,
                format!(
                    "`{}` failed at column {column}: {expected} was expected, {found} stands there",
                    visible(&pattern.text)
                ),
            ));
        }
        misses.sort_by_key(|(pos, _)| std::cmp::Reverse(*pos));
        misses.into_iter().filter(|(pos, _)| *pos > 0).take(NEAR_MISSES).map(|(_, text)| text).collect()
    }

    fn paint(&self, text: &str, paint: Paint) -> String {
        if !self.colour || text.is_empty() {
            return text.to_owned();
        }
        let code = match paint {
            Paint::Field(index) => FIELD_COLOURS[index % FIELD_COLOURS.len()],
            Paint::Good => 32,
            Paint::Quiet => 90,
            Paint::Bad => 31,
        };
        format!("\u{1B}[{code}m{text}\u{1B}[0m")
    }
}

fn named(program: &Program, captures: &[Capture]) -> Vec<(Capture, String)> {
    let name = |capture: &Capture| match (&program.ops[capture.op], capture.held) {
        (Op::Field(field), Held::Unit(_)) => format!("unit of {}", field.channel),
        (Op::Field(field), _) if &*field.channel == "_" => "skipped".to_owned(),
        (Op::Field(field), _) => field.channel.to_string(),
        _ => String::new(),
    };
    captures.iter().map(|capture| (*capture, name(capture))).collect()
}
