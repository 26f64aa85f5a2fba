//! Modbus ASCII: registers as scaled integers, or floats in two registers each.

use super::column::Column;
use super::framing::Frame;
use super::heard::Stream;
use super::quantity;
use super::template::Line;
use crate::frame::CheckKind;
use crate::reading::Quantity;

/// A request for registers, and what was read from its answers.
#[derive(Debug, Clone)]
pub(super) struct RegisterSet {
    pub(super) address: u8,
    pub(super) function: u8,
    pub(super) first: u16,
    pub(super) count: u16,
    /// Whether the request was heard (else the first register is a guess).
    pub(super) heard: bool,
    pub(super) registers: Vec<Register>,
    pub(super) answers: usize,
}

/// One value of an answer.
#[derive(Debug, Clone)]
pub(super) struct Register {
    pub(super) at: u16,
    /// The name of its form in a profile.
    pub(super) form: &'static str,
    pub(super) column: Column,
    /// What it was taken for.
    pub(super) choice: Option<quantity::Choice>,
    /// Power of ten for each quantity that it might be.
    scales: Vec<(Quantity, i32)>,
}

impl Register {
    /// The power of ten that belongs to this quantity.
    pub(super) fn scale_of(&self, quantity: Quantity) -> i32 {
        self.scales.iter().find(|(q, _)| *q == quantity).map_or(0, |(_, s)| *s)
    }
}

fn message(text: &[u8]) -> Option<Vec<u8>> {
    let digits = text.trim_ascii().strip_prefix(b":")?;
    let (body, check) = digits.split_at(digits.len().checked_sub(2)?);
    let told = u8::from_str_radix(std::str::from_utf8(check).ok()?, 16).ok()?;
    if CheckKind::Lrc.value(body)? != u16::from(told) {
        return None;
    }
    body.chunks(2).map(|pair| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()).collect()
}

/// Frames with the bytes of their registers.
type Answers<'a> = Vec<(usize, &'a [u8])>;

/// Reads the frames as Modbus ASCII, if that is what they are.
pub(super) fn find(stream: &Stream, frames: &[Frame], lines: &[Line]) -> Vec<RegisterSet> {
    let parsed: Vec<(usize, Vec<u8>)> =
        frames.iter().enumerate().filter_map(|(i, f)| message(&f.body).map(|m| (i, m))).collect();
    if parsed.len() < 3 || parsed.len() * 2 < frames.len() {
        return Vec::new();
    }
    let requests: Vec<Option<Vec<u8>>> = stream.sent.iter().map(|s| message(&s.bytes)).collect();
    let mut groups: Vec<(Vec<u8>, Answers<'_>)> = Vec::new();
    for (i, m) in &parsed {
        if m.len() < 5 || usize::from(m[2]) != m.len() - 3 || m[1] & 0x80 != 0 {
            continue;
        }
        let asked = frames[*i]
            .asked
            .and_then(|k| requests.get(k))
            .and_then(Clone::clone)
            .filter(|r| r.len() == 6 && r[0] == m[0] && r[1] == m[1]);
        let key = asked.unwrap_or_else(|| vec![m[0], m[1], 0, 0, 0, m[2] / 2, 0]);
        match groups.iter_mut().find(|g| g.0 == key) {
            Some(g) => g.1.push((*i, &m[3..])),
            None => groups.push((key, vec![(*i, &m[3..])])),
        }
    }
    groups
        .into_iter()
        .filter(|g| g.1.len() >= 3)
        .take(8)
        .map(|(key, answers)| {
            let word = |a: usize| u16::from_be_bytes([key[a], key[a + 1]]);
            RegisterSet {
                address: key[0],
                function: key[1],
                first: word(2),
                count: word(4),
                heard: key.len() == 6,
                registers: registers(word(2), &answers, lines),
                answers: answers.len(),
            }
        })
        .collect()
}

fn registers(first: u16, answers: &[(usize, &[u8])], lines: &[Line]) -> Vec<Register> {
    let bytes = answers.iter().map(|a| a.1.len()).max().unwrap_or(0);
    let answers: Vec<(usize, &[u8])> = answers.iter().filter(|a| a.1.len() == bytes).copied().collect();
    let count = bytes / 2;
    if count >= 2
        && count % 2 == 0
        && let Some(list) = floats(first, &answers, lines, count)
    {
        return list;
    }
    (0..count)
        .filter_map(|r| {
            let raw: Vec<(usize, u16)> =
                answers.iter().map(|(i, d)| (*i, u16::from_be_bytes([d[2 * r], d[2 * r + 1]]))).collect();
            // Values on both sides of nought jump from small to large numbers.
            let signed = raw.iter().any(|(_, v)| *v >= 0x8000)
                && raw.windows(2).all(|w| w[0].1.cast_signed().abs_diff(w[1].1.cast_signed()) < 20_000);
            let values: Vec<(usize, f64)> = raw
                .iter()
                .map(|(i, v)| (*i, if signed { f64::from(v.cast_signed()) } else { f64::from(*v) }))
                .collect();
            let mut column = Column::from_values(values.clone(), lines, 0)?;
            let mut scales: Vec<(Quantity, i32, f64)> = Vec::new();
            let mut seconds: Vec<(Quantity, f64)> = Vec::new();
            for (digits, prior) in [(0, 0.85), (1, 1.0), (2, 1.0), (3, 0.95), (4, 0.6)] {
                let scale = 10f64.powi(-digits);
                let scaled = values.iter().map(|(i, v)| (*i, v * scale)).collect();
                let Some(mut trial) = Column::from_values(scaled, lines, digits.unsigned_abs() as usize)
                else {
                    continue;
                };
                quantity::by_numbers(&mut trial);
                for q in Quantity::ALL {
                    // Almost any register looks like a pH with some scale.
                    let weight =
                        trial.weight(q) * prior * if q == Quantity::Ph && digits != 2 { 0.7 } else { 1.0 };
                    match scales.iter_mut().find(|s| s.0 == q) {
                        Some(s) if s.2 < weight => {
                            seconds.push((q, s.2));
                            *s = (q, -digits, weight);
                        }
                        Some(_) => seconds.push((q, weight)),
                        None if weight > 0.0 => scales.push((q, -digits, weight)),
                        None => {}
                    }
                }
            }
            // Where two scales are as good as each other, only a person knows: a wrong power of ten is worse than none.
            for s in &mut scales {
                if seconds.iter().any(|(q, w)| *q == s.0 && *w > s.2 * 0.8) {
                    s.2 *= 0.6;
                }
            }
            column.evidence = scales.iter().map(|(q, _, w)| (*q, *w, "its numbers".to_owned())).collect();
            Some(Register {
                at: first + u16::try_from(r).ok()?,
                form: if signed { "i16" } else { "u16" },
                column,
                choice: None,
                scales: scales.iter().map(|s| (s.0, s.1)).collect(),
            })
        })
        .collect()
}

/// Pairs of registers as 32-bit floats, in either order of the registers.
fn floats(first: u16, answers: &[(usize, &[u8])], lines: &[Line], count: usize) -> Option<Vec<Register>> {
    let read = |d: &[u8], k: usize, low_first: bool| {
        let b = &d[4 * k..4 * k + 4];
        f64::from(f32::from_be_bytes(if low_first {
            [b[2], b[3], b[0], b[1]]
        } else {
            [b[0], b[1], b[2], b[3]]
        }))
    };
    let sane = |v: f64| v == 0.0 || v.is_finite() && (1e-5..1e6).contains(&v.abs());
    'order: for (low_first, form) in [(false, "f32"), (true, "f32-low-first")] {
        let mut list = Vec::new();
        for k in 0..count / 2 {
            let values: Vec<(usize, f64)> =
                answers.iter().map(|(i, d)| (*i, read(d, k, low_first))).collect();
            let good = values.iter().filter(|(_, v)| sane(*v)).count();
            if good * 10 < values.len() * 9 {
                continue 'order;
            }
            // Digits that a person would write: the fewest decimals that most values agree with.
            let fits = |d: i32, v: f64| {
                let scaled = v * 10f64.powi(d);
                (scaled - scaled.round()).abs() < 0.02 + scaled.abs() * 2e-7
            };
            let decimals = (0..6)
                .find(|d| values.iter().filter(|(_, v)| fits(*d, *v)).count() * 10 >= values.len() * 9)
                .unwrap_or(3);
            let mut column = Column::from_values(values, lines, decimals.unsigned_abs() as usize)?;
            quantity::by_numbers(&mut column);
            list.push(Register {
                at: first + u16::try_from(2 * k).ok()?,
                form,
                column,
                choice: None,
                scales: Vec::new(),
            });
        }
        return Some(list);
    }
    None
}

/// Ties pH and potential together by their step: both scales follow from it.
pub(super) fn tie(sets: &mut [RegisterSet], lines: &[Line]) {
    let all: Vec<(usize, usize)> =
        sets.iter().enumerate().flat_map(|(s, set)| (0..set.registers.len()).map(move |r| (s, r))).collect();
    for a in &all {
        for b in &all {
            if a == b || sets[a.0].registers[a.1].form.starts_with('f') {
                continue;
            }
            let (x, y) = (&sets[a.0].registers[a.1].column, &sets[b.0].registers[b.1].column);
            let pairs = super::column::together(x, y, lines);
            let (max, range) = (x.run.max, x.run.range());
            let Some((slope, r)) = super::column::line_fit(&pairs).filter(|_| pairs.len() >= 6) else {
                continue;
            };
            if r > -0.98 {
                continue;
            }
            for ph in [-2, -3, -1] {
                let fits =
                    max * 10f64.powi(ph) < 14.5 && max * 10f64.powi(ph) > 1.0 && range * 10f64.powi(ph) > 0.4;
                for emf in [-1, 0, -2] {
                    let slope = slope * 10f64.powi(emf - ph);
                    if fits && (-63.0..=-48.0).contains(&slope) {
                        for (at, q, scale) in [(*a, Quantity::Ph, ph), (*b, Quantity::Emf, emf)] {
                            let register = &mut sets[at.0].registers[at.1];
                            register.scales.retain(|s| s.0 != q);
                            register.scales.push((q, scale));
                            register.column.evidence.push((
                                q,
                                0.85,
                                "the step that ties it to the other register".to_owned(),
                            ));
                        }
                    }
                }
            }
        }
    }
}
