//! Complexes on an ion electrode: which are fitted, and from where.

use super::bank::{Knowledge, Mark};
use super::choose::{LAG_S, series};
use super::fitted::Fitted;
use super::frame::Frame;
use super::models::two_metals::{self, TwoMetals};
use super::models::{Complexation, IonElectrode, complexation, ion_electrode};
use super::response::{self, FINE, Response};
use std::rc::Rc;

/// Where the end of the first metal is looked for when it does not stand out, as shares of the last.
const UNSEEN_AT: [f64; 2] = [0.55, 0.72];

const fn electrode(frame: &Frame, knowledge: &Knowledge, charge: f64) -> IonElectrode {
    IonElectrode { charge, ln_slope: frame.ln_slope, ln_volume: knowledge.ln_volume }
}

/// Complexes of one metal for one end-point, of two for two.
pub(super) fn complexes(frame: &Frame, marks: &[Mark], knowledge: &Knowledge) -> Vec<Fitted> {
    let mut models: Vec<(Rc<dyn Response>, Vec<f64>)> = Vec::new();
    for charge in [2.0, 1.0] {
        let electrode = electrode(frame, knowledge, charge);
        match marks {
            [_] => {
                let model = Complexation(electrode);
                let start = one_metal(frame, marks, &model);
                models.push((Rc::new(model), start));
            }
            [first, second] if charge > 1.0 => {
                let model = TwoMetals { electrode, first_is_seen: true };
                let start = two_metals_start(frame, (first.titrant, second.titrant), &model);
                models.push((Rc::new(model), start));
            }
            _ => {}
        }
    }
    let mut series = series(frame);
    series.time_s.clone_from(&frame.time_s);
    let mut fits = Vec::new();
    for (model, mut start) in models {
        if frame.time_s.is_some() {
            start.push(LAG_S.ln());
        }
        if knowledge.allows(&model.name()) {
            fits.extend(response::fit(&model, &series, &start, FINE, 7));
        }
    }
    fits
}

/// Two metals of which only the end of the second stands out, because the electrode sees the second well.
pub(super) fn behind_another_metal(frame: &Frame, mark: &Mark, knowledge: &Knowledge) -> Option<Fitted> {
    let model = TwoMetals { electrode: electrode(frame, knowledge, 2.0), first_is_seen: false };
    if !knowledge.allows(&model.name()) {
        return None;
    }
    let mut starts: Vec<Vec<f64>> = UNSEEN_AT
        .iter()
        .map(|part| two_metals_start(frame, (part * mark.titrant, mark.titrant), &model))
        .collect();
    let response: Rc<dyn Response> = Rc::new(model);
    let mut series = series(frame);
    series.time_s.clone_from(&frame.time_s);
    if series.time_s.is_some() {
        for start in &mut starts {
            start.push(LAG_S.ln());
        }
    }
    let fits = starts.iter().filter_map(|start| response::fit(&response, &series, start, FINE, 7));
    fits.min_by(|a, b| a.criterion.total_cmp(&b.criterion))
}

/// Start of a complexation: the metal is nearly all free half-way, the floor far below, the constant from the last points.
fn one_metal(frame: &Frame, marks: &[Mark], model: &Complexation) -> Vec<f64> {
    let n = frame.titrant.len();
    let end = marks[0].titrant.max(1e-3 * frame.range());
    let half = frame.titrant.partition_point(|v| *v < 0.5 * end).min(n - 1);
    let v0 = model.0.ln_volume.0.exp();
    let free = |v: f64| (v0 / (v0 + v) * (1.0 - v / end)).max(1e-3);
    let origin = frame.z[half] + free(frame.titrant[half]).ln() / model.0.charge;
    let last = ((origin - frame.z[n - 1]) * model.0.charge).exp();
    let excess = (frame.titrant[n - 1] / end - 1.0).max(0.05);
    let mut p = vec![0.0; complexation::COUNT];
    p[ion_electrode::LN_SLOPE] = frame.ln_slope.0;
    p[complexation::END] = end;
    p[complexation::LN_K] = (last * excess).clamp(1e-12, 0.1).ln();
    p[complexation::LN_FLOOR] = (0.3 * last).clamp(1e-9, 0.1).ln();
    p[complexation::ORIGIN] = origin;
    p[ion_electrode::LN_V0] = model.0.ln_volume.0;
    p
}

/// Start with two metals: the first is free half-way to its end, the second seen half-way between the ends, the floor last.
fn two_metals_start(frame: &Frame, (first, second): (f64, f64), model: &TwoMetals) -> Vec<f64> {
    let n = frame.titrant.len();
    let end = first.max(1e-3 * frame.range());
    let size = (second - first).max(1e-3 * frame.range());
    let v0 = model.electrode.ln_volume.0.exp();
    let at = |v: f64| frame.titrant.partition_point(|x| *x < v).min(n - 1);
    let half = at(0.5 * end);
    let free = (end - frame.titrant[half]).max(0.05 * end) / (v0 + frame.titrant[half]);
    let origin = frame.z[half] + free.ln() / model.electrode.charge;
    let seen = |i: usize| (origin - frame.z[i]) * model.electrode.charge;
    let middle = at(end + 0.5 * size);
    let other = (second - frame.titrant[middle]).max(0.05 * size) / (v0 + frame.titrant[middle]);
    let mut p = vec![0.0; two_metals::COUNT];
    p[ion_electrode::LN_SLOPE] = frame.ln_slope.0;
    p[two_metals::FIRST] = end;
    p[two_metals::SECOND] = size;
    p[two_metals::LN_K] = 15.0;
    p[two_metals::LN_RATIO] = 4.6;
    p[two_metals::LN_SEEN] = (seen(middle) - other.ln()).clamp(-9.0, 0.0);
    p[two_metals::LN_FLOOR] = (seen(n - 1) - 0.7).clamp(-20.0, -5.0);
    p[two_metals::ORIGIN] = origin;
    p[ion_electrode::LN_V0] = model.electrode.ln_volume.0;
    p
}
