//! Random instruments: what they measure, and how they write it. Every layout is invented by the dice.

use super::score::Truth;
use super::words;
use dropwise::reading::{Quantity, Unit};
use rand::prelude::*;
use rand_chacha::ChaCha8Rng;

/// What text stands beside the numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum TextKind {
    Unit,
    Label,
    Both,
    Heading,
    Request,
    Alone,
}

/// The build of the instrument's talk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Family {
    Plain,
    Block,
    Table,
    Asked,
    AskedInTurn,
    TwoInstruments,
    Packed,
    Registers,
    Floats,
    Pulses,
}

/// One measured column: the numbers as meant.
#[derive(Debug, Clone)]
pub struct Series {
    pub quantity: Quantity,
    pub unit: Unit,
    pub values: Vec<f64>,
    pub decimals: usize,
    /// Volume that went on growing through refills.
    pub grown: Option<Vec<f64>>,
}

/// How a number is written.
#[derive(Debug, Clone)]
pub struct NumberForm {
    pub decimals: usize,
    pub comma: bool,
    pub sign: SignForm,
    pub width: usize,
    pub zeros: usize,
    pub thousands: Option<char>,
    pub exponent: bool,
    /// The decimal sign is left out.
    pub implied: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignForm {
    Minus,
    Always,
    Apart,
    Behind,
    True,
}

impl NumberForm {
    pub fn write(&self, value: f64) -> String {
        let minus = value < 0.0;
        let mut digits = if self.implied {
            format!(
                "{:0>1$}",
                (value.abs() * 10f64.powi(self.decimals as i32)).round() as i64,
                self.zeros.max(1)
            )
        } else if self.exponent {
            let text = format!("{:.*e}", self.decimals, value.abs());
            let (mantissa, power) = text.split_once('e').unwrap_or((&text, "0"));
            let power: i32 = power.parse().unwrap_or(0);
            format!("{mantissa}E{}{:02}", if power < 0 { '-' } else { '+' }, power.abs())
        } else {
            let text = format!("{:.*}", self.decimals, value.abs());
            let (whole, part) = text.split_once('.').map_or((text.as_str(), None), |(w, p)| (w, Some(p)));
            let mut whole = format!("{whole:0>0$}", self.zeros.max(1));
            if let Some(mark) = self.thousands {
                let mut at = whole.len();
                while at > 3 {
                    at -= 3;
                    whole.insert(at, mark);
                }
            }
            part.map_or(whole.clone(), |p| format!("{whole}.{p}"))
        };
        if self.comma {
            digits = digits.replace('.', ",");
            if self.thousands == Some('.') {
                let last = digits.rfind(',').filter(|_| self.decimals > 0);
                digits = digits
                    .char_indices()
                    .map(|(i, c)| if c == ',' && Some(i) != last { '.' } else { c })
                    .collect();
            }
        }
        let text = match self.sign {
            SignForm::Minus => format!("{}{digits}", if minus { "-" } else { "" }),
            SignForm::True => format!("{}{digits}", if minus { "\u{2212}" } else { "" }),
            SignForm::Always => format!("{}{digits}", if minus { "-" } else { "+" }),
            SignForm::Apart => format!("{} {digits}", if minus { "-" } else { "+" }),
            SignForm::Behind => format!("{digits}{}", if minus { "-" } else { "" }),
        };
        format!("{text:>0$}", self.width)
    }

    /// The strict pattern of such a number, with the blanks before it.
    pub fn pattern(&self, loose: bool) -> String {
        let digits = if self.implied {
            if loose { r"\d+".to_owned() } else { format!(r"\d{{{},}}", self.zeros.max(1)) }
        } else {
            let point = if self.comma { "," } else { r"\." };
            let whole = match (self.zeros, self.thousands, loose) {
                (_, _, true) => r"[\d. ']*".to_owned(),
                (z, None, _) if z > 1 => format!(r"\d{{{z},}}"),
                (_, Some(_), _) => r"\d[\d. ']*".to_owned(),
                _ => r"(?:0|[1-9]\d*)".to_owned(),
            };
            let part = match (self.decimals, loose) {
                (_, true) => format!(r"(?:{point}\d*)?"),
                (0, _) => String::new(),
                (d, _) => format!(r"{point}\d{{{d}}}"),
            };
            let power = if self.exponent { if loose { r"(?:E[+-]?\d*)?" } else { r"E[+-]\d\d" } } else { "" };
            format!("{whole}{part}{power}")
        };
        match (self.sign, loose) {
            (SignForm::Behind, _) => format!(r" *{digits}-?"),
            (_, true) => format!(r" *(?:[+-]|\u{{2212}})? *{digits}"),
            (SignForm::Minus, _) => format!(r" *-?{digits}"),
            (SignForm::True, _) => format!(r" *\u{{2212}}?{digits}"),
            (SignForm::Always, _) => format!(r" *[+-]{digits}"),
            (SignForm::Apart, _) => format!(r" *[+-] {digits}"),
        }
    }

    /// What such a text says.
    pub fn read(&self, text: &str) -> Option<f64> {
        let minus = text.contains('-') && !self.exponent
            || text.contains('\u{2212}')
            || text.trim_start().starts_with('-');
        let mut plain: String = text
            .chars()
            .filter(|c| c.is_ascii_digit() || matches!(c, '.' | ',' | 'E') || self.exponent && *c == '-')
            .collect();
        if self.comma {
            plain = plain.replace('.', "").replace(',', ".");
        }
        let plain = plain.trim_start_matches('-');
        let value: f64 = plain.parse().ok()?;
        let value = if self.implied { value / 10f64.powi(self.decimals as i32) } else { value };
        Some(if minus { -value } else { value })
    }
}

/// A part of a line.
#[derive(Debug, Clone)]
pub enum Part {
    Text(String),
    /// Column number.
    Number(usize),
    Counter {
        digits: usize,
        wraps: usize,
    },
    Clock,
    Date,
    Flag {
        steady: String,
        moving: String,
    },
}

/// One line as the instrument meant it.
#[derive(Debug, Clone)]
pub struct FrameOut {
    pub text: String,
    pub truth: Vec<Truth>,
    pub strict: String,
    pub loose: String,
    /// Forms of the numbers in the order of the truth.
    pub forms: Vec<NumberForm>,
    /// A bare part that is no reading: headings, titles, results.
    pub bare: bool,
    /// Seconds after the frame before.
    pub wait_s: f64,
    /// The request that it answers.
    pub request: Option<String>,
}

/// A random layout, before it goes on the wire.
pub struct Talk {
    pub family: Family,
    pub text: TextKind,
    pub frames: Vec<FrameOut>,
    pub also: Vec<Truth>,
    pub columns: Vec<Quantity>,
    pub non_ascii: bool,
}

pub fn pick<'a, T>(rng: &mut ChaCha8Rng, list: &'a [T]) -> &'a T {
    &list[rng.random_range(0..list.len())]
}

fn noise(rng: &mut ChaCha8Rng) -> f64 {
    (0..6).map(|_| rng.random_range(-1.0..1.0)).sum::<f64>() / 2.5
}

/// The numbers of a run: a titration or a stream.
pub fn series(rng: &mut ChaCha8Rng, wanted: &[Quantity], rows: usize, period_s: f64) -> Vec<Series> {
    let total = rng.random_range(5.0..25.0_f64);
    let end = rng.random_range(0.5..0.8);
    let temperature = rng.random_range(18.0..28.0);
    let slope = rng.random_range(52.0..59.5);
    let low = rng.random_range(1.5..5.0);
    let high = rng.random_range(9.0..12.5);
    let falls = rng.random_bool(0.3);
    let centre = rng.random_range(-60.0..60.0);
    let linked = wanted.contains(&Quantity::Ph) && wanted.contains(&Quantity::Emf);
    // Steps of a burette: equal, of a few sizes, or with waiting between them.
    let kind = rng.random_range(0..3);
    let step = [0.05, 0.1, 0.15, 0.2, 0.25, 0.5][rng.random_range(0..6)];
    let mut x: Vec<f64> = Vec::with_capacity(rows);
    let mut volume = 0.0_f64;
    for i in 0..rows {
        x.push(volume);
        volume += match kind {
            0 => step,
            1 => step * [1.0, 2.0, 0.4, 1.0][rng.random_range(0..4)],
            _ if i % 3 == 2 => step,
            _ => 0.0,
        };
    }
    let last = x[rows - 1].max(1e-6);
    let f: Vec<f64> = x.iter().map(|v| v / last).collect();
    let sigmoid = |f: f64| 1.0 / (1.0 + (-(f - end) * 30.0).exp()) * 0.75 + 0.25 * f;
    let ph: Vec<f64> = f
        .iter()
        .map(|f| {
            let s = sigmoid(*f);
            if falls { high - (high - low) * s } else { low + (high - low) * s }
        })
        .collect();
    let mass_scale = 1.002;
    let abs0 = rng.random_range(0.3..1.6);
    let mut out = Vec::new();
    for q in wanted {
        let (unit, decimals, values): (Unit, usize, Vec<f64>) = match q {
            Quantity::Volume => (Unit::Millilitre, *pick(rng, &[2, 3, 3]), x.clone()),
            Quantity::Ph => {
                (Unit::Ph, *pick(rng, &[2, 2, 3]), ph.iter().map(|p| p + 0.008 * noise(rng)).collect())
            }
            Quantity::Emf if linked => (
                Unit::Millivolt,
                *pick(rng, &[1, 1, 0]),
                ph.iter().map(|p| (7.0 - p) * slope + 0.3 * noise(rng)).collect(),
            ),
            Quantity::Emf => {
                let volts = rng.random_bool(0.1);
                let (scale, unit, d) = if volts {
                    (0.001, Unit::Volt, 4)
                } else {
                    (1.0, Unit::Millivolt, *pick(rng, &[1, 1, 0, 2]))
                };
                (
                    unit,
                    d,
                    f.iter()
                        .map(|f| {
                            (centre
                                + 250.0 * (sigmoid(*f) - 0.5) * if falls { -1.5 } else { 1.5 }
                                + 0.4 * noise(rng))
                                * scale
                        })
                        .collect(),
                )
            }
            Quantity::Temperature => {
                let t0 = temperature;
                (
                    Unit::Celsius,
                    *pick(rng, &[1, 1, 1, 2]),
                    f.iter().map(|f| t0 + 0.6 * f + 0.08 * noise(rng)).collect(),
                )
            }
            Quantity::Conductance => {
                let milli = rng.random_bool(0.4);
                let base = rng.random_range(400.0..4_000.0);
                let (scale, unit, d) = if milli {
                    (0.001, Unit::MillisiemensPerCm, 3)
                } else {
                    (1.0, Unit::MicrosiemensPerCm, *pick(rng, &[0, 1, 1]))
                };
                (
                    unit,
                    d,
                    f.iter()
                        .map(|f| base * (0.25 + 0.9 * (f - end).abs() + 0.002 * noise(rng)) * scale)
                        .collect(),
                )
            }
            Quantity::Absorbance => (
                Unit::Absorbance,
                *pick(rng, &[3, 3, 4]),
                f.iter()
                    .map(|f| (abs0 * (1.0 - f / end).max(0.02) + 0.002 * noise(rng)).max(0.001))
                    .collect(),
            ),
            Quantity::Transmittance => (
                Unit::Percent,
                *pick(rng, &[1, 1, 2]),
                f.iter().map(|f| 100.0 * 10f64.powf(-(abs0 * (1.0 - f / end).max(0.02)))).collect(),
            ),
            Quantity::Current => {
                let nano = rng.random_bool(0.2);
                let (unit, scale) = if nano { (Unit::Nanoampere, 10.0) } else { (Unit::Microampere, 1.0) };
                (
                    unit,
                    *pick(rng, &[1, 2, 2]),
                    f.iter()
                        .map(|f| (50.0 * (1.0 - f / end).max(0.003) + 0.05 * noise(rng)).abs() * scale)
                        .collect(),
                )
            }
            Quantity::Mass => {
                let still = !wanted.contains(&Quantity::Ph) && rng.random_bool(0.5);
                let heap = rng.random_range(0.5..80.0);
                (
                    Unit::Gram,
                    *pick(rng, &[3, 4, 4, 2]),
                    if still {
                        (0..rows).map(|i| heap * (1 + i / 9) as f64 / 4.0 + 0.0003 * noise(rng)).collect()
                    } else {
                        x.iter().map(|v| v * mass_scale).collect()
                    },
                )
            }
            Quantity::Time => {
                let minutes = rng.random_bool(0.2);
                let (unit, scale, d) = if minutes {
                    (Unit::Minute, 1.0 / 60.0, 3)
                } else {
                    (Unit::Second, 1.0, *pick(rng, &[0, 1, 1]))
                };
                (unit, d, (0..rows).map(|i| i as f64 * period_s * scale).collect())
            }
            Quantity::Voltage => {
                (Unit::Millivolt, 0, f.iter().map(|f| 550.0 - 450.0 * sigmoid(*f)).collect())
            }
        };
        // The truth is what is written: rounded to the decimals.
        let values: Vec<f64> = values
            .iter()
            .map(|v| format!("{v:.decimals$}").parse().unwrap_or(*v))
            .map(|v: f64| if v == 0.0 { 0.0 } else { v })
            .collect();
        out.push(Series { quantity: *q, unit, values, decimals, grown: None });
    }
    // A burette that is refilled begins again at nought.
    if rng.random_bool(0.12)
        && let Some(s) = out.iter_mut().find(|s| s.quantity == Quantity::Volume)
        && s.values.last().copied().unwrap_or(0.0) > 4.0
    {
        let full = (total / 2.0).clamp(2.0, 10.0);
        let grown = s.values.clone();
        let d = s.decimals;
        s.values = grown.iter().map(|v| format!("{:.d$}", v % full).parse().unwrap_or(0.0)).collect();
        s.grown = Some(grown);
    }
    out
}

/// Sets of quantities that stand together on a bench.
pub fn quantities(rng: &mut ChaCha8Rng) -> Vec<Quantity> {
    use Quantity::{
        Absorbance as A, Conductance as C, Current as I, Emf as E, Mass as M, Ph as P, Temperature as T,
        Time as S, Transmittance as R, Voltage as U, Volume as V,
    };
    let sets: &[&[Quantity]] = &[
        &[V, P],
        &[V, P],
        &[V, E],
        &[V, E],
        &[V, P, T],
        &[P, E, T],
        &[P, T],
        &[E],
        &[P],
        &[V, C],
        &[C, T],
        &[V, A],
        &[A, R],
        &[V, I],
        &[M],
        &[M, P],
        &[V, E, T],
        &[S, V, E],
        &[V],
        &[V, P, E, T],
        &[V, C, T],
        &[S, P, T],
        &[M, E],
        &[P, E],
        &[V, U],
        &[A],
        &[S, E],
        &[V, M],
    ];
    let set = pick(rng, sets);
    let mut set = set.to_vec();
    if rng.random_bool(0.2) {
        set.shuffle(rng);
    }
    set
}

/// The words around one number.
#[derive(Debug, Clone)]
pub struct Naming {
    pub label: String,
    pub unit: String,
}

pub fn naming(rng: &mut ChaCha8Rng, series: &[Series], short: bool) -> Vec<Naming> {
    let language = rng.random_range(0..words::LANGUAGES);
    let capitals = rng.random_bool(0.5);
    series
        .iter()
        .map(|s| {
            let label = if short {
                words::letter(s.quantity).to_owned()
            } else {
                words::label(rng, s.quantity, language).to_owned()
            };
            let label = if label == "mV" && s.unit != Unit::Millivolt { "EMF".to_owned() } else { label };
            let label = if capitals { label.to_uppercase() } else { label };
            Naming { label, unit: words::unit(rng, s.unit).to_owned() }
        })
        .collect()
}

pub fn truth_of(s: &Series, row: usize, value: Option<f64>) -> Truth {
    Truth {
        quantity: s.quantity,
        value,
        unit: Some(s.unit),
        valid: value.is_some(),
        damage: None,
        looks: None,
        late: false,
        grown: s.grown.as_ref().map(|g| g[row]),
        pulses: None,
    }
}
