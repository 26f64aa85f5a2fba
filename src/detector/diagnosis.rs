//! What the fit and its residuals say about the bench, in words.

use super::condition::{Dosing, Points};
use super::evaluation::Evaluation;
use super::fitted::{Drawn, Fitted};
use super::given::{Given, Medium};
use super::models::Meaning;
use super::moving::Moving;
use crate::reading::{CurveHead, Quantity};

/// The slope of an electrode may differ by so much from the theoretical one before it is said.
const SLOPE_OFF: f64 = 0.05;
/// Correlation of neighbouring residuals from which the fit is said not to describe everything.
const HANGING: f64 = 0.4;

/// Adds warnings about the points alone and about what is missing.
pub(super) fn of_points(points: &Points, head: &CurveHead, given: &Given, evaluation: &mut Evaluation) {
    let unit = head.titrant.unit().symbol();
    let found = evaluation.end_points.len();
    if let Some(wanted) = given.looked_for
        && found < wanted
    {
        evaluation.warnings.push(format!("{wanted} end-points looked for, {found} found"));
    }
    for (low, high) in &given.windows {
        if !evaluation.end_points.iter().any(|e| (*low..=*high).contains(&e.titrant)) {
            evaluation.warnings.push(format!("no end-point between {low} and {high} {unit}"));
        }
    }
    let last = points.titrant[points.len() - 1];
    for end in &evaluation.end_points {
        let behind = points.titrant.iter().filter(|v| **v > end.titrant).count();
        if behind < 3 {
            evaluation.warnings.push(format!(
                "only {behind} points behind the end-point at {:.3} {unit}: the run ended early",
                end.titrant
            ));
        }
        let i = points.titrant.partition_point(|v| *v < end.titrant);
        if i > 0 && i < points.len() {
            let gap = points.titrant[i] - points.titrant[i - 1];
            let u = end.u.unwrap_or(gap);
            if gap > 0.02 * end.titrant.abs().max(0.1 * last) && u > 0.02 * gap {
                evaluation.warnings.push(format!(
                    "steps of {gap:.3} {unit} at the end-point are large: smaller ones would give a smaller uncertainty"
                ));
            }
        }
    }
    evaluation.warnings.extend(idle_steps(points, unit));
}

/// Steps of titrant without a step of the signal, where the steps around them had one.
fn idle_steps(points: &Points, unit: &str) -> Vec<String> {
    let n = points.len();
    if points.dosing == Dosing::Continuous || n < 8 {
        return Vec::new();
    }
    let (v, x) = (&points.titrant, &points.signal);
    let slope = |i: usize, j: usize| if v[j] > v[i] { (x[j] - x[i]) / (v[j] - v[i]) } else { 0.0 };
    let mut all = Vec::new();
    for i in 2..n - 3 {
        let (before, behind) = (slope(i - 2, i), slope(i + 1, i + 3));
        if before * behind <= 0.0 || before.abs().max(behind.abs()) > 1.5 * before.abs().min(behind.abs()) {
            continue;
        }
        let expected = f64::midpoint(before, behind) * (v[i + 1] - v[i]);
        let seen = x[i + 1] - x[i];
        let sure = expected.abs() > 10.0 * points.u_signal;
        if sure && (seen / expected).abs() < 0.3 {
            all.push(format!(
                "from {:.3} to {:.3} {unit} the signal did not move as around it: air in the burette or a volume mistyped?",
                v[i],
                v[i + 1]
            ));
        }
    }
    // Many such places are the way this curve is, not bubbles.
    if all.len() > 2 { Vec::new() } else { all }
}

/// Adds warnings about the electrode, the titrant and the stirrer from the best fit.
pub(super) fn of_fit(
    fit: &Fitted,
    points: &Points,
    head: &CurveHead,
    given: &Given,
    unit: f64,
    evaluation: &mut Evaluation,
) {
    let u = |i: usize| fit.covariance[(i, i)].max(0.0).sqrt();
    let signal = head.signal.map_or("", |s| s.1.symbol());
    let ln_slope = match &fit.drawn {
        Drawn::Titrant(..) => Some(0),
        Drawn::Response(r) => r.meanings().iter().position(|m| *m == Meaning::LnSlope),
    };
    if let (Some(i), Medium::Aqueous) = (ln_slope, given.medium) {
        let slope = fit.p[i].exp();
        if (slope - 1.0).abs() > SLOPE_OFF && fit.p[i].abs() > 3.0 * u(i) {
            evaluation.warnings.push(format!(
                "slope of the electrode is {:.1} % of the theoretical one: check it against buffers or standards",
                100.0 * slope
            ));
        }
    }
    match &fit.drawn {
        // In acid-base curves activity coefficients look like a drift.
        Drawn::Titrant(model, Moving::Electrode(_)) if model.sites().is_none() => {
            let drift = fit.p[1] * unit;
            if fit.p[1].abs() > 3.0 * u(1) && drift.abs() > 5.0 * points.u_signal {
                evaluation
                    .warnings
                    .push(format!("the signal drifted by about {drift:.3} {signal} over the run"));
            }
        }
        Drawn::Response(r) if fit.p.len() == r.len() + 1 => {
            let tau = fit.p[r.len()].exp();
            if let Some(t) = &points.time_s {
                let rate = points.range() / (t[t.len() - 1] - t[0]).max(f64::MIN_POSITIVE);
                evaluation.warnings.push(format!(
                    "the electrode lags by {tau:.1} s, {:.4} {} at this rate: allowed for in the fit",
                    tau * rate,
                    head.titrant.unit().symbol()
                ));
            }
        }
        _ => {}
    }
    carbonate(fit, head, unit, points, evaluation);
    if fit.lag_one > HANGING && fit.runs_z < -3.0 {
        evaluation.warnings.push(
            "the residuals hang together: the model does not describe everything, the uncertainty was widened"
                .to_owned(),
        );
    }
    if fit.scale > 4.0 {
        evaluation.warnings.push(format!(
            "the points scatter {:.1} times more about the model than from one to the next",
            fit.scale
        ));
    }
    if let Some(period) = period(fit, points) {
        evaluation
            .warnings
            .push(format!("the residuals swing with a period of about {period}: stirrer or pump?"));
    }
}

/// A base that took up carbon dioxide shows a small site of pKa near 6.4 in front of the end-point of an acid.
fn carbonate(fit: &Fitted, head: &CurveHead, unit: f64, points: &Points, evaluation: &mut Evaluation) {
    let Drawn::Titrant(model, moving) = &fit.drawn else { return };
    let in_ph = head.signal.is_some_and(|s| s.0 == Quantity::Ph);
    if unit <= 0.0 || !in_ph || model.sites().is_none() {
        return;
    }
    let offset = 1 + moving.count();
    let meanings = model.meanings();
    let origin = f64::midpoint(
        points.signal.iter().copied().fold(f64::INFINITY, f64::min),
        points.signal.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    );
    let end = fit.ends.last().map_or(0.0, |e| e.0);
    for (i, _) in meanings.iter().enumerate().skip(1).filter(|(_, m)| **m == Meaning::HalfPoint) {
        let place = origin + unit * fit.p[0].exp() * fit.p[offset + i];
        let (amount, j) = (fit.p[offset + i - 1], offset + i - 1);
        let u = fit.covariance[(j, j)].max(0.0).sqrt();
        if (5.8..=6.9).contains(&place) && amount > 3.0 * u && amount < 0.06 * end {
            evaluation.warnings.push(format!(
                "a small part ({:.1} % of the titrant) with a pKa of {place:.1}: carbonate in the titrant or sample?",
                100.0 * amount / end
            ));
        }
    }
}

/// The period of a swing in the residuals, in words, if one frequency stands far out of all.
///
/// Fisher's test of the largest periodogram ordinate at the Fourier frequencies of the point numbers
/// (R. A. Fisher, Proc. R. Soc. A 125 (1929) 54), at a level of 0.1 %.
fn period(fit: &Fitted, points: &Points) -> Option<String> {
    let kept: Vec<f64> =
        fit.standardised.iter().zip(&fit.weights).filter(|(_, w)| **w > 0.1).map(|(u, _)| *u).collect();
    let n = kept.len();
    if !(24..=2_000).contains(&n) {
        return None;
    }
    let half = (n - 1) / 2;
    let mean = kept.iter().sum::<f64>() / n as f64;
    let mut largest = (0.0, 0_usize);
    let mut sum = 0.0;
    for k in 1..=half {
        let (mut c, mut s) = (0.0, 0.0);
        for (i, u) in kept.iter().enumerate() {
            let angle = std::f64::consts::TAU * (k * i) as f64 / n as f64;
            c += (u - mean) * angle.cos();
            s += (u - mean) * angle.sin();
        }
        let power = c * c + s * s;
        sum += power;
        if power > largest.0 {
            largest = (power, k);
        }
    }
    let share = largest.0 / sum.max(f64::MIN_POSITIVE);
    let chance = half as f64 * (1.0 - share).max(0.0).powf(half as f64 - 1.0);
    // The slowest frequencies are misfit, not a stirrer.
    if chance > 1e-3 || largest.1 < 4 {
        return None;
    }
    let in_points = n as f64 / largest.1 as f64;
    match &points.time_s {
        Some(t) if points.len() > 1 => {
            let step = (t[t.len() - 1] - t[0]) / (points.len() - 1) as f64;
            Some(format!("{:.0} s", in_points * step))
        }
        _ => Some(format!("{in_points:.1} points")),
    }
}
