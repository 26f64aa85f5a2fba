//! Models of bends from the physics behind the signal, with their starts.

use super::given::Given;
use super::models::conductance::{self, Conductance};
use super::models::one_sided::{self, OneSided};
use super::models::polarised::{self, Polarised};
use super::response::{Response, Series};
use crate::numeric::line;
use crate::reading::{CurveHead, Quantity};
use std::rc::Rc;

/// Time constant of a sensor at the start of its fit, in s.
const LAG_S: f64 = 3.0;

/// What the signal is and what is known about the solution.
pub(super) struct Kind {
    /// Absorbance or transmittance.
    pub(super) absorbance: bool,
    /// The current between two polarised electrodes.
    pub(super) current: bool,
    /// One mS/cm in the unit of the signal, where it is a conductivity.
    conductance: Option<f64>,
    /// ln of the titrant's concentration in mol/L, with its standard deviation.
    ln_titrant: Option<(f64, f64)>,
    temperature_c: f64,
}

impl Kind {
    /// From the head of the curve and what is given.
    pub(super) fn of(head: &CurveHead, given: &Given, temperature_c: f64) -> Self {
        let is = |quantity: Quantity| head.signal.is_some_and(|s| s.0 == quantity);
        let conductance = head.signal.filter(|s| s.0 == Quantity::Conductance);
        let told = given.titrant_mol_l.filter(|c| c.is_finite() && *c > 0.0);
        Self {
            absorbance: is(Quantity::Absorbance) || is(Quantity::Transmittance),
            current: is(Quantity::Current),
            conductance: conductance.map(|(_, unit)| 1e3 / unit.to_canonical(1.0)),
            ln_titrant: told.map(|c| (c.ln(), 0.02)),
            temperature_c,
        }
    }

    fn conductance_model(&self, acid: bool, weak: bool, unit: f64, ln_volume: (f64, f64)) -> Conductance {
        let ln_titrant = self.ln_titrant.unwrap_or((0.1_f64.ln(), 1.5));
        Conductance { acid, weak, ln_volume, ln_titrant, unit, temperature_c: self.temperature_c }
    }

    /// Whether the signal may turn at the start without an end-point.
    pub(super) fn has_early_turn(&self) -> bool {
        self.conductance.is_some()
    }
}

/// One model with the places from which its fit starts.
pub(super) type Start = (Rc<dyn Response>, Vec<Vec<f64>>);

/// The models that this kind of signal allows, in groups: a later group is needed only where the earlier ones leave
/// something unexplained.
pub(super) fn physical(series: &Series, place: f64, kind: &Kind, ln_volume: (f64, f64)) -> Vec<Vec<Start>> {
    let mut all: Vec<Vec<Start>> = Vec::new();
    if kind.current {
        for sharp in [true, false] {
            let one = |behind: bool| {
                let (model, start) = one_sided(series, place, (behind, sharp), ln_volume);
                (Rc::new(model) as Rc<dyn Response>, start.into_iter().collect())
            };
            all.push(vec![one(true), one(false)]);
        }
        let valleys = valleys(series);
        let valley = |alike: bool| {
            let starts = valleys.iter().map(|end| valley(series, *end, alike, ln_volume.0)).collect();
            (Rc::new(Polarised { alike, ln_volume }) as Rc<dyn Response>, starts)
        };
        all.push(vec![valley(true), valley(false)]);
    }
    if let Some(unit) = kind.conductance {
        for acid in [true, false] {
            let one = |weak: bool| {
                let model = kind.conductance_model(acid, weak, unit, ln_volume);
                let start = conductance(series, place, &model);
                (Rc::new(model) as Rc<dyn Response>, start.into_iter().collect())
            };
            all.push(vec![one(false), one(true)]);
        }
    }
    if series.time_s.is_some() {
        for start in all.iter_mut().flatten().flat_map(|(_, starts)| starts) {
            start.push(LAG_S.ln());
        }
    }
    all
}

/// A weak sample whose end-point lies beyond the data, where the signal is a conductivity: it conducts a little less at
/// first, then more and more.
pub(super) fn unfinished(
    series: &Series,
    kind: &Kind,
    ln_volume: (f64, f64),
) -> Vec<(Rc<dyn Response>, Vec<f64>)> {
    let Some(unit) = kind.conductance else { return Vec::new() };
    let n = series.titrant.len();
    let last = series.titrant[n - 1];
    let v0 = ln_volume.0.exp();
    let rise = series.signal[n - 1] - series.signal[n / 2];
    let slope = rise / (last - series.titrant[n / 2]).max(f64::MIN_POSITIVE);
    let mut all: Vec<(Rc<dyn Response>, Vec<f64>)> = Vec::new();
    for acid in [true, false] {
        let model = kind.conductance_model(acid, true, unit, ln_volume);
        let titrant = slope * v0 / (unit * model.slopes().0);
        if titrant > 0.0 {
            let mut start = conductance_start(&model, 1.5 * last, titrant);
            if series.time_s.is_some() {
                start.push(LAG_S.ln());
            }
            all.push((Rc::new(model), start));
        }
    }
    all
}

/// Straight pieces of the diluted signal, before and behind a place: level there and both slopes.
fn pieces(series: &Series, place: f64, v0: f64) -> Option<[f64; 3]> {
    let y: Vec<f64> = series.signal.iter().zip(&series.titrant).map(|(x, v)| x * (v0 + v) / v0).collect();
    let rows: Vec<[f64; 3]> =
        series.titrant.iter().map(|v| [1.0, (v - place).min(0.0), (v - place).max(0.0)]).collect();
    line::least_squares(&rows, &y).map(|fit| fit.0)
}

fn one_sided(
    series: &Series,
    place: f64,
    (behind, sharp): (bool, bool),
    ln_volume: (f64, f64),
) -> (OneSided, Option<Vec<f64>>) {
    let range = series.titrant[series.titrant.len() - 1] - series.titrant[0];
    let ln_width = if sharp { ((5e-4 * range).ln(), 0.7) } else { ((0.02 * range).ln(), 1.2) };
    let start = pieces(series, place, ln_volume.0.exp()).map(|[level, before, after]| {
        let mut p = vec![0.0; one_sided::COUNT];
        p[one_sided::END] = place;
        p[one_sided::LN_WIDTH] = ln_width.0;
        p[one_sided::REST] = level;
        p[one_sided::GAIN] = if behind { after } else { -before };
        p[one_sided::LN_V0] = ln_volume.0;
        p
    });
    (OneSided { behind, sharp, ln_volume, ln_width }, start)
}

fn valley(series: &Series, end: f64, alike: bool, ln_v0: f64) -> Vec<f64> {
    let top = series.signal.iter().fold(0.0_f64, |m, x| if x.abs() > m.abs() { *x } else { m });
    let mut p = vec![0.0; if alike { 5 } else { 6 }];
    p[polarised::END] = end;
    p[polarised::GAIN] = 2.0 * top;
    p[polarised::VOLTAGE] = 3.5;
    p[polarised::LN_V0] = ln_v0;
    p
}

/// Places of local minima of |signal|, deepest first, at most three.
fn valleys(series: &Series) -> Vec<f64> {
    let x: Vec<f64> = series.signal.iter().map(|x| x.abs()).collect();
    let mut all: Vec<(f64, f64)> = (2..x.len().saturating_sub(2))
        .filter(|i| x[*i] <= x[*i - 1] && x[*i] <= x[*i + 1] && x[*i] < x[*i - 2] && x[*i] < x[*i + 2])
        .map(|i| (x[i], series.titrant[i]))
        .collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all.into_iter().take(3).map(|a| a.1).collect()
}

/// The titrant's concentration from the change of slope, which cell and background do not touch.
fn conductance(series: &Series, place: f64, model: &Conductance) -> Option<Vec<f64>> {
    let v0 = model.ln_volume.0.exp();
    let [level, before, behind] = pieces(series, place, v0)?;
    let (expected_before, expected_behind) = model.slopes();
    let expected = (expected_behind - expected_before) * model.unit / v0;
    let titrant = (behind - before) / expected;
    // A sample that starts to conduct less or more than the titrant would make it is another one.
    if titrant <= 0.0 || !model.likely(before / behind) {
        return None;
    }
    let mut p = conductance_start(model, place, titrant);
    let excess = level / model.unit - model.at_end() * titrant * place / v0;
    p[conductance::BACKGROUND] = (excess / (2.0 * conductance::INERT)).clamp(0.0, 0.2);
    Some(p)
}

fn conductance_start(model: &Conductance, end: f64, titrant: f64) -> Vec<f64> {
    let mut p = vec![0.0; model.len()];
    p[conductance::END] = end;
    p[conductance::LN_TITRANT] = titrant.ln().clamp(-9.0, 2.0);
    p[conductance::LN_V0] = model.ln_volume.0;
    p[conductance::SLOWING] = 1.0;
    if model.len() > conductance::PK {
        p[conductance::PK] = 11.0;
    }
    p
}
