//! End-points of the voltage between two polarised electrodes.

use super::condition::{Dosing, Points};
use super::evaluation::Evaluation;
use super::fitted::{Fitted, average};
use super::given::Given;
use super::models::{Couples, PolarisedVoltage, voltage};
use super::portray::{self, Scale};
use super::response::{self, FINE, Response, Series};
use super::{EndPoint, diagnosis};
use crate::reading::{CurveHead, Quantity};
use std::rc::Rc;

/// The voltage must swing by so many times RT/F.
const LEAST_SWING: f64 = 3.0;
/// The fit must not scatter by more than so many times the noise, or it is another kind of curve.
const MOST_SCATTER: f64 = 6.0;

/// Writes the end-point to `evaluation` if the curve is one of two polarised electrodes; `unit` is RT/F in the unit of
/// the signal. Says whether it found one.
pub(super) fn evaluate(
    points: &Points,
    head: &CurveHead,
    given: &Given,
    unit: f64,
    evaluation: &mut Evaluation,
) -> bool {
    // Without a word about the electrodes only a clear case counts.
    let told = given.family.is_some() || head.signal.is_some_and(|s| s.0 == Quantity::Voltage);
    let most_scatter = if told { MOST_SCATTER } else { 2.0 };
    let z: Vec<f64> = points.signal.iter().map(|x| x / unit).collect();
    let (low, high) = z.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), z| (l.min(*z), h.max(*z)));
    if high - low < LEAST_SWING || points.len() < 9 || points.len() > 1_500 {
        return false;
    }
    let ln_volume = given
        .sample_volume_ml
        .filter(|v| v.is_finite() && *v > 0.0)
        .map_or((60_f64.ln(), 0.8), |v| (v.ln(), 0.02));
    // A voltage that is low from the start, but for the first additions, rises or has a peak; else it falls.
    let first_low = z.iter().position(|z| *z < low + 0.3 * (high - low)).unwrap_or(0);
    let starts_low = points.titrant[first_low] - points.titrant[0] < 0.2 * points.range();
    let from = if starts_low { first_low } else { 0 };
    if points.len() < from + 9 {
        return false;
    }
    let (titrant, z) = (&points.titrant[from..], &z[from..]);
    let high = z.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let series = Series {
        titrant: titrant.to_vec(),
        signal: z.to_vec(),
        share: vec![1.0; z.len()],
        time_s: points
            .time_s
            .as_ref()
            .filter(|_| points.dosing == Dosing::Continuous)
            .map(|t| t[from..].to_vec()),
        u_signal: points.u_signal / unit,
        u_titrant: points.u_titrant,
    };
    let mut fits: Vec<Fitted> = Vec::new();
    let kinds: &[Couples] = if starts_low { &[Couples::Analyte, Couples::Both] } else { &[Couples::Titrant] };
    for couples in kinds.iter().copied() {
        let model = PolarisedVoltage { couples, ln_volume, range: points.range() };
        let response: Rc<dyn Response> = Rc::new(model);
        if !given.allows(&response.name()) {
            continue;
        }
        // The curve has corners, and a fit stays between two points: each minimum that is found is weighed with the rest.
        for mut start in starts(couples, titrant, z, (low, high), ln_volume.0) {
            if series.time_s.is_some() {
                start.push(2_f64.ln());
            }
            let Some(found) = response::fit(&response, &series, &start, FINE, 7) else { continue };
            let known = fits.iter().any(|f| {
                f.name == found.name
                    && (f.ends[0].0 - found.ends[0].0).abs() < 0.3 * f.ends[0].1.max(found.ends[0].1)
            });
            if !known {
                fits.push(found);
            }
        }
    }
    let tail = z[z.len() - 1];
    let valley = summit(z).map_or(titrant[0], |(lowest, _)| titrant[lowest]);
    // A rise must stay, a peak must come back.
    let stays_high = tail > f64::midpoint(low, high);
    for fit in &mut fits {
        let other_kind = starts_low && stays_high != fit.name.contains("rises");
        let kept = fit.weights.iter().filter(|w| **w > 0.1).count();
        let (v, u) = fit.ends[0];
        let (first, last) = (points.titrant[0], points.titrant[points.len() - 1]);
        let behind = titrant.iter().filter(|t| **t > v + u).count();
        if other_kind || behind < 2 || starts_low && v <= valley {
            fit.fault = Some("another kind of voltage");
        } else if fit.scale > most_scatter || kept * 10 < 8 * fit.weights.len() {
            fit.fault = Some("does not describe the voltage");
        } else if u > 0.05 * points.range() || v <= first + 0.03 * points.range() || v + 2.0 * u >= last {
            fit.fault = Some("end-point too uncertain");
        }
    }
    let (ends, rows) = average(&mut fits, points.u_titrant);
    evaluation.tried.extend(rows);
    let (Some(ends), Some(best)) = (ends, fits.first()) else { return false };
    let (v, u) = ends[0];
    evaluation.end_points.push(EndPoint {
        titrant: v,
        u: Some(u),
        signal: None,
        confirmed_at: None,
        confirmed_at_point: None,
        method: best.name.clone(),
    });
    evaluation.residuals = best.residuals();
    let scale = Scale { origin: 0.0, unit, signal: head.signal, titrant: head.titrant };
    evaluation.fitted = portray::parameters(best, &scale, given);
    evaluation.curve = portray::curve(best, &scale, None);
    diagnosis::of_fit(best, points, head, given, unit, evaluation);
    true
}

/// The point that rises furthest above all before it, behind the lowest of these: what falls from the start is no peak.
fn summit(z: &[f64]) -> Option<(usize, usize)> {
    let mut lowest = 0;
    let mut best: Option<(usize, usize)> = None;
    for i in 1..z.len() {
        if best.is_none_or(|(from, top)| z[i] - z[lowest] > z[top] - z[from]) {
            best = Some((lowest, i));
        }
        if z[i] < z[lowest] {
            lowest = i;
        }
    }
    best
}

/// Starts: where the voltage crosses the middle, or where it is highest.
fn starts(
    couples: Couples,
    titrant: &[f64],
    z: &[f64],
    (low, high): (f64, f64),
    ln_v0: f64,
) -> Vec<Vec<f64>> {
    let n = z.len();
    let middle = f64::midpoint(low, high);
    // The last crossing in the right direction; the first readings may be anything.
    let crossing = |falls: bool| {
        (1..n).rfind(|i| {
            if falls { z[*i] < middle && z[*i - 1] >= middle } else { z[*i] >= middle && z[*i - 1] < middle }
        })
    };
    let gap = match couples {
        Couples::Titrant => crossing(true).map(|i| (titrant[i - 1], titrant[i])),
        Couples::Analyte => crossing(false).map(|i| (titrant[i - 1], titrant[i])),
        Couples::Both => summit(z).map(|(_, i)| (titrant[i - 1], titrant[(i + 1).min(n - 1)])),
    };
    let Some((before, behind)) = gap else { return Vec::new() };
    let mut all = Vec::new();
    for part in [0.1, 0.5, 0.9] {
        // The top of a peak is seldom seen: it may be higher than the highest point.
        for (current, higher) in [(0.003_f64, 0.0), (0.003, 10.0)] {
            if higher > 0.0 && couples != Couples::Both {
                continue;
            }
            let end = before + part * (behind - before);
            let mut p = vec![0.0; 5];
            p[voltage::END] = end.max(1e-6);
            p[voltage::LN_CURRENT] = current.ln();
            p[voltage::LN_NEXT] = (2.0 * current.ln() - (high - low) - higher).min(-2.0);
            p[voltage::REST] = low;
            p[voltage::LN_V0] = ln_v0;
            all.push(p);
        }
    }
    all
}
