//! The final evaluation: the whole curve, no haste.

use super::condition::Points;
use super::evaluation::Evaluation;
use super::given::{Given, Shape};
use super::picture::{Inverse, Minimum};
use super::{EndPoint, scale, special};
use crate::reading::Curve;

/// Contrast from which a minimum of B is an end-point when no model confirms it.
const CONTRAST_ALONE: f64 = 1.0;

/// Finds the end-points of a whole curve.
///
/// Never fails: a curve that cannot be judged gives no end-point and a warning that says why.
#[must_use]
pub fn evaluate(curve: &Curve, given: &Given) -> Evaluation {
    let mut evaluation = Evaluation::default();
    let Some(points) = Points::of(curve) else {
        evaluation.warnings.push("fewer than three usable points: nothing can be said".to_owned());
        return evaluation;
    };
    evaluation.warnings.clone_from(&points.notes);
    match scale::shape(&curve.head, given) {
        Some(Shape::Level) => {
            evaluation.end_points.extend(given.level.as_ref().and_then(|l| special::level(&points, l)));
        }
        Some(Shape::Peak) => evaluation.end_points.extend(special::peak(&points)),
        Some(Shape::Bend) => {}
        Some(Shape::Jump) | None => {
            let scale = scale::nernst(&curve.head, points.temperature_c);
            evaluation.end_points = jumps(&points, scale);
        }
    }
    evaluation.end_points.retain(|e| given.accepts(e.titrant));
    evaluation
}

fn jumps(points: &Points, scale: Option<f64>) -> Vec<EndPoint> {
    let n = points.len();
    let ends = (n / 10).max(1);
    let mean = |s: &[f64]| s.iter().sum::<f64>() / s.len() as f64;
    let change = mean(&points.signal[n - ends..]) - mean(&points.signal[..ends]);
    let sign = if change < 0.0 { -1.0 } else { 1.0 };
    let rising: Vec<f64> = points.signal.iter().map(|x| sign * x).collect();
    let inverse = Inverse::of(&points.titrant, &rising);
    let (low, high) = inverse.ends();
    let scale = scale.unwrap_or((high - low) / 20.0);
    if high - low < (8.0 * points.u_signal).max(0.8 * scale) {
        return Vec::new();
    }
    inverse
        .minima((0.9 * scale).max(6.0 * points.u_signal), 1e-6 * points.range())
        .into_iter()
        .filter(|m| m.contrast() >= CONTRAST_ALONE)
        .map(|m| model_free(points, &m, sign))
        .collect()
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
