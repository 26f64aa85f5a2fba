//! The final evaluation: the whole curve, no haste.

use super::condition::Points;
use super::evaluation::Evaluation;
use super::given::{Given, Shape};
use super::{bend, jump, scale, special};
use crate::reading::Curve;

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
    let shape = scale::shape(&curve.head, given);
    if !matches!(shape, Some(Shape::Jump) | None) {
        evaluation.warnings.clone_from(&points.notes);
    }
    match shape {
        Some(Shape::Level) => {
            evaluation.end_points.extend(given.level.as_ref().and_then(|l| special::level(&points, l)));
        }
        Some(Shape::Peak) => evaluation.end_points.extend(special::peak(&points)),
        Some(Shape::Bend) => bend::evaluate(&points, &curve.head, given, &mut evaluation),
        Some(Shape::Jump) | None => {
            let points = points.without_spikes();
            jump::evaluate(&points, &curve.head, given, &mut evaluation);
            evaluation.warnings.splice(0..0, points.notes);
        }
    }
    evaluation.end_points.retain(|e| given.accepts(e.titrant));
    evaluation
}
