//! What a column measures: what its numbers speak for, checks between columns, and the joint choice.

use super::column::{Column, line_fit, together};
use super::template::Line;
use crate::reading::{Quantity, Unit};

/// Below this a column stays a comment.
pub(super) const LIVE: f64 = 0.4;

/// Whether the numbers of a column can be this quantity at all.
pub(super) fn possible(quantity: Quantity, column: &Column) -> bool {
    let run = &column.run;
    let d = column.main_decimals();
    let exponent = column.shape.exponent;
    match quantity {
        Quantity::Ph => run.usual.0 > -1.5 && run.usual.1 < 15.0 && (d > 0 || exponent),
        Quantity::Volume => {
            run.min > -1.0
                && run.max < 30_000.0
                && (run.rising > 0.75 || run.count < 6)
                && !(d == 0 && run.counter && run.max < 1_000.0)
        }
        Quantity::Temperature => {
            // What climbs with every line, and far, is no beaker that warms.
            let counts = run.rising > 0.97 && run.climbing > 0.9 && run.range() > 30.0 && run.count > 8;
            run.usual.0 > -30.0 && run.usual.1 < 130.0 && !counts
                || run.min > 260.0 && run.max < 380.0 && run.range() < 30.0
        }
        Quantity::Emf | Quantity::Voltage => run.min.abs().max(run.max.abs()) < 6_000.0,
        Quantity::Conductance => run.min > -5.0,
        Quantity::Absorbance => run.min > -0.8 && run.max < 6.5 && (d >= 2 || exponent),
        Quantity::Transmittance => run.min > -6.0 && run.max < 135.0,
        Quantity::Current => true,
        Quantity::Mass => d > 0 || run.max > 20.0,
        Quantity::Time => run.rising > 0.97 && run.min >= 0.0,
    }
}

/// What the numbers alone speak for; at most 0.57.
pub(super) fn by_numbers(column: &mut Column) {
    let run = &column.run;
    let d = column.main_decimals();
    let size = run.max.abs().max(run.min.abs());
    let mut say: Vec<(Quantity, f64)> = Vec::new();
    if run.constant && run.count > 3 {
        // A column that never changes is a setting as likely as a reading.
        if (1..=2).contains(&d) && (10.0..45.0).contains(&run.max) {
            say.push((Quantity::Temperature, 0.35));
        }
        column.evidence.extend(say.into_iter().map(|(q, w)| (q, w, "its numbers".to_owned())));
        return;
    }
    if let Some(slope) = run.clock
        && run.rising > 0.99
        && run.few_steps < 1.01
    {
        for (unit, per_second) in [
            (Unit::Second, 1.0),
            (Unit::Minute, 1.0 / 60.0),
            (Unit::Millisecond, 1_000.0),
            (Unit::Hour, 1.0 / 3_600.0),
        ] {
            if (slope / per_second - 1.0).abs() < 0.02 && !(run.counter && unit == Unit::Second && d == 0) {
                say.push((Quantity::Time, 0.66));
                if column.units.is_empty() {
                    column.units.push((String::new(), unit));
                }
            }
        }
    }
    let near_nought = run.first <= 0.25 * run.max + 1e-9 || run.first < 2.0;
    let rises = run.rising >= 0.96 - 0.02 * run.refills as f64 || run.count < 10 && run.rising > 0.99;
    let is_volume = rises
        && near_nought
        && run.min >= -0.01
        && run.max > 0.2
        && run.climbing > 0.15
        && run.few_steps >= 0.55;
    if is_volume && d > 0 && run.max < 500.0 {
        say.push((Quantity::Volume, if d >= 4 { 0.36 } else { 0.57 }));
    } else if is_volume && d == 0 && run.max >= 200.0 && !run.counter {
        say.push((Quantity::Volume, 0.35));
    } else if rises && near_nought && d > 0 && run.max > 0.2 && run.max < 500.0 && run.climbing > 0.3 {
        say.push((Quantity::Volume, 0.3));
    }
    if possible(Quantity::Ph, column) && d <= 3 && run.min > 0.3 {
        let moves = run.range() >= 0.3;
        say.push((
            Quantity::Ph,
            if is_volume {
                0.15
            } else if run.max < 2.2 {
                0.3
            } else if moves && (d == 2 || d == 3) {
                0.52
            } else if moves {
                0.35
            } else {
                0.3
            },
        ));
    }
    let (low, high) = run.usual;
    if (1..=2).contains(&d) && low > 8.0 && high < 45.0 && high - low < 8.0 && run.change <= 0.3 {
        say.push((Quantity::Temperature, if (15.0..33.0).contains(&low) { 0.55 } else { 0.4 }));
    } else if d == 0 && run.min > 15.0 && run.max < 33.0 && run.range() < 4.0 {
        say.push((Quantity::Temperature, 0.3));
    }
    if d <= 2 && size < 2_100.0 && !is_volume && !run.counter {
        let wide = run.range() > 15.0;
        say.push((
            Quantity::Emf,
            if column.shape.negative && wide {
                0.55
            } else if wide && d <= 1 {
                if size > 1_000.0 { 0.2 } else { 0.37 }
            } else if wide || column.shape.plus {
                0.3
            } else {
                0.12
            },
        ));
    }
    if d >= 3 && run.min > -0.1 && run.max < 4.0 && !is_volume {
        // What climbs from nought in a few sizes of step is rather a volume that was refilled.
        let steps = run.rising > 0.8 && run.few_steps > 0.5 && run.min.abs() < 0.3;
        say.push((
            Quantity::Absorbance,
            if steps {
                0.25
            } else if d == 3 || d == 4 {
                0.38
            } else {
                0.2
            },
        ));
    }
    if d >= 4 && !is_volume && size < 1_000.0 {
        say.push((Quantity::Mass, if run.max > 4.0 { 0.5 } else { 0.35 }));
    } else if d == 4 && is_volume {
        say.push((Quantity::Mass, 0.5));
    } else if d == 3 && run.max > 14.5 && !is_volume {
        say.push((Quantity::Mass, 0.25));
    }
    if run.min > 0.0 && run.max > 15.0 && !is_volume {
        say.push((
            Quantity::Conductance,
            if size > 2_100.0 {
                0.38
            } else if size > 1_000.0 {
                0.36
            } else {
                0.2
            },
        ));
    }
    if d == 1 && run.min >= 0.0 && run.max <= 101.0 && run.range() > 8.0 {
        say.push((Quantity::Transmittance, 0.15));
    }
    if run.min > -1.0 && run.range() > 1.0 && (1..=3).contains(&d) {
        say.push((Quantity::Current, 0.12));
    }
    if column.shape.exponent && size < 3.0 && d >= 3 {
        say.push((Quantity::Emf, 0.35));
    }
    let factor = match run.count {
        0..=4 => 0.6,
        5..=7 => 0.8,
        _ => 1.0,
    };
    // A word that names something else, be it one letter, speaks against what the numbers look like.
    let named: Vec<Quantity> =
        column.evidence.iter().filter(|(_, w, _)| *w >= 0.2).map(|(q, ..)| *q).collect();
    let told = |q: Quantity| if named.is_empty() || named.contains(&q) { 1.0 } else { 0.6 };
    column.evidence.extend(say.into_iter().map(|(q, w)| (q, w * factor * told(q), "its numbers".to_owned())));
}

/// Checks between columns: pH with potential, absorbance with transmittance.
pub(super) fn between(columns: &mut [Column], lines: &[Line]) {
    let n = columns.len().min(24);
    let mut found: Vec<(usize, Quantity, usize, Quantity, f64)> = Vec::new();
    for a in 0..n {
        for b in 0..n {
            if a == b {
                continue;
            }
            let (x, y) = (&columns[a], &columns[b]);
            let ph_scale = x.scale.map_or(1.0, |(s, _)| 10f64.powi(s));
            if x.run.range() * ph_scale >= 0.4
                && x.run.max * ph_scale < 15.0
                && x.run.min > -1.5
                && !y.run.constant
            {
                let pairs = together(x, y, lines);
                if pairs.len() >= 6
                    && let Some((slope, r)) = line_fit(&pairs)
                {
                    let slope = slope / ph_scale;
                    if r < -0.98 && (-63.0..=-48.0).contains(&slope) {
                        found.push((a, Quantity::Ph, b, Quantity::Emf, 1.0));
                    } else if r < -0.98 && (-0.063..=-0.048).contains(&slope) {
                        found.push((a, Quantity::Ph, b, Quantity::Emf, 1000.0));
                    }
                }
            }
            if possible(Quantity::Absorbance, x) && y.run.min > 0.0 && y.run.max <= 110.0 && !x.run.constant {
                let pairs = together(x, y, lines);
                let fit = |whole: f64| {
                    pairs
                        .iter()
                        .filter(|(a, t)| (a - (whole / t).log10()).abs() < 0.006 + 0.004 * a.abs())
                        .count()
                        * 10
                        >= pairs.len() * 8
                };
                if pairs.len() >= 5 && (fit(100.0) || y.run.max <= 1.1 && fit(1.0)) {
                    found.push((a, Quantity::Absorbance, b, Quantity::Transmittance, 1.0));
                }
            }
        }
    }
    for (a, qa, b, qb, factor) in found {
        columns[a].evidence.push((qa, 0.85, "the step that ties it to the next column".to_owned()));
        columns[b].evidence.push((qb, 0.85, "the step that ties it to the other column".to_owned()));
        if factor > 1.0 && columns[b].units.is_empty() {
            columns[b].units.push((String::new(), Unit::Volt));
        }
        if qb == Quantity::Transmittance && columns[b].run.max <= 1.1 && columns[b].units.is_empty() {
            columns[b].units.push((String::new(), Unit::One));
        }
    }
}

/// Where a pH, a temperature ... is an integer, its decimal sign is left out: the power of ten, and how sure.
pub(super) fn hidden_point(column: &mut Column) {
    if column.main_decimals() != 0 || column.shape.exponent || column.run.counter {
        return;
    }
    let named = |q: Quantity| column.weight(q) >= LIVE;
    // A damaged number with a digit more must not decide.
    let (min, max) = column.run.usual;
    let fits = |s: i32, low: f64, high: f64| {
        min * 10f64.powi(s) >= low && max * 10f64.powi(s) <= high && max * 10f64.powi(s) > low
    };
    column.scale = if named(Quantity::Ph)
        && max > 15.0
        && !(min < 20.0 && column.run.rising > 0.88 && column.run.few_steps > 0.4)
    {
        [-2, -3, -1]
            .into_iter()
            .find(|s| fits(*s, -1.0, 14.5) && max * 10f64.powi(*s) > 1.2)
            .map(|s| (s, 0.8))
    } else if named(Quantity::Temperature) && max > 60.0 {
        [-1, -2].into_iter().find(|s| fits(*s, 5.0, 60.0)).map(|s| (s, 0.8))
    } else if named(Quantity::Absorbance) && max > 6.5 {
        [-3, -4].into_iter().find(|s| fits(*s, -0.2, 4.0)).map(|s| (s, 0.6))
    } else if named(Quantity::Volume) && column.units.is_empty() && max > 100.0 {
        let width = column.shape.whole.1;
        let order = if width >= 5 { [-3, -2, -1] } else { [-2, -3, -1] };
        order.into_iter().find(|s| (1.0..=100.0).contains(&(max * 10f64.powi(*s)))).map(|s| (s, 0.38))
    } else if named(Quantity::Mass) && column.shape.padded {
        [-4, -3]
            .into_iter()
            .find(|s| max * 10f64.powi(*s) < 300.0 && max * 10f64.powi(*s) > 0.3)
            .map(|s| (s, 0.38))
    } else if [Quantity::Conductance, Quantity::Current, Quantity::Transmittance].into_iter().any(named)
        && column.units.is_empty()
        && column.shape.padded
        && column.shape.whole.1 >= 4
    {
        // Filled with noughts and without a unit: nobody can say where the point belongs.
        Some((-1, 0.3))
    } else if (named(Quantity::Emf) || named(Quantity::Voltage))
        && column.units.is_empty()
        && (max.abs().max(min.abs()) > 1_500.0 || column.shape.padded && column.shape.whole.1 >= 5)
    {
        Some((-1, 0.55))
    } else {
        None
    };
}

/// What was chosen for a column.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Choice {
    pub(super) quantity: Quantity,
    pub(super) weight: f64,
}

/// Chooses for all columns together: each quantity once, unless text repeats it.
pub(super) fn choose(columns: &[Column]) -> Vec<Option<Choice>> {
    // Text is heard first, the surest column first; what is left goes to the numbers.
    let mut options: Vec<(usize, Quantity, f64, bool)> = Vec::new();
    for (c, column) in columns.iter().enumerate() {
        if column.other.is_some() {
            continue;
        }
        for q in Quantity::ALL {
            let weight = column.weight(q);
            let text =
                column.evidence.iter().any(|(eq, w, from)| *eq == q && *w >= 0.45 && from != "its numbers");
            if weight > 0.1 {
                options.push((c, q, weight, text));
            }
        }
    }
    let mut chosen: Vec<Option<Choice>> = vec![None; columns.len()];
    let mut taken: Vec<Quantity> = Vec::new();
    // Joint choice by the best total: columns are few, so a beam over them is exact enough.
    let mut order: Vec<usize> = (0..columns.len()).collect();
    let top = |c: usize| options.iter().filter(|o| o.0 == c).map(|o| o.2).fold(0.0, f64::max);
    order.sort_by(|a, b| top(*b).total_cmp(&top(*a)));
    let mut beam: Vec<(f64, Vec<Quantity>, Vec<Option<Choice>>)> = vec![(0.0, Vec::new(), chosen.clone())];
    for c in order {
        let mut next = Vec::new();
        for (score, used, list) in &beam {
            next.push((*score, used.clone(), list.clone()));
            for (_, q, weight, text) in options.iter().filter(|o| o.0 == c) {
                let clash = used.contains(&alike(*q));
                if clash && !text {
                    continue;
                }
                let mut used = used.clone();
                used.push(alike(*q));
                let mut list = list.clone();
                list[c] = Some(Choice { quantity: *q, weight: *weight });
                // Sure columns count for more than the sum of two doubtful ones.
                next.push((
                    score + weight * weight + 0.15 * weight - if clash { 0.05 } else { 0.0 },
                    used,
                    list,
                ));
            }
        }
        next.sort_by(|a, b| b.0.total_cmp(&a.0));
        next.truncate(60);
        beam = next;
    }
    if let Some((_, used, list)) = beam.into_iter().next() {
        chosen = list;
        taken = used;
    }
    debug_assert!(taken.len() <= columns.len());
    chosen
}

/// A potential and a voltage between polarised electrodes look alike.
const fn alike(q: Quantity) -> Quantity {
    if matches!(q, Quantity::Voltage) { Quantity::Emf } else { q }
}

/// The other quantities that a column might be, the likeliest first; mass, current and conductance always among them.
pub(super) fn rivals(column: &Column, chosen: Option<Quantity>) -> Vec<Quantity> {
    let mut list: Vec<(f64, Quantity)> = Quantity::ALL
        .into_iter()
        .filter(|q| Some(*q) != chosen && *q != Quantity::Voltage)
        .map(|q| (column.weight(q), q))
        .filter(|(w, q)| *w > 0.05 || possible(*q, column) && !matches!(q, Quantity::Time))
        .collect();
    list.sort_by(|a, b| b.0.total_cmp(&a.0));
    list.into_iter().map(|(_, q)| q).collect()
}
