//! What can be asked of a method on a run: the Cramer-Rao bound, tolerances, which end-points must be found.

use super::disturb::Disturbance;
use super::dosing::{Dosing, Plan, lagged};
use super::sample::{Sample, Shape};
use super::{Answer, Record};
use crate::chemistry::titration::Titration;
use nalgebra::DMatrix;

/// A jump whose steepness is less than this many times the least steepness beside it may be reported or not.
const LEAST_PROMINENCE: f64 = 3.0;

/// Splits the equivalence volumes into answers and those that the run does not reach.
pub(super) fn answers(
    sample: &Sample,
    titration: &Titration,
    plan: &Plan,
    disturbance: &Disturbance,
    record: &Record,
) -> (Vec<Answer>, Vec<f64>) {
    let mut given: Vec<f64> = record.lines.iter().map(|line| line.given_ml).collect();
    given.sort_by(f64::total_cmp);
    given.dedup();
    let ends = titration.ends_ml().to_vec();
    let last = given.last().copied().unwrap_or(0.0);
    let bounds = cramer_rao(sample, titration, plan, &given);
    let counted_too_much = |volume: f64| match record.not_given {
        Some((from, extra)) if volume > from => extra,
        _ => 0.0,
    };
    let mut answers = Vec::new();
    let mut beyond = Vec::new();
    for (index, &end) in ends.iter().enumerate() {
        if end > last {
            beyond.push(end + counted_too_much(end));
            continue;
        }
        let from = if index > 0 { ends[index - 1] } else { 0.0 };
        let to = ends.get(index + 1).copied().unwrap_or(f64::INFINITY).min(last);
        let (steepest, prominence) = match sample.shape {
            Shape::Jump => jump(sample, plan, &given, (from, end, to)),
            Shape::Bend | Shape::Polarised => (end, f64::INFINITY),
        };
        let after = given.partition_point(|v| *v <= end);
        let spacing = given[after.min(given.len() - 1)] - given[after.saturating_sub(1)];
        let points_past = given.len() - after;
        let bound = bounds.as_ref().map_or(f64::INFINITY, |b| b[index]);
        let (k, f, r) = tolerance_class(sample, plan, disturbance);
        let half_reading = match plan.dosing {
            Dosing::Hand { resolution_ml, .. } => 0.5 * resolution_ml,
            _ => 0.0,
        };
        let tolerance =
            (k * bound).max(f * spacing).max(r * end).max(0.002) + (steepest - end).abs() + half_reading;
        let needed_after = if sample.shape == Shape::Jump { 2 } else { 4 };
        // Nobody can be asked for an end-point that the noise hides.
        let told = bound < 0.02 * end && prominence >= LEAST_PROMINENCE;
        answers.push(Answer {
            volume_ml: end + counted_too_much(end),
            required: told && points_past >= needed_after,
            bound_ml: bound,
            spacing_ml: spacing,
            tolerance_ml: tolerance,
            window_ml: (0.01 * end).max(1.5 * spacing).max(tolerance),
            prominence,
        });
    }
    (answers, beyond)
}

/// Factors on the bound, the spacing and the volume that an estimate may be off.
fn tolerance_class(sample: &Sample, plan: &Plan, disturbance: &Disturbance) -> (f64, f64, f64) {
    let is_weak =
        ["dilute acid", "two-step acid", "carbonate", "strong and weak acid"].contains(&sample.family);
    let by_motor = matches!(plan.dosing, Dosing::Fixed { .. } | Dosing::Shrinking { .. });
    if is_weak {
        (6.0, 0.5, 1e-3)
    } else if *disturbance == Disturbance::None && by_motor && sample.shape == Shape::Jump {
        (4.0, 0.1, 5e-4)
    } else {
        (4.0, 0.25, 1e-3)
    }
}

/// Where the recorded curve is steepest near an end, and how much steeper than beside it.
fn jump(sample: &Sample, plan: &Plan, given: &[f64], (from, end, to): (f64, f64, f64)) -> (f64, f64) {
    let slope = |v: f64, width: f64| sample.slope_at(v, width).abs();
    let least_between = |a: f64, b: f64| {
        let slopes = (1..40_u32).map(|i| slope(a + (b - a) * f64::from(i) / 40.0, 1e-4 * (b - a)));
        slopes.fold(f64::INFINITY, f64::min)
    };
    // The steepest point on ever finer grids.
    let (mut centre, mut reach) = (end, (0.05 * end).min(0.4 * (end - from)).min(end));
    for _ in 0..6 {
        let grid = (-20..=20_i32).map(|i| centre + reach * f64::from(i) / 20.0);
        centre =
            grid.max_by(|a, b| slope(*a, reach / 20.0).total_cmp(&slope(*b, reach / 20.0))).unwrap_or(centre);
        reach *= 0.2;
    }
    let steepness = slope(centre, reach);
    let beside = least_between(from, end).max(least_between(end, to));
    let Some(rate) = plan.rate_ml_s() else { return (centre, steepness / beside) };
    let shown = lagged(&|v| sample.signal(v), rate, plan.lag_s, given, 0.05 * sample.sigma);
    let steepest = (1..given.len())
        .filter(|&i| (given[i] - end).abs() < (20.0 * rate * plan.lag_s).min(0.5 * (end - from)))
        .max_by(|&i, &j| (shown[i] - shown[i - 1]).abs().total_cmp(&(shown[j] - shown[j - 1]).abs()));
    (steepest.map_or(centre, |i| 0.5 * (given[i] + given[i - 1])), steepness / beside)
}

/// The noiseless record of a titration at these volumes.
fn noiseless(
    titration: &Titration,
    rate_ml_s: Option<f64>,
    lag_s: f64,
    given: &[f64],
    tolerance: f64,
) -> Vec<f64> {
    match rate_ml_s {
        Some(rate) => lagged(&|v| titration.signal(v), rate, lag_s, given, tolerance),
        None => given.iter().map(|v| titration.signal(*v)).collect(),
    }
}

/// The Cramer-Rao bound of each equivalence volume in mL: standard deviations from the inverse of the Fisher information
/// with everything unknown that an analyst would not know. `None` if the information is singular.
fn cramer_rao(sample: &Sample, titration: &Titration, plan: &Plan, given: &[f64]) -> Option<Vec<f64>> {
    let rate = plan.rate_ml_s();
    let tolerance = 0.01 * sample.sigma;
    let mut model = titration.clone();
    let known: Vec<(f64, f64, f64)> = model.free().iter().map(|f| (*f.value, f.step, f.prior)).collect();
    let count = known.len() + usize::from(rate.is_some());
    if given.len() < 3 {
        return None;
    }
    let volume_sd = plan.dosing.volume_sd_ml();
    let variance = |volume: f64| {
        let noise = sample.sigma.powi(2) + sample.quantum.powi(2) / 12.0;
        let slope = if volume_sd > 0.0 { sample.slope_at(volume, 0.5 * volume_sd) } else { 0.0 };
        noise + (slope * volume_sd).powi(2)
    };
    let weights: Vec<f64> = given.iter().map(|v| 1.0 / variance(*v)).collect();
    let mut columns: Vec<Vec<f64>> = Vec::with_capacity(count);
    for (index, (value, step, _)) in known.iter().enumerate() {
        let mut at = |x: f64| {
            if let Some(free) = model.free().into_iter().nth(index) {
                *free.value = x;
            }
            noiseless(&model, rate, plan.lag_s, given, tolerance)
        };
        let (up, down) = (at(value + step), at(value - step));
        at(*value);
        columns.push(up.iter().zip(&down).map(|(u, d)| (u - d) / (2.0 * step)).collect());
    }
    if rate.is_some() {
        let step = 1e-3 * plan.lag_s;
        let up = noiseless(titration, rate, plan.lag_s + step, given, tolerance);
        let down = noiseless(titration, rate, plan.lag_s - step, given, tolerance);
        columns.push(up.iter().zip(&down).map(|(u, d)| (u - d) / (2.0 * step)).collect());
    }
    let mut information = DMatrix::<f64>::zeros(count, count);
    for i in 0..count {
        for j in 0..=i {
            let sum: f64 =
                columns[i].iter().zip(&columns[j]).zip(&weights).map(|((a, b), w)| a * b * w).sum();
            information[(i, j)] = sum;
            information[(j, i)] = sum;
        }
    }
    for (i, (_, _, prior)) in known.iter().enumerate() {
        information[(i, i)] += 1.0 / prior.powi(2);
    }
    // Scaled to a unit diagonal: the parameters differ by many powers of ten. A parameter that leaves no trace
    // is held by the unit diagonal.
    let scale: Vec<f64> =
        (0..count).map(|i| information[(i, i)].sqrt()).map(|s| if s > 0.0 { s } else { 1.0 }).collect();
    for i in 0..count {
        for j in 0..count {
            information[(i, j)] /= scale[i] * scale[j];
        }
        information[(i, i)] += 1e-12;
    }
    let covariance = information.cholesky()?.inverse();
    let ends = titration.ends_ml().len();
    let bounds: Vec<f64> = (0..ends).map(|i| covariance[(i, i)].sqrt() / scale[i]).collect();
    bounds.iter().all(|b| b.is_finite()).then_some(bounds)
}
