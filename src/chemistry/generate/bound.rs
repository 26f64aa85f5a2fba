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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chemistry::titration::{Component, HalfReaction, Protolysis, Redox, Scale, System, Vessel};
    use crate::reading::{Quantity, Unit};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;

    /// Bound of a run in fixed steps: (step, last volume) in mL, (sigma, quantum).
    fn bound_of(titration: Titration, (step, last): (f64, f64), (sigma, quantum): (f64, f64)) -> Vec<f64> {
        let sample = Sample {
            family: "",
            chemistry: String::new(),
            titration: Some(titration.clone()),
            shape: Shape::Jump,
            quantity: Quantity::Ph,
            unit: Unit::Ph,
            sigma,
            quantum,
            wanted_change: 0.12,
            flat: (0.0, 0.0),
        };
        let mut rng = ChaCha8Rng::seed_from_u64(0);
        let plan = Plan::new(&Dosing::Fixed { step_ml: step }, last, &mut rng);
        let volumes: Vec<f64> = (0..).map(|i| f64::from(i) * step).take_while(|v| *v < last + 1e-6).collect();
        cramer_rao(&sample, &titration, &plan, &volumes).expect("information is regular")
    }

    fn glass(
        ends_ml: &[f64],
        sample: Vec<Component>,
        background: f64,
        (ct, v0, t): (f64, f64, f64),
    ) -> Titration {
        Titration {
            system: System::Protolysis(Protolysis {
                ends_ml: ends_ml.to_vec(),
                sample,
                titrant_charge: 1,
                background_mol_l: background,
                titrant_carbonate: 0.0,
            }),
            vessel: Vessel { sample_volume_ml: v0, titrant_mol_l: ct, temperature_c: t },
            scale: Scale::Direct,
            offset: 0.0,
            slope: 0.97,
        }
    }

    fn component(of_ends: &[f64], top_charge: i32, pk: &[f64]) -> Component {
        Component { of_ends: of_ends.to_vec(), top_charge, pk: pk.to_vec() }
    }

    /// The figures were computed by another program (own solver, own differences) for the same four runs.
    #[test]
    fn the_bound_agrees_with_another_program() {
        let strong = glass(&[4.9512], vec![component(&[1.0], -1, &[])], 0.1, (0.101_06, 75.0, 25.0));
        let formic = glass(&[13.6932], vec![component(&[1.0], 0, &[3.775])], 0.0, (0.201_13, 50.0, 20.0));
        let phosphoric = glass(
            &[7.8247, 15.0343],
            vec![component(&[-1.0, 1.0], 0, &[2.148, 7.198, 12.35]), component(&[-2.0, 1.0], 1, &[])],
            0.0,
            (0.098_13, 50.0, 25.0),
        );
        let cerium = Titration {
            system: System::Redox(Redox {
                end_ml: 7.3182,
                analyte: HalfReaction::simple(0.0, 1.0),
                titrant: HalfReaction::simple(760.922_68, 1.0),
                titrant_oxidises: true,
                titrant_particles: 1.0,
                log_reacted: -2.628_356_8,
                acid_mol_l: 1.0,
            }),
            vessel: Vessel { sample_volume_ml: 50.0, titrant_mol_l: 0.101_97, temperature_c: 25.0 },
            scale: Scale::Nernst(1.0),
            offset: 455.319,
            slope: 0.989_43,
        };
        for (got, wanted) in [
            (bound_of(strong, (0.25, 6.25), (0.005_72, 0.01)), vec![0.000_834_3]),
            (bound_of(formic, (0.5, 18.5), (0.022_15, 0.01)), vec![0.009_483]),
            (bound_of(phosphoric, (0.5, 18.0), (0.002_62, 0.01)), vec![0.001_92, 0.000_751_1]),
            (bound_of(cerium, (0.25, 8.75), (0.115, 0.1)), vec![0.000_379_4]),
        ] {
            assert_eq!(got.len(), wanted.len());
            for (g, w) in got.iter().zip(&wanted) {
                assert!((g / w - 1.0).abs() < 0.03, "{g} instead of {w}");
            }
        }
    }

    #[test]
    fn twice_the_noise_doubles_the_bound_of_a_run_in_steps() {
        let titration = || glass(&[10.03], vec![component(&[1.0], 0, &[4.756])], 0.0, (0.1, 50.0, 25.0));
        let fine = bound_of(titration(), (0.2, 13.0), (0.005, 1e-6))[0];
        let coarse = bound_of(titration(), (0.2, 13.0), (0.010, 1e-6))[0];
        assert!((coarse / fine - 2.0).abs() < 0.05, "{fine} {coarse}");
    }
}
