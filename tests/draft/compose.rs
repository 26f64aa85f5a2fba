//! Puts the numbers of a run into the lines of an invented instrument.

use super::grammar::{
    Family, FrameOut, Naming, NumberForm, Part, Series, SignForm, Talk, TextKind, naming, pick, quantities,
    series, truth_of,
};
use super::score::Truth;
use super::words;
use dropwise::reading::{Quantity, Unit};
use rand::prelude::*;
use rand_chacha::ChaCha8Rng;

/// What is the same in all numbers of one instrument.
struct House {
    comma: bool,
    sign: SignForm,
    padded: bool,
    zeros: bool,
    thousands: Option<char>,
}

fn house(rng: &mut ChaCha8Rng) -> House {
    let comma = rng.random_bool(0.25);
    let sign = match rng.random_range(0..100) {
        0..66 => SignForm::Minus,
        66..82 => SignForm::Always,
        82..89 => SignForm::Apart,
        89..95 => SignForm::Behind,
        _ => SignForm::True,
    };
    House { comma, sign, padded: rng.random_bool(0.5), zeros: rng.random_bool(0.1), thousands: None }
}

fn forms(rng: &mut ChaCha8Rng, house: &House, series: &[Series], separator: &str) -> Vec<NumberForm> {
    series
        .iter()
        .map(|s| {
            let mut form = NumberForm {
                decimals: s.decimals,
                comma: house.comma,
                sign: house.sign,
                width: 0,
                zeros: 0,
                thousands: house.thousands.filter(|_| separator == ";" || separator == "\t"),
                exponent: false,
                implied: false,
            };
            if house.sign == SignForm::Always
                && !matches!(
                    s.quantity,
                    Quantity::Emf | Quantity::Mass | Quantity::Temperature | Quantity::Current
                )
                && rng.random_bool(0.6)
            {
                form.sign = SignForm::Minus;
            }
            if house.zeros {
                form.zeros =
                    s.values.iter().map(|v| format!("{:.0}", v.abs().trunc()).len()).max().unwrap_or(1)
                        + rng.random_range(0..2);
            }
            if house.padded {
                form.width = s.values.iter().map(|v| form.write(*v).chars().count()).max().unwrap_or(4)
                    + rng.random_range(0..3);
            }
            form
        })
        .collect()
}

/// Line parts for the columns, named as the text kind says.
fn row_parts(rng: &mut ChaCha8Rng, kind: TextKind, names: &[Naming], separator: &str) -> Vec<Part> {
    let tie = *pick(rng, &[" ", " ", "=", "=", ":", ": ", " = "]);
    let unit_gap = if rng.random_bool(0.8) { " " } else { "" };
    let mut parts = Vec::new();
    for (c, name) in names.iter().enumerate() {
        if c > 0 {
            parts.push(Part::Text(separator.to_owned()));
        }
        if matches!(kind, TextKind::Label | TextKind::Both) {
            parts.push(Part::Text(format!("{}{tie}", name.label)));
        }
        parts.push(Part::Number(c));
        if matches!(kind, TextKind::Unit | TextKind::Both) {
            parts.push(Part::Text(format!("{unit_gap}{}", name.unit)));
        }
    }
    parts
}

/// Counters, clocks, flags and settings around the row.
fn extras(rng: &mut ChaCha8Rng, parts: &mut Vec<Part>, separator: &str) {
    let sep = || Part::Text(separator.to_owned());
    if rng.random_bool(0.2) {
        parts.insert(0, sep());
        parts.insert(
            0,
            Part::Counter { digits: *pick(rng, &[1, 2, 3, 4]), wraps: *pick(rng, &[10_000, 100, 10_000]) },
        );
    } else if rng.random_bool(0.15) {
        parts.insert(0, sep());
        parts.insert(0, Part::Clock);
        if rng.random_bool(0.5) {
            parts.insert(0, Part::Text(" ".to_owned()));
            parts.insert(0, Part::Date);
        }
    } else if rng.random_bool(0.06) {
        parts.insert(0, sep());
        parts.insert(0, Part::Text((*pick(rng, &["CH1", "#3", "A", "M01", "$PH"])).to_owned()));
    }
    let mut flags = usize::from(rng.random_bool(0.25));
    flags += usize::from(flags == 1 && rng.random_bool(0.2));
    for _ in 0..flags {
        let (steady, moving) = *pick(rng, words::FLAGS);
        let flag = Part::Flag { steady: steady.to_owned(), moving: moving.to_owned() };
        if rng.random_bool(0.1) && !steady.is_empty() {
            parts.insert(0, sep());
            parts.insert(0, flag);
        } else {
            parts.push(sep());
            parts.push(flag);
        }
    }
}

/// Rows that are written with words instead of one number.
fn over_rows(
    rng: &mut ChaCha8Rng,
    series: &[Series],
    rows: usize,
) -> Option<(usize, Vec<usize>, &'static str)> {
    let column = (0..series.len())
        .rev()
        .find(|c| !matches!(series[*c].quantity, Quantity::Volume | Quantity::Time))?;
    rng.random_bool(0.12).then(|| {
        let from = rng.random_range(0..rows - 4);
        (column, (from..from + rng.random_range(1..4)).collect(), *pick(rng, words::OVER))
    })
}

/// Writes one row.
fn write_row(
    parts: &[Part],
    columns: &[&Series],
    forms: &[NumberForm],
    row: usize,
    over: Option<&(usize, Vec<usize>, &str)>,
    seconds: f64,
    steady: bool,
) -> FrameOut {
    let mut out = FrameOut {
        text: String::new(),
        truth: Vec::new(),
        strict: String::new(),
        loose: String::new(),
        forms: Vec::new(),
        bare: false,
        wait_s: 1.0,
        request: None,
    };
    for part in parts {
        let (text, strict, loose) = match part {
            Part::Text(t) => (t.clone(), regex::escape(t), regex::escape(t)),
            Part::Number(c) => {
                let form = &forms[*c];
                let words = over.filter(|o| o.0 == *c);
                let is_over = words.is_some_and(|o| o.1.contains(&row));
                let value = columns[*c].values[row];
                let text = if is_over {
                    format!("{:>1$}", words.map_or("", |o| o.2), form.width)
                } else {
                    form.write(value)
                };
                out.truth.push(truth_of(columns[*c], row, (!is_over).then_some(value)));
                out.forms.push(form.clone());
                let other = words.map_or(String::new(), |o| format!("| *{}", regex::escape(o.2)));
                (
                    text,
                    format!("({}{other})", form.pattern(false)),
                    format!("({}{other})", form.pattern(true)),
                )
            }
            Part::Counter { digits, wraps } => {
                (format!("{:01$}", (row + 1) % wraps, digits), r"\d+".to_owned(), r"\d*".to_owned())
            }
            Part::Clock => {
                let s = 33_240 + seconds as usize;
                (
                    format!("{:02}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60),
                    r"\d\d:\d\d:\d\d".to_owned(),
                    r"\d*:\d*:\d*".to_owned(),
                )
            }
            Part::Date => ("02.03.2026".to_owned(), r"\d\d\.\d\d\.\d{4}".to_owned(), r"[\d.]*".to_owned()),
            Part::Flag { steady: s, moving } => (
                if steady { s.clone() } else { moving.clone() },
                format!("(?:{}|{})", regex::escape(s), regex::escape(moving)),
                r"\S*".to_owned(),
            ),
        };
        out.text.push_str(&text);
        out.strict.push_str(&strict);
        out.loose.push_str(&loose);
    }
    out.text = out.text.trim_end().to_owned();
    out.strict = format!("^{} *$", out.strict.trim_end());
    out.loose = format!("^ *{} *$", out.loose.trim_end());
    out
}

fn bare(text: impl Into<String>) -> FrameOut {
    FrameOut {
        text: text.into(),
        truth: Vec::new(),
        strict: String::new(),
        loose: String::new(),
        forms: Vec::new(),
        bare: true,
        wait_s: 0.1,
        request: None,
    }
}

fn is_steady(series: &[Series], row: usize, rng: &mut ChaCha8Rng) -> bool {
    let signal = &series[series.len() - 1].values;
    let range =
        signal.iter().copied().fold(f64::MIN, f64::max) - signal.iter().copied().fold(f64::MAX, f64::min);
    let moved = row > 0 && (signal[row] - signal[row - 1]).abs() > 0.03 * range;
    !moved && rng.random_bool(0.93)
}

pub fn talk(rng: &mut ChaCha8Rng) -> Talk {
    let family = match rng.random_range(0..100) {
        0..38 => Family::Plain,
        38..46 => Family::Block,
        46..59 => Family::Table,
        59..67 => Family::Asked,
        67..75 => Family::AskedInTurn,
        75..82 => Family::TwoInstruments,
        82..88 => Family::Packed,
        88..92 => Family::Registers,
        92..96 => Family::Floats,
        _ => Family::Pulses,
    };
    let rows = if rng.random_bool(0.2) { rng.random_range(12..21) } else { rng.random_range(21..90) };
    let period = *pick(rng, &[1.0, 1.0, 2.0, 3.0, 5.0]);
    let mut wanted = quantities(rng);
    if family == Family::Table && wanted.len() == 1 {
        wanted.insert(0, Quantity::Volume);
        wanted.dedup();
    }
    if matches!(family, Family::TwoInstruments | Family::AskedInTurn) && wanted.len() == 1 {
        wanted.push(if wanted[0] == Quantity::Temperature { Quantity::Ph } else { Quantity::Temperature });
    }
    if family == Family::Pulses {
        wanted = vec![Quantity::Volume];
    }
    let series = series(rng, &wanted, rows, period);
    let mut talk = match family {
        Family::Plain | Family::Asked => plain(rng, &series, rows, family),
        Family::Block => block(rng, &series, rows),
        Family::Table => table(rng, &series, rows),
        Family::AskedInTurn => in_turn(rng, &series, rows),
        Family::TwoInstruments => two(rng, &series, rows),
        Family::Packed => packed(rng, &series, rows),
        Family::Registers | Family::Floats => registers(rng, &series, rows, family == Family::Floats),
        Family::Pulses => pulses(rng, &series[0]),
    };
    for frame in talk.frames.iter_mut().filter(|f| !f.bare && f.wait_s >= 1.0) {
        frame.wait_s *= period;
    }
    talk.columns = wanted;
    talk.non_ascii = talk.frames.iter().any(|f| !f.text.is_ascii());
    talk
}

fn separator(rng: &mut ChaCha8Rng, comma: bool) -> &'static str {
    loop {
        let s = *pick(rng, &["  ", "  ", " ", " ", ",", ", ", ";", "\t", " | ", "; "]);
        if !(comma && s.contains(',')) {
            return s;
        }
    }
}

fn rows_of(
    rng: &mut ChaCha8Rng,
    kind: TextKind,
    series: &[Series],
    rows: usize,
) -> (Vec<FrameOut>, Vec<Naming>, String, Vec<Part>, Vec<NumberForm>) {
    let mut house = house(rng);
    let mut sep = separator(rng, house.comma);
    if kind == TextKind::Alone && sep == " " && house.sign == SignForm::Apart {
        sep = "  ";
    }
    if rng.random_bool(0.3) && (sep == ";" || sep == "\t") {
        house.thousands = Some(if house.comma { *pick(rng, &['.', ' ']) } else { *pick(rng, &['\'', ' ']) });
    }
    let short = matches!(kind, TextKind::Label) && rng.random_bool(0.25);
    let names = naming(rng, series, short);
    let forms = forms(rng, &house, series, sep);
    let mut parts = row_parts(rng, kind, &names, sep);
    extras(rng, &mut parts, sep);
    let over = over_rows(rng, series, rows);
    let columns: Vec<&Series> = series.iter().collect();
    let frames = (0..rows)
        .map(|row| {
            let steady = is_steady(series, row, rng);
            write_row(&parts, &columns, &forms, row, over.as_ref(), row as f64, steady)
        })
        .collect();
    (frames, names, sep.to_owned(), parts, forms)
}

fn titles(rng: &mut ChaCha8Rng, frames: &mut Vec<FrameOut>) {
    if rng.random_bool(0.25) {
        for _ in 0..rng.random_range(1..3) {
            frames.insert(0, bare(*pick(rng, words::TITLES)));
        }
    }
}

fn plain(rng: &mut ChaCha8Rng, series: &[Series], rows: usize, family: Family) -> Talk {
    let kind = *pick(
        rng,
        &[
            TextKind::Unit,
            TextKind::Unit,
            TextKind::Label,
            TextKind::Label,
            TextKind::Both,
            TextKind::Both,
            TextKind::Alone,
        ],
    );
    let (mut frames, ..) = rows_of(rng, kind, series, rows);
    if family == Family::Asked {
        let request = *pick(rng, &["READ\r", "D\r\n", "?\r", "SEND\n", "M\r"]);
        for f in &mut frames {
            f.request = Some(request.to_owned());
        }
    } else {
        titles(rng, &mut frames);
    }
    Talk { family, text: kind, frames, also: Vec::new(), columns: Vec::new(), non_ascii: false }
}

fn block(rng: &mut ChaCha8Rng, series: &[Series], rows: usize) -> Talk {
    let kind = *pick(rng, &[TextKind::Label, TextKind::Both, TextKind::Both]);
    let house = house(rng);
    let names = naming(rng, series, false);
    let forms = forms(rng, &house, series, "\n");
    let tie = *pick(rng, &[" ", "  ", ": ", " = ", "="]);
    let widest = names.iter().map(|n| n.label.chars().count()).max().unwrap_or(4).max(6);
    let aligned = rng.random_bool(0.6);
    let (date, number, status) = (rng.random_bool(0.5), rng.random_bool(0.4), rng.random_bool(0.4));
    let opening = *pick(rng, &["-- READING --", "MEASUREMENT", "*** DATA ***", "Messung"]);
    let rows = rows.min(40);
    let mut frames = Vec::new();
    for row in 0..rows {
        let mut first = bare(opening);
        first.wait_s = 1.0;
        frames.push(first);
        if date {
            frames.push(bare(format!("DATE 02.03.2026 09:{:02}", row % 60)));
        }
        if number {
            frames.push(bare(format!("NO {:04}", row + 17)));
        }
        for (c, s) in series.iter().enumerate() {
            let label =
                if aligned { format!("{:<1$}", names[c].label, widest) } else { names[c].label.clone() };
            let mut parts = vec![Part::Text(format!("{label}{tie}")), Part::Number(0)];
            if kind == TextKind::Both {
                parts.push(Part::Text(format!(" {}", names[c].unit)));
            }
            let mut frame = write_row(&parts, &[s], &forms[c..=c], row, None, 0.0, true);
            frame.wait_s = 0.1;
            frames.push(frame);
        }
        if status {
            frames.push(bare(if is_steady(series, row, rng) { "STATUS STEADY" } else { "STATUS MOVING" }));
        }
    }
    Talk {
        family: Family::Block,
        text: kind,
        frames,
        also: Vec::new(),
        columns: Vec::new(),
        non_ascii: false,
    }
}

fn table(rng: &mut ChaCha8Rng, series: &[Series], rows: usize) -> Talk {
    let house = house(rng);
    let sep = if rng.random_bool(0.6) { "  " } else { separator(rng, house.comma) };
    let fixed = sep.trim().is_empty();
    let names = naming(rng, series, false);
    let mut forms = forms(rng, &house, series, sep);
    let style = rng.random_range(0..5);
    let cells: Vec<String> = names
        .iter()
        .map(|n| match style {
            0 | 1 => n.label.clone(),
            2 => format!("{}/{}", n.label, n.unit),
            3 => format!("{} ({})", n.label, n.unit),
            _ => n.unit.clone(),
        })
        .collect();
    if fixed {
        for (form, cell) in forms.iter_mut().zip(&cells) {
            form.width = form.width.max(cell.chars().count()).max(8) + 2;
        }
    }
    let counted = rng.random_bool(0.3);
    let mut parts = row_parts(rng, TextKind::Alone, &names, if fixed { "" } else { sep });
    if counted {
        parts.insert(0, Part::Text(if fixed { String::new() } else { sep.to_owned() }));
        parts.insert(0, Part::Counter { digits: 3, wraps: 10_000 });
    }
    let heading = |cells: &[String]| -> String {
        if fixed {
            let mut text: String =
                cells.iter().zip(&forms).map(|(cell, form)| format!("{cell:>0$}", form.width)).collect();
            if counted {
                text = format!("NO.{text}");
            }
            text
        } else {
            let mut list = cells.to_vec();
            if counted {
                list.insert(0, "No".to_owned());
            }
            list.join(sep)
        }
    };
    let two_lines = style == 0 && rng.random_bool(0.5);
    let units: Vec<String> = names.iter().map(|n| n.unit.clone()).collect();
    let over = over_rows(rng, series, rows);
    let columns: Vec<&Series> = series.iter().collect();
    let mut frames = Vec::new();
    titles(rng, &mut frames);
    let page = if rng.random_bool(0.3) { 20 } else { 10_000 };
    for row in 0..rows {
        if row % page == 0 {
            frames.push(bare(heading(&cells)));
            if two_lines {
                frames.push(bare(heading(&units)));
            }
        }
        let steady = is_steady(series, row, rng);
        frames.push(write_row(&parts, &columns, &forms, row, over.as_ref(), row as f64, steady));
    }
    let mut also = Vec::new();
    if rng.random_bool(0.3) {
        let s = &series[0];
        let value = s.values[rows * 2 / 3];
        frames.push(bare(format!("END {}  {}", forms[0].write(value).trim(), names[0].unit)));
        also.push(truth_of(s, rows * 2 / 3, Some(value)));
    }
    Talk {
        family: Family::Table,
        text: TextKind::Heading,
        frames,
        also,
        columns: Vec::new(),
        non_ascii: false,
    }
}

fn in_turn(rng: &mut ChaCha8Rng, series: &[Series], rows: usize) -> Talk {
    let opaque = rng.random_bool(0.25);
    let kind = if opaque {
        TextKind::Alone
    } else {
        *pick(rng, &[TextKind::Request, TextKind::Request, TextKind::Unit, TextKind::Label])
    };
    let house = house(rng);
    let names = naming(rng, series, false);
    let forms = forms(rng, &house, series, "\n");
    let mark = *pick(rng, &["?", "", "?"]);
    let end = *pick(rng, &["\r", "\n", "\r\n"]);
    let requests: Vec<String> = (0..series.len())
        .map(|c| match (opaque, kind) {
            (true, _) => format!("R{}{end}", c + 1),
            (_, TextKind::Request) => format!(
                "{}{}{mark}{end}",
                pick(rng, &["", "MEAS:", "READ "]).to_owned(),
                names[c].label.to_uppercase()
            ),
            _ => format!("M{}{end}", c + 1),
        })
        .collect();
    let parts: Vec<Vec<Part>> = (0..series.len())
        .map(|c| match kind {
            TextKind::Unit => vec![Part::Number(0), Part::Text(format!(" {}", names[c].unit))],
            TextKind::Label => vec![Part::Text(format!("{} ", names[c].label)), Part::Number(0)],
            _ => vec![Part::Number(0)],
        })
        .collect();
    let mut frames = Vec::new();
    for row in 0..rows.min(60) {
        for (c, s) in series.iter().enumerate() {
            let mut frame = write_row(&parts[c], &[s], &forms[c..=c], row, None, 0.0, true);
            frame.request = Some(requests[c].clone());
            frame.wait_s = 1.0;
            frames.push(frame);
        }
    }
    Talk {
        family: Family::AskedInTurn,
        text: kind,
        frames,
        also: Vec::new(),
        columns: Vec::new(),
        non_ascii: false,
    }
}

fn two(rng: &mut ChaCha8Rng, series: &[Series], rows: usize) -> Talk {
    let cut = 1.max(series.len() / 2);
    let kind = *pick(rng, &[TextKind::Unit, TextKind::Label, TextKind::Both, TextKind::Alone]);
    let same = rng.random_bool(0.4);
    let mut frames = Vec::new();
    if same {
        // One box that passes on two instruments, each line with its address.
        let marks = *pick(rng, &[("A:", "B:"), ("1 ", "2 "), ("01,", "02,"), ("<1>", "<2>")]);
        let house = house(rng);
        let names = naming(rng, series, false);
        let sep = if house.comma { ";" } else { "  " };
        let forms = forms(rng, &house, series, sep);
        let mut first = row_parts(rng, kind, &names[..cut], sep);
        let mut second = row_parts(rng, kind, &names[cut..], sep);
        first.insert(0, Part::Text(marks.0.to_owned()));
        second.insert(0, Part::Text(marks.1.to_owned()));
        let (a, b): (Vec<&Series>, Vec<&Series>) =
            (series[..cut].iter().collect(), series[cut..].iter().collect());
        for row in 0..rows {
            frames.push(write_row(&first, &a, &forms[..cut], row, None, 0.0, true));
            let mut second = write_row(&second, &b, &forms[cut..], row, None, 0.0, true);
            second.wait_s = 0.4;
            frames.push(second);
        }
    } else {
        let (a, ..) = rows_of(rng, kind, &series[..cut], rows);
        let (b, ..) = rows_of(rng, kind, &series[cut..], rows);
        for (x, mut y) in a.into_iter().zip(b) {
            y.wait_s = 0.4;
            frames.push(x);
            frames.push(y);
        }
    }
    Talk {
        family: Family::TwoInstruments,
        text: kind,
        frames,
        also: Vec::new(),
        columns: Vec::new(),
        non_ascii: false,
    }
}

fn packed(rng: &mut ChaCha8Rng, series: &[Series], rows: usize) -> Talk {
    let letters = rng.random_bool(0.7);
    let implied = rng.random_bool(0.6);
    let kind = if letters { TextKind::Label } else { TextKind::Alone };
    let signed = rng.random_bool(0.6) || !letters;
    let forms: Vec<NumberForm> = series
        .iter()
        .map(|s| {
            let negative = s.values.iter().any(|v| *v < 0.0);
            let sign = if signed || negative { SignForm::Always } else { SignForm::Minus };
            let mut form = NumberForm {
                decimals: s.decimals,
                comma: false,
                sign,
                width: 0,
                zeros: 1,
                thousands: None,
                exponent: false,
                implied,
            };
            let whole = s.values.iter().map(|v| format!("{:.0}", v.abs().trunc()).len()).max().unwrap_or(1);
            form.zeros = if implied { whole + s.decimals } else { whole };
            form
        })
        .collect();
    let parts: Vec<Part> = series
        .iter()
        .enumerate()
        .flat_map(|(c, s)| {
            let label = if letters { words::letter(s.quantity) } else { "" };
            [Part::Text(label.to_owned()), Part::Number(c)]
        })
        .collect();
    let columns: Vec<&Series> = series.iter().collect();
    let frames = (0..rows).map(|row| write_row(&parts, &columns, &forms, row, None, 0.0, true)).collect();
    Talk {
        family: Family::Packed,
        text: kind,
        frames,
        also: Vec::new(),
        columns: Vec::new(),
        non_ascii: false,
    }
}

fn lrc(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0_u8, |s, b| s.wrapping_add(*b)).wrapping_neg()
}

fn modbus(bytes: &[u8]) -> String {
    let mut text = String::from(":");
    for b in bytes.iter().chain(std::iter::once(&lrc(bytes))) {
        text.push_str(&format!("{b:02X}"));
    }
    text
}

/// Modbus ASCII: registers as scaled integers, or 32-bit floats in two registers.
fn registers(rng: &mut ChaCha8Rng, series: &[Series], rows: usize, floats: bool) -> Talk {
    let address: u8 = rng.random_range(1..32);
    let function: u8 = *pick(rng, &[3, 4]);
    let first: u16 = *pick(rng, &[0, 10, 100, 256]);
    let per = if floats { 2 } else { 1 };
    let count = series.len() * per;
    let swapped = rng.random_bool(0.4);
    let request = modbus(&[address, function, (first >> 8) as u8, first as u8, 0, count as u8]);
    let mut frames = Vec::new();
    for row in 0..rows {
        let mut bytes = vec![address, function, (count * 2) as u8];
        let mut truth = Vec::new();
        for s in series {
            let v = s.values[row];
            if floats {
                let b = (v as f32).to_be_bytes();
                bytes.extend(if swapped { [b[2], b[3], b[0], b[1]] } else { b });
                truth.push(truth_of(s, row, Some(v)));
            } else {
                let raw = (v * 10f64.powi(s.decimals as i32)).round() as i64;
                bytes.extend((raw as i16).to_be_bytes());
                truth.push(truth_of(s, row, (raw == i64::from(raw as i16)).then_some(v)));
            }
        }
        truth.retain(|t| t.value.is_some());
        frames.push(FrameOut {
            text: modbus(&bytes),
            truth,
            strict: String::new(),
            loose: String::new(),
            forms: Vec::new(),
            bare: false,
            wait_s: 2.0,
            request: Some(format!("{request}\r\n")),
        });
    }
    let family = if floats { Family::Floats } else { Family::Registers };
    Talk { family, text: TextKind::Alone, frames, also: Vec::new(), columns: Vec::new(), non_ascii: false }
}

fn pulses(rng: &mut ChaCha8Rng, series: &Series) -> Talk {
    let size = *pick(rng, &[0.002, 0.005, 0.01, 0.001]);
    let told = rng.random_bool(0.6);
    let form = NumberForm {
        decimals: 0,
        comma: false,
        sign: SignForm::Minus,
        width: 0,
        zeros: *pick(rng, &[1, 5, 6]),
        thousands: None,
        exponent: false,
        implied: false,
    };
    let label = *pick(rng, &["N=", "P ", "CNT:", "PULSES ", ""]);
    let counts: Vec<f64> = series.values.iter().map(|v| (v / size).round()).collect();
    let counted = Series {
        quantity: Quantity::Volume,
        unit: Unit::Millilitre,
        values: counts.clone(),
        decimals: 0,
        grown: None,
    };
    let parts = vec![Part::Text(label.to_owned()), Part::Number(0)];
    let mut frames: Vec<FrameOut> = Vec::new();
    if told {
        frames.push(bare(format!("PULSE {size} mL")));
    }
    for (row, n) in counts.iter().copied().enumerate() {
        let mut frame = write_row(&parts, &[&counted], std::slice::from_ref(&form), row, None, 0.0, true);
        frame.truth = vec![Truth {
            value: Some(format!("{:.4}", n * size).parse().unwrap_or(n * size)),
            pulses: Some(n),
            ..truth_of(&counted, row, Some(n))
        }];
        frames.push(frame);
    }
    Talk {
        family: Family::Pulses,
        text: if told { TextKind::Unit } else { TextKind::Alone },
        frames,
        also: Vec::new(),
        columns: Vec::new(),
        non_ascii: false,
    }
}
