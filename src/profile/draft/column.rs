//! A column of numbers: its shape, and how it behaves.

use super::template::{Line, Slot, Template};
use super::text::{Number, SignPlace};
use super::words;
use crate::reading::{Quantity, Unit};
use std::collections::HashMap;

/// The written shape of the numbers of a column.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Shape {
    /// Counts of decimals that belong to the column, the commonest first.
    pub(super) decimals: Vec<usize>,
    /// Fewest and most digits before the decimal sign.
    pub(super) whole: (usize, usize),
    /// Noughts fill the number to a fixed count of digits.
    pub(super) padded: bool,
    pub(super) signs: Vec<SignPlace>,
    pub(super) plus: bool,
    pub(super) negative: bool,
    pub(super) exponent: bool,
    pub(super) grouped: bool,
}

/// How the values run.
#[derive(Debug, Clone, Default)]
pub(super) struct Run {
    pub(super) count: usize,
    pub(super) first: f64,
    pub(super) last: f64,
    pub(super) min: f64,
    pub(super) max: f64,
    /// Nine of ten values lie between these.
    pub(super) usual: (f64, f64),
    /// Share of steps that do not fall.
    pub(super) rising: f64,
    /// Share of steps that rise.
    pub(super) climbing: f64,
    /// Falls that go back near nought, and those of them that go so near that they cannot be a lost digit.
    pub(super) refills: usize,
    pub(super) refills_at_zero: usize,
    /// Share of rising steps that have one of the four commonest sizes.
    pub(super) few_steps: f64,
    /// Integers that grow by one each line.
    pub(super) counter: bool,
    /// Never changes.
    pub(super) constant: bool,
    /// Slope against arrival time where the values lie on that line.
    pub(super) clock: Option<f64>,
    /// Median size of a change.
    pub(super) change: f64,
}

impl Run {
    pub(super) fn range(&self) -> f64 {
        self.max - self.min
    }
}

/// One column.
#[derive(Debug, Clone)]
pub(super) struct Column {
    pub(super) template: usize,
    pub(super) slot: usize,
    /// Line and value, in the canonical unit where units change by themselves.
    pub(super) values: Vec<(usize, f64)>,
    pub(super) shape: Shape,
    pub(super) run: Run,
    /// The digits are steady enough that a line with others is damage.
    pub(super) guarded: bool,
    /// What speaks for which quantity: weight and where it comes from.
    pub(super) evidence: Vec<(Quantity, f64, String)>,
    /// Text says that it is no reading; where from.
    pub(super) other: Option<String>,
    /// The unit in each spelling, where one was seen.
    pub(super) units: Vec<(String, Unit)>,
    /// Power of ten that makes the digits a value, where the decimal sign is left out.
    pub(super) scale: Option<(i32, f64)>,
    /// It counts pulses of a burette, and the volume of one in mL where that is known.
    pub(super) is_pulses: bool,
    pub(super) pulse_ml: Option<f64>,
    /// Words that were taken as its label.
    pub(super) label: Option<String>,
}

impl Column {
    /// Reads a number slot of a build.
    pub(super) fn read(index: usize, template: &Template, slot: usize, lines: &[Line]) -> Option<Self> {
        let numbers: Vec<(usize, &Number)> = template
            .lines
            .iter()
            .filter_map(|i| template.token(&lines[*i], slot).and_then(|t| t.number()).map(|n| (*i, n)))
            .collect();
        if numbers.len() < 2 {
            return None;
        }
        let unit_at = |i: usize| -> Option<Unit> {
            if !matches!(template.slots.get(slot + 1), Some(Slot::Units(_))) {
                return None;
            }
            template.token(&lines[i], slot + 1).and_then(|t| words::unit(&t.text)).map(|u| u.0)
        };
        let mut by_decimals: HashMap<usize, usize> = HashMap::new();
        for (_, n) in &numbers {
            *by_decimals.entry(n.decimals).or_default() += 1;
        }
        let mut decimals: Vec<(usize, usize)> = by_decimals.into_iter().collect();
        decimals.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
        let top = decimals[0].1 as f64 / numbers.len() as f64;
        // Where the count of decimals changes by itself the commoner counts cover nearly all lines.
        let several: Vec<(usize, usize)> =
            decimals.iter().filter(|(_, n)| *n * 8 >= numbers.len()).copied().collect();
        let guarded = top >= 0.7;
        let allowed: Vec<usize> = if guarded {
            decimals.iter().filter(|(_, n)| *n * 100 >= numbers.len() * 14).map(|d| d.0).collect()
        } else {
            several.iter().map(|d| d.0).collect()
        };
        let fit: Vec<(usize, &Number)> = numbers
            .iter()
            .filter(|(_, n)| allowed.is_empty() || allowed.contains(&n.decimals))
            .copied()
            .collect();
        let values: Vec<(usize, f64)> =
            fit.iter().map(|(i, n)| (*i, unit_at(*i).map_or(n.value, |u| u.to_canonical(n.value)))).collect();
        let kept = without_outliers(&values);
        if kept.len() < 2 {
            return None;
        }
        let shape = shape(&fit, allowed);
        let run = run(&kept, lines, shape.decimals.first().copied().unwrap_or(0));
        Some(Self {
            template: index,
            slot,
            values: kept,
            shape,
            run,
            guarded,
            evidence: Vec::new(),
            other: None,
            units: Vec::new(),
            scale: None,
            is_pulses: false,
            pulse_ml: None,
            label: None,
        })
    }

    /// A column of values that were not written as text (registers).
    pub(super) fn from_values(values: Vec<(usize, f64)>, lines: &[Line], decimals: usize) -> Option<Self> {
        if values.len() < 2 {
            return None;
        }
        let run = run(&values, lines, decimals);
        let shape = Shape {
            decimals: vec![decimals],
            whole: (1, 6),
            padded: false,
            signs: vec![SignPlace::None],
            plus: false,
            negative: run.min < 0.0,
            exponent: false,
            grouped: false,
        };
        Some(Self {
            template: usize::MAX,
            slot: 0,
            values,
            shape,
            run,
            guarded: false,
            evidence: Vec::new(),
            other: None,
            units: Vec::new(),
            scale: None,
            is_pulses: false,
            pulse_ml: None,
            label: None,
        })
    }

    /// The combined weight for a quantity: 1 - product of (1 - weight).
    pub(super) fn weight(&self, quantity: Quantity) -> f64 {
        1.0 - self.evidence.iter().filter(|(q, ..)| *q == quantity).map(|(_, w, _)| 1.0 - w).product::<f64>()
    }

    /// The volume of one pulse is known: the column is a volume.
    pub(super) fn set_pulse(&mut self, size_ml: f64) {
        self.pulse_ml = Some(size_ml);
        self.other = None;
        self.evidence.push((Quantity::Volume, 0.9, format!("pulses of {size_ml} mL")));
        self.units = vec![(String::new(), Unit::Millilitre)];
        self.scale = None;
    }

    pub(super) fn main_decimals(&self) -> usize {
        self.shape.decimals.first().copied().unwrap_or(0)
    }
}

/// Drops values far from the median of their neighbours: a lost decimal point, not a jump.
fn without_outliers(values: &[(usize, f64)]) -> Vec<(usize, f64)> {
    if values.len() < 7 {
        return values.to_vec();
    }
    let mut changes: Vec<f64> = values.windows(2).map(|w| (w[1].1 - w[0].1).abs()).collect();
    changes.sort_by(f64::total_cmp);
    let usual = changes[changes.len() * 3 / 4].max(1e-9);
    let kept: Vec<(usize, f64)> = (0..values.len())
        .filter(|i| {
            let from = i.saturating_sub(3).min(values.len() - 7);
            let mut near: Vec<f64> = values[from..from + 7].iter().map(|v| v.1).collect();
            near.sort_by(f64::total_cmp);
            let spread = (near[5] - near[1]).abs().max(usual * 4.0);
            (values[*i].1 - near[3]).abs() <= spread * 6.0
        })
        .map(|i| values[i])
        .collect();
    // Numbers that jump everywhere have no neighbours to be judged by.
    if kept.len() * 10 < values.len() * 7 { values.to_vec() } else { kept }
}

fn shape(numbers: &[(usize, &Number)], decimals: Vec<usize>) -> Shape {
    let least = 1.max(numbers.len() / 50);
    let mut wholes: HashMap<usize, usize> = HashMap::new();
    let mut signs: HashMap<SignPlace, usize> = HashMap::new();
    for (_, n) in numbers {
        *wholes.entry(n.whole).or_default() += 1;
        *signs.entry(n.sign).or_default() += 1;
    }
    let sizes: Vec<usize> = wholes.iter().filter(|(_, n)| **n >= least).map(|(w, _)| *w).collect();
    let padded_count = numbers.iter().filter(|(_, n)| n.padded).count();
    let share = |test: fn(&Number) -> bool| numbers.iter().filter(|(_, n)| test(n)).count();
    let mut places: Vec<SignPlace> =
        signs.into_iter().filter(|(_, n)| *n >= least.min(2)).map(|(s, _)| s).collect();
    places.sort_unstable();
    let common = wholes.into_iter().max_by_key(|(w, n)| (*n, *w)).map_or(1, |(w, _)| w);
    let one_size = numbers.iter().filter(|(_, n)| n.whole == common).count() * 10 >= numbers.len() * 8;
    let padded = one_size && common > 1 && padded_count * 10 >= numbers.len();
    Shape {
        decimals,
        whole: if padded {
            (common, common)
        } else {
            (sizes.iter().copied().min().unwrap_or(1), sizes.iter().copied().max().unwrap_or(1))
        },
        padded,
        signs: places,
        plus: share(|n| n.plus) * 10 > numbers.len(),
        negative: share(|n| n.negative) > 0,
        exponent: share(|n| n.exponent) * 2 > numbers.len(),
        grouped: share(|n| n.grouped) > 0,
    }
}

fn run(values: &[(usize, f64)], lines: &[Line], decimals: usize) -> Run {
    let v: Vec<f64> = values.iter().map(|x| x.1).collect();
    let n = v.len();
    let min = v.iter().copied().fold(f64::INFINITY, f64::min);
    let max = v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let steps: Vec<f64> = v.windows(2).map(|w| w[1] - w[0]).collect();
    let tiny = 10f64.powi(-i32::try_from(decimals.min(12)).unwrap_or(0)) * 0.01;
    let refills =
        v.windows(2).filter(|w| w[0] - w[1] > 0.3 * (max - min) && w[1] - min < 0.25 * (max - min)).count();
    let refills_at_zero =
        v.windows(2).filter(|w| w[0] - w[1] > 0.3 * (max - min) && w[1].abs() < tiny).count();
    let rising = steps.iter().filter(|s| **s >= -tiny).count() as f64 / steps.len() as f64;
    let climbing = steps.iter().filter(|s| **s > tiny).count();
    let mut sizes: HashMap<i64, usize> = HashMap::new();
    for s in steps.iter().filter(|s| **s > tiny) {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "float to integer casts saturate; only equality counts"
        )]
        let key = (s / (tiny * 100.0)).round() as i64;
        *sizes.entry(key).or_default() += 1;
    }
    let mut tops: Vec<usize> = sizes.into_values().collect();
    tops.sort_unstable_by(|a, b| b.cmp(a));
    let few_steps =
        if climbing == 0 { 0.0 } else { tops.iter().take(4).sum::<usize>() as f64 / climbing as f64 };
    let ones = steps.iter().filter(|s| (**s - 1.0).abs() < 1e-9).count();
    let wraps = steps.iter().filter(|s| **s < -1.5).count();
    let mut changes: Vec<f64> = steps.iter().map(|s| s.abs()).collect();
    changes.sort_by(f64::total_cmp);
    Run {
        count: n,
        first: v[0],
        last: v[n - 1],
        min,
        max,
        usual: {
            let mut sorted = v.clone();
            sorted.sort_by(f64::total_cmp);
            (sorted[n / 20], sorted[n - 1 - n / 20])
        },
        rising,
        climbing: climbing as f64 / steps.len() as f64,
        refills,
        refills_at_zero,
        few_steps,
        counter: decimals == 0
            && n >= 3
            && ones * 10 >= (steps.len() - wraps.min(steps.len() / 2)) * 7
            && ones * 2 > steps.len(),
        constant: max - min < tiny,
        clock: clock(values, lines),
        change: changes[changes.len() / 2],
    }
}

/// The slope of the values against arrival time, where they lie on a line.
///
/// It is taken from differences over half the capture: pauses of a bad line shift single arrivals, not the pace.
fn clock(values: &[(usize, f64)], lines: &[Line]) -> Option<f64> {
    if values.len() < 5 {
        return None;
    }
    let points: Vec<(f64, f64)> = values.iter().map(|(i, v)| (lines[*i].at_s, *v)).collect();
    let (_, r) = line_fit(&points)?;
    let half = points.len() / 2;
    let mut slopes: Vec<f64> = (0..points.len() - half)
        .filter_map(|i| {
            let (a, b) = (points[i], points[i + half]);
            (b.0 > a.0).then(|| (b.1 - a.1) / (b.0 - a.0))
        })
        .collect();
    slopes.sort_by(f64::total_cmp);
    (r > 0.998).then(|| slopes.get(slopes.len() / 2).copied()).flatten()
}

/// Slope and correlation of y on x.
pub(super) fn line_fit(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let n = points.len() as f64;
    let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
    let my = points.iter().map(|p| p.1).sum::<f64>() / n;
    let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
    for (x, y) in points {
        sxx += (x - mx) * (x - mx);
        sxy += (x - mx) * (y - my);
        syy += (y - my) * (y - my);
    }
    (sxx > 0.0 && syy > 0.0).then(|| (sxy / sxx, sxy / (sxx * syy).sqrt()))
}

/// Values of two columns that came together: in one line, or as the nearest in time.
pub(super) fn together(a: &Column, b: &Column, lines: &[Line]) -> Vec<(f64, f64)> {
    let mut out = Vec::new();
    let mut j = 0;
    for (i, x) in &a.values {
        let t = lines[*i].at_s;
        while j + 1 < b.values.len()
            && ((lines[b.values[j + 1].0].at_s - t).abs() < (lines[b.values[j].0].at_s - t).abs()
                || b.values[j + 1].0 <= *i)
        {
            j += 1;
        }
        if let Some((k, y)) = b.values.get(j)
            && (*k == *i || a.template != b.template && k.abs_diff(*i) <= 6)
        {
            out.push((*x, *y));
        }
    }
    out
}
