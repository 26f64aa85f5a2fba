//! End-points of a signal that jumps.

use super::bank::{Knowledge, Mark};
use super::choose::choose;
use super::condition::Points;
use super::evaluation::Evaluation;
use super::frame::frame;
use super::given::Given;
use super::picture::{Inverse, Minimum};
use super::portray::{self, Scale};
use super::{EndPoint, diagnosis, scale};
use crate::reading::CurveHead;

/// Contrast from which a minimum of B is put before the models.
const CONTRAST: f64 = 0.6;
/// Contrast from which it is an end-point when no model confirms it.
const CONTRAST_ALONE: f64 = 1.0;
/// Contrast from which one of several marks is not doubted.
const CONTRAST_SURE: f64 = 1.8;
/// By so much must the criterion fall for one end-point fewer.
const SIMPLER: f64 = 3.0;
/// Contrast before it from which a curve that stopped barely behind an end-point is put before the models.
const CONTRAST_BEFORE: f64 = 1.2;

/// Writes the end-points, the models tried and the fitted curve to `evaluation`.
pub(super) fn evaluate(points: &Points, head: &CurveHead, given: &Given, evaluation: &mut Evaluation) {
    let sign = direction(&points.signal);
    let rising: Vec<f64> = points.signal.iter().map(|x| sign * x).collect();
    let inverse = Inverse::of(&points.titrant, &rising);
    let (low, high) = inverse.ends();
    let nernst = scale::nernst(head, points.temperature_c);
    let unit = nernst.unwrap_or((high - low) / 20.0);
    if high - low < (8.0 * points.u_signal).max(0.8 * unit) {
        evaluation.warnings.push("the signal does not move by more than its noise".to_owned());
        return;
    }
    let minima = inverse.minima((0.9 * unit).max(6.0 * points.u_signal), 1e-6 * points.range());
    let mut marks: Vec<Minimum> = minima.iter().copied().filter(|m| m.contrast() >= CONTRAST).collect();
    let edge = minima
        .iter()
        .copied()
        .rfind(|m| m.right < CONTRAST && m.left >= CONTRAST_BEFORE && barely_past(points, m))
        .filter(|m| marks.last().is_none_or(|last| m.titrant > last.titrant));
    if marks.is_empty() && edge.is_none() {
        return;
    }
    let middle = f64::midpoint(low, high);
    let frame = frame(points, middle, sign * unit, nernst.is_some(), given);
    let quantity = head.signal.map(|s| s.0);
    let knowledge = Knowledge::of(given, quantity, points.temperature_c);
    marks.extend(edge);
    while !marks.is_empty() {
        let mut choice = choose(&frame, &places(&marks, middle, unit), &knowledge);
        if let Some(i) = doubtful(&marks) {
            // One end-point fewer that explains the same points as well is the better answer.
            let mut fewer = marks.clone();
            fewer.remove(i);
            let other = choose(&frame, &places(&fewer, middle, unit), &knowledge);
            if other.ends.is_some()
                && (choice.ends.is_none() || other.criterion() + SIMPLER <= choice.criterion())
            {
                choice = other;
                marks = fewer;
            }
        }
        evaluation.tried = choice.tried;
        if let (Some(ends), Some(best)) = (choice.ends, choice.fits.first()) {
            let last = points.titrant[points.len() - 1];
            let reached = ends.last().is_none_or(|(v, u)| v + 3.0 * u < last);
            let at_edge = marks.last().is_some_and(|m| m.contrast() < CONTRAST);
            if at_edge && !reached {
                marks.pop();
                continue;
            }
            if let (Some((v, u)), None) = (best.unseen(), given.looked_for.filter(|k| *k < 2)) {
                evaluation.end_points.push(EndPoint {
                    titrant: v,
                    u: Some(u.max(points.u_titrant)),
                    signal: None,
                    confirmed_at: None,
                    confirmed_at_point: None,
                    method: format!("{}, does not stand out on the curve", best.name),
                });
            }
            for ((v, u), mark) in ends.iter().zip(&marks) {
                evaluation.end_points.push(EndPoint {
                    titrant: *v,
                    u: Some(*u),
                    signal: Some(sign * mark.signal),
                    confirmed_at: None,
                    confirmed_at_point: None,
                    method: best.name.clone(),
                });
            }
            evaluation.residuals = best.residuals();
            let scale =
                Scale { origin: frame.origin, unit: frame.unit, signal: head.signal, titrant: head.titrant };
            evaluation.fitted = portray::parameters(best, &scale, given);
            evaluation.curve = portray::curve(best, &scale, Some(&frame));
            diagnosis::of_fit(best, points, head, given, frame.unit, evaluation);
            return;
        }
        // No model fits: the weakest mark may be none.
        let weakest = marks
            .iter()
            .enumerate()
            .min_by(|a, b| a.1.contrast().total_cmp(&b.1.contrast()))
            .map(|(i, m)| (i, m.contrast()));
        match weakest {
            Some((i, contrast)) if contrast < CONTRAST_ALONE => {
                marks.remove(i);
            }
            _ => break,
        }
    }
    if !marks.is_empty() {
        evaluation.warnings.push(
            "no model fits: the end-point is the steepest place, which is an inflection, not an equivalence point"
                .to_owned(),
        );
    }
    evaluation.end_points.extend(marks.iter().map(|m| model_free(points, m, sign)));
}

/// Marks in the coordinates of the models.
fn places(marks: &[Minimum], middle: f64, unit: f64) -> Vec<Mark> {
    marks.iter().map(|m| Mark { titrant: m.titrant, z: (m.signal - middle) / unit }).collect()
}

/// The weakest of several marks, if it is weak.
fn doubtful(marks: &[Minimum]) -> Option<usize> {
    if marks.len() < 2 {
        return None;
    }
    let weakest = marks.iter().enumerate().min_by(|a, b| a.1.contrast().total_cmp(&b.1.contrast()))?;
    (weakest.1.contrast() < CONTRAST_SURE).then_some(weakest.0)
}

/// +1 if the signal rises on the whole, -1 if it falls.
fn direction(signal: &[f64]) -> f64 {
    let n = signal.len();
    let part = (n / 10).max(1);
    let mean = |s: &[f64]| s.iter().sum::<f64>() / s.len() as f64;
    if mean(&signal[n - part..]) < mean(&signal[..part]) { -1.0 } else { 1.0 }
}

/// At least two points lie behind the mark, and the slope has begun to fall or a third one is there.
fn barely_past(points: &Points, mark: &Minimum) -> bool {
    let behind = points.titrant.iter().filter(|v| **v > mark.titrant).count();
    behind >= 3 || (behind == 2 && mark.right > 0.1)
}

/// The end-point as the steepest place, with half the gap around it as the half-width of its uncertainty.
fn model_free(points: &Points, minimum: &Minimum, sign: f64) -> EndPoint {
    let i = points.titrant.partition_point(|v| *v < minimum.titrant).clamp(1, points.len() - 1);
    let gap = points.titrant[i] - points.titrant[i - 1];
    EndPoint {
        titrant: minimum.titrant,
        u: Some((gap / 12_f64.sqrt()).hypot(points.u_titrant)),
        signal: Some(sign * minimum.signal),
        confirmed_at: None,
        confirmed_at_point: None,
        method: "steepest place (no model): an inflection, not an equivalence point".to_owned(),
    }
}
