//! Puts an invented instrument's lines on the line: encoding, marks, checksum, parity, times, damage.

use super::compose;
use super::grammar::{Family, FrameOut, Talk, TextKind, pick};
use super::score::{Damage, Truth};
use dropwise::reading::Quantity;
use rand::prelude::*;
use rand_chacha::ChaCha8Rng;
use std::collections::HashMap;

/// A piece of a capture.
#[derive(Debug, Clone)]
pub struct Chunk {
    pub at_s: f64,
    pub sent: bool,
    pub bytes: Vec<u8>,
}

/// One capture with its truth.
#[derive(Debug, Clone)]
pub struct Capture {
    pub chunks: Vec<Chunk>,
    pub truth: Vec<Truth>,
    pub also: Vec<Truth>,
}

/// A random instrument, as sent and with a bad line.
pub struct Layout {
    pub seed: u64,
    pub family: Family,
    pub text: TextKind,
    pub framing: String,
    pub baud: u32,
    pub columns: Vec<Quantity>,
    pub clean: Capture,
    pub damaged: Capture,
}

impl Layout {
    /// Whether unit, label, heading or request says what each number is.
    pub fn names_its_columns(&self) -> bool {
        self.text != TextKind::Alone
            && !matches!(self.family, Family::Packed | Family::Registers | Family::Floats | Family::Pulses)
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Marks {
    Ends(&'static [u8]),
    StxEtx(&'static [u8]),
    None,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum CheckForm {
    None,
    Sum,
    Negated,
    Xor,
    Arc,
    Modbus,
    Ccitt,
    Xmodem,
    Kermit,
}

#[derive(Debug, Clone)]
struct Dress {
    marks: Marks,
    check: CheckForm,
    hex: bool,
    low_first: bool,
    covers_etx: bool,
    sign: &'static [u8],
    parity: Option<bool>,
    encoding: Encoding,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Encoding {
    Utf8,
    Latin1,
    Cp437,
}

fn crc(bytes: &[u8], poly: u16, start: u16, reflected: bool) -> u16 {
    let mut value = start;
    for b in bytes {
        if reflected {
            value ^= u16::from(*b);
            for _ in 0..8 {
                value = if value & 1 == 1 { (value >> 1) ^ poly.reverse_bits() } else { value >> 1 };
            }
        } else {
            value ^= u16::from(*b) << 8;
            for _ in 0..8 {
                value = if value & 0x8000 != 0 { (value << 1) ^ poly } else { value << 1 };
            }
        }
    }
    value
}

impl CheckForm {
    fn value(self, bytes: &[u8]) -> Vec<u8> {
        let sum = bytes.iter().fold(0_u8, |s, b| s.wrapping_add(*b));
        match self {
            Self::None => Vec::new(),
            Self::Sum => vec![sum],
            Self::Negated => vec![sum.wrapping_neg()],
            Self::Xor => vec![bytes.iter().fold(0, |s, b| s ^ b)],
            Self::Arc => crc(bytes, 0x8005, 0, true).to_be_bytes().to_vec(),
            Self::Modbus => crc(bytes, 0x8005, 0xffff, true).to_be_bytes().to_vec(),
            Self::Ccitt => crc(bytes, 0x1021, 0xffff, false).to_be_bytes().to_vec(),
            Self::Xmodem => crc(bytes, 0x1021, 0, false).to_be_bytes().to_vec(),
            Self::Kermit => crc(bytes, 0x1021, 0, true).to_be_bytes().to_vec(),
        }
    }
}

impl Dress {
    fn random(rng: &mut ChaCha8Rng, talk: &Talk) -> Self {
        let registers = matches!(talk.family, Family::Registers | Family::Floats);
        let line = *pick(rng, &[b"\r\n".as_slice(), b"\r\n", b"\r\n", b"\n", b"\r"]);
        let mut dress = Self {
            marks: Marks::Ends(line),
            check: CheckForm::None,
            hex: true,
            low_first: false,
            covers_etx: true,
            sign: b"",
            parity: None,
            encoding: if talk.frames.iter().any(|f| f.text.contains('\u{2212}')) {
                Encoding::Utf8
            } else {
                *pick(rng, &[Encoding::Utf8, Encoding::Latin1, Encoding::Cp437])
            },
        };
        if registers {
            dress.marks = Marks::Ends(b"\r\n");
            return dress;
        }
        let many = [
            CheckForm::Sum,
            CheckForm::Negated,
            CheckForm::Xor,
            CheckForm::Arc,
            CheckForm::Modbus,
            CheckForm::Ccitt,
            CheckForm::Xmodem,
            CheckForm::Kermit,
        ];
        match rng.random_range(0..100) {
            0..16 => {
                dress.marks = Marks::StxEtx(*pick(rng, &[b"\r\n".as_slice(), b"\r", b"", b"\n"]));
                dress.check = if rng.random_bool(0.75) { *pick(rng, &many) } else { CheckForm::None };
                dress.hex = rng.random_bool(0.7);
                dress.low_first = rng.random_bool(0.3);
                dress.covers_etx = rng.random_bool(0.7);
            }
            16..25 => {
                dress.check = *pick(rng, &many[..3]);
                dress.sign = *pick(rng, &[b"*".as_slice(), b"*", b"", b" "]);
            }
            25..30 => dress.marks = Marks::None,
            30..34 => {
                dress.marks =
                    Marks::Ends(*pick(rng, &[b"\x03".as_slice(), b"\x04", b"#", b">", b"\x1e", b"!"]))
            }
            _ => {}
        }
        if !talk.non_ascii && dress.hex && rng.random_bool(0.08) {
            dress.parity = Some(rng.random_bool(0.5));
        }
        dress
    }

    fn encode(&self, text: &str) -> Vec<u8> {
        match self.encoding {
            Encoding::Utf8 => text.as_bytes().to_vec(),
            Encoding::Latin1 => text.chars().map(|c| u8::try_from(c as u32).unwrap_or(b'?')).collect(),
            Encoding::Cp437 => text
                .chars()
                .map(|c| match c {
                    '\u{b0}' => 0xf8,
                    '\u{b5}' => 0xe6,
                    c => u8::try_from(c as u32).unwrap_or(b'?'),
                })
                .collect(),
        }
    }

    fn ending(&self) -> &'static [u8] {
        match self.marks {
            Marks::Ends(e) => e,
            Marks::StxEtx(_) => b"\x03",
            Marks::None => b"",
        }
    }

    fn frame(&self, text: &str) -> Vec<u8> {
        let body = self.encode(text);
        let value = |bytes: &[u8]| {
            let mut v = self.check.value(bytes);
            if self.low_first {
                v.reverse();
            }
            if self.hex { v.iter().flat_map(|b| format!("{b:02X}").into_bytes()).collect() } else { v }
        };
        let mut out = Vec::new();
        match self.marks {
            Marks::Ends(end) => {
                out.extend(&body);
                if self.check != CheckForm::None {
                    out.extend(self.sign);
                    out.extend(value(&body));
                }
                out.extend(end);
            }
            Marks::StxEtx(tail) => {
                out.push(2);
                out.extend(&body);
                out.push(3);
                let covered = if self.covers_etx { &out[1..] } else { &out[1..out.len() - 1] };
                let check = value(covered);
                out.extend(check);
                out.extend(tail);
            }
            Marks::None => out.extend(&body),
        }
        out
    }

    fn parity(&self, bytes: &mut [u8]) {
        if let Some(even) = self.parity {
            for b in bytes {
                if (b.count_ones() % 2 == 1) == even {
                    *b |= 0x80;
                }
            }
        }
    }
}

/// The layout of this seed.
pub fn layout(seed: u64) -> Layout {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let talk = compose::talk(&mut rng);
    let dress = Dress::random(&mut rng, &talk);
    let baud = *pick(&mut rng, &[1_200, 2_400, 4_800, 9_600, 9_600, 9_600, 19_200]);
    let clean = put(&mut rng, &talk, &dress, baud, false);
    let damaged = put(&mut rng, &talk, &dress, baud, true);
    Layout {
        seed,
        family: talk.family,
        text: talk.text,
        framing: format!("{:?} {:?}{}", dress.marks, dress.check, dress.parity.map_or("", |_| " parity")),
        baud,
        columns: talk.columns,
        clean,
        damaged,
    }
}

/// Judges damaged bytes by the strict and the loose pattern of the line.
fn judge(
    frame: &FrameOut,
    whole: &[u8],
    hurt: &[u8],
    dress: &Dress,
    patterns: &mut HashMap<String, regex::Regex>,
) -> (Damage, Vec<Option<f64>>) {
    let none = vec![None; frame.truth.len()];
    if hurt.windows(whole.len()).any(|w| w == whole) && !matches!(dress.marks, Marks::None) {
        return (Damage::Harmless, none);
    }
    if dress.check != CheckForm::None || frame.strict.is_empty() {
        return (Damage::Shows, none);
    }
    let ending = dress.ending();
    let body = match dress.marks {
        Marks::Ends(_) => hurt.strip_suffix(ending),
        Marks::StxEtx(_) => {
            hurt.strip_prefix(b"\x02").and_then(|h| h.iter().position(|b| *b == 3).map(|e| &h[..e]))
        }
        Marks::None => Some(hurt),
    };
    let Some(body) = body else { return (Damage::Shows, none) };
    // NUL and other controls are no text.
    let text: String = match dress.encoding {
        Encoding::Utf8 => String::from_utf8_lossy(body).into_owned(),
        Encoding::Latin1 => body.iter().map(|b| char::from(*b)).collect(),
        Encoding::Cp437 => body
            .iter()
            .map(|b| match b {
                0xf8 => '\u{b0}',
                0xe6 => '\u{b5}',
                b => char::from(*b),
            })
            .collect(),
    };
    for (pattern, kind) in [(&frame.strict, Damage::Hidden), (&frame.loose, Damage::Digits)] {
        let regex = patterns.entry(pattern.clone()).or_insert_with(|| regex::Regex::new(pattern).unwrap());
        let Some(found) = regex.captures(&text) else { continue };
        let looks: Vec<Option<f64>> = frame
            .forms
            .iter()
            .enumerate()
            .map(|(k, f)| found.get(k + 1).and_then(|m| f.read(m.as_str())))
            .collect();
        let widths = kind == Damage::Hidden
            && frame.forms.iter().enumerate().any(|(k, f)| {
                f.width > 0 && found.get(k + 1).is_some_and(|m| m.as_str().chars().count() != f.width)
            });
        let same =
            looks.iter().zip(&frame.truth).all(|(l, t)| match (l, t.value.map(|v| t.pulses.unwrap_or(v))) {
                (Some(a), Some(b)) => (a - b).abs() < 1e-9,
                (None, None) => true,
                _ => false,
            });
        let kind = if same {
            Damage::Harmless
        } else if widths {
            Damage::Digits
        } else {
            kind
        };
        return (kind, looks);
    }
    (Damage::Shows, none)
}

fn put(rng: &mut ChaCha8Rng, talk: &Talk, dress: &Dress, baud: u32, bad: bool) -> Capture {
    let mut chunks = Vec::new();
    let mut truth: Vec<Truth> = Vec::new();
    let mut patterns = HashMap::new();
    let byte_s = 10.0 / f64::from(baud);
    let mut now = 1.0_f64;
    let mut begun = 1.0_f64;
    if bad && rng.random_bool(0.6) {
        let junk: Vec<u8> = (0..rng.random_range(3..14))
            .map(|_| *pick(rng, &[0xff_u8, 0xfe, 0x80, 0x00, 0x7f, 0xe0, b'?', 0x9c]))
            .collect();
        chunks.push(Chunk { at_s: 0.3, sent: false, bytes: junk });
    }
    let echo = bad && rng.random_bool(0.6);
    let total = talk.frames.len();
    // A frame that lost its end runs into the next one.
    let mut joined = false;
    for (index, frame) in talk.frames.iter().enumerate() {
        let whole = dress.frame(&frame.text);
        let mut bytes = whole.clone();
        let mut damage: Option<(Damage, Vec<Option<f64>>)> = joined.then(|| (Damage::Shows, Vec::new()));
        joined = false;
        let mut pause_at: Option<usize> = None;
        if bad && !frame.bare {
            if rng.random_bool(0.15) {
                let at = rng.random_range(0..bytes.len());
                match rng.random_range(0..7) {
                    0 | 1 => {
                        bytes.remove(at);
                    }
                    2 => bytes.insert(at, bytes[at]),
                    3 => bytes.insert(at, *pick(rng, &[0_u8, 12, b'?', 0x7f, b'x', 27])),
                    4 => bytes.truncate(at.max(1)),
                    5 if !dress.ending().is_empty()
                        && index + 1 < total
                        && !talk.frames[index + 1].bare
                        && talk.family != Family::Asked
                        && talk.family != Family::AskedInTurn =>
                    {
                        let end = dress.ending().len()
                            + if matches!(dress.marks, Marks::StxEtx(_)) { 1 } else { 0 };
                        bytes.truncate(bytes.len().saturating_sub(end.min(bytes.len() - 1)));
                        joined = true;
                    }
                    _ => bytes.insert(0, 0),
                }
                // Bytes cut off the end may take the end mark with them: the next frame is hurt as well.
                if !dress.ending().is_empty()
                    && !bytes.ends_with(dress.ending())
                    && matches!(dress.marks, Marks::Ends(_))
                {
                    joined = true;
                }
                let verdict = if joined {
                    (Damage::Shows, vec![None; frame.truth.len()])
                } else {
                    judge(frame, &whole, &bytes, dress, &mut patterns)
                };
                if damage.is_none() {
                    damage = Some(verdict);
                }
            } else if rng.random_bool(0.06) && bytes.len() > 4 && !matches!(dress.marks, Marks::None) {
                pause_at = Some(rng.random_range(1..bytes.len() - 1));
            }
        }
        dress.parity(&mut bytes);
        // An instrument keeps its pace from start to start; a slow line only makes it late.
        begun += frame.wait_s;
        begun = begun.max(now);
        now = begun;
        if let Some(request) = &frame.request {
            chunks.push(Chunk { at_s: now, sent: true, bytes: request.as_bytes().to_vec() });
            if echo && (total / 3..total * 2 / 3).contains(&index) {
                let mut echoed = request.as_bytes().to_vec();
                dress.parity(&mut echoed);
                chunks.push(Chunk { at_s: now + 0.002, sent: false, bytes: echoed });
            }
            now += rng.random_range(0.05..0.4);
        }
        // The driver hands over in pieces.
        let mut cuts: Vec<usize> =
            (0..rng.random_range(0..3)).map(|_| rng.random_range(1..=bytes.len())).collect();
        cuts.extend(pause_at);
        cuts.push(bytes.len());
        cuts.sort_unstable();
        cuts.dedup();
        let mut from = 0;
        for cut in cuts {
            now += (cut - from) as f64 * byte_s;
            chunks.push(Chunk { at_s: now, sent: false, bytes: bytes[from..cut].to_vec() });
            if pause_at == Some(cut) {
                now += rng.random_range(0.15..0.6);
            }
            from = cut;
        }
        for (k, t) in frame.truth.iter().enumerate() {
            let mut t = t.clone();
            if let Some((kind, looks)) = &damage {
                t.damage = Some(*kind);
                t.looks = looks.get(k).copied().flatten();
            }
            truth.push(t);
        }
    }
    Capture { chunks, truth, also: talk.also.clone() }
}
