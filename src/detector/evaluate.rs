//! The final evaluation: the whole curve, no haste.

use super::classical::{self, Table};
use super::condition::Points;
use super::evaluation::Evaluation;
use super::given::{Family, Given, Shape};
use super::{bend, diagnosis, jump, scale, special, voltage};
use crate::reading::{Curve, CurveHead, Quantity};

/// Finds the end-points of a whole curve.
///
/// Never fails: a curve that cannot be judged gives no end-point and a warning that says why.
#[must_use]
pub fn evaluate(curve: &Curve, given: &Given) -> Evaluation {
    let evaluation = within(curve, given);
    let Some(model) = given.model.as_deref().filter(|_| evaluation.tried.is_empty()) else {
        return evaluation;
    };
    let mut free = within(curve, &Given { model: None, ..given.clone() });
    if !free.tried.is_empty() {
        let mut names: Vec<&str> = free.tried.iter().map(|t| t.model.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        free.warnings.push(format!(
            "no model for this curve has a name that begins with \"{}\"; all were tried: {}",
            model.escape_debug(),
            names.join("; ")
        ));
    }
    free
}

/// The end-points by the models that `given` allows.
fn within(curve: &Curve, given: &Given) -> Evaluation {
    let mut evaluation = Evaluation::default();
    let Some(points) = Points::of(curve) else {
        evaluation.warnings.push("fewer than three usable points: nothing can be said".to_owned());
        return evaluation;
    };
    let head = &curve.head;
    let shape = scale::shape(head, given);
    // Two polarised electrodes at a fixed current: a voltage, but no electrode of Nernst.
    let polarised = given.family == Some(Family::Polarised)
        || given.family.is_none() && head.signal.is_some_and(|s| s.0 == Quantity::Voltage);
    let unit = scale::nernst(head, points.temperature_c);
    if let (true, Some(unit), None | Some(Shape::Jump | Shape::Bend | Shape::Peak)) = (polarised, unit, shape)
        && voltage::evaluate(&points, head, given, unit, &mut evaluation)
    {
        evaluation.warnings.splice(0..0, points.notes.iter().cloned());
        finish(&points, head, given, &mut evaluation);
        return evaluation;
    }
    let points = match shape {
        Some(Shape::Jump) | None => points.without_spikes(),
        Some(Shape::Bend) => points.without_stuck(),
        Some(Shape::Level | Shape::Peak) => points,
    };
    evaluation.warnings.clone_from(&points.notes);
    match shape {
        Some(Shape::Level) => {
            evaluation.end_points.extend(given.level.as_ref().and_then(|l| special::level(&points, l)));
        }
        Some(Shape::Peak) => evaluation.end_points.extend(special::peak(&points)),
        Some(Shape::Bend) => bend::evaluate(&points, head, given, &mut evaluation),
        Some(Shape::Jump) => {
            jump::evaluate(&points, head, given, &mut evaluation);
            // Nothing found in a potential of which nothing is known: it may be one of two polarised electrodes.
            if let (true, Some(unit), None) = (evaluation.end_points.is_empty(), unit, given.family)
                && head.signal.is_some_and(|s| s.0 != Quantity::Ph)
            {
                voltage::evaluate(&points, head, given, unit, &mut evaluation);
            }
        }
        None => {
            jump::evaluate(&points, head, given, &mut evaluation);
            if evaluation.end_points.is_empty() {
                bend::evaluate(&points, head, given, &mut evaluation);
            }
        }
    }
    finish(&points, head, given, &mut evaluation);
    if matches!(shape, Some(Shape::Jump) | None) && !evaluation.end_points.is_empty() {
        let rises = points.signal[points.len() - 1] >= points.signal[0];
        let unit = unit.map(|s| if rises { s } else { -s });
        let fitted = evaluation.fitted.iter().find(|f| f.name == "sample volume").map(|f| f.value);
        let table = Table {
            titrant: &points.titrant,
            signal: &points.signal,
            unit,
            sample_volume_ml: given.sample_volume_ml.or(fitted),
            in_ph: head.signal.is_some_and(|s| s.0 == Quantity::Ph),
        };
        let ends: Vec<f64> = evaluation.end_points.iter().map(|e| e.titrant).collect();
        evaluation.classical = classical::estimates(&table, &ends);
    }
    evaluation
}

/// Windows, number, and what the points alone say.
fn finish(points: &Points, head: &CurveHead, given: &Given, evaluation: &mut Evaluation) {
    evaluation.end_points.retain(|e| given.accepts(e.titrant));
    most(given, evaluation);
    diagnosis::of_points(points, head, given, evaluation);
}

/// Keeps at most as many end-points as are looked for: the sharpest.
fn most(given: &Given, evaluation: &mut Evaluation) {
    let Some(wanted) = given.looked_for else { return };
    if evaluation.end_points.len() <= wanted {
        return;
    }
    let blunt = |u: Option<f64>| u.unwrap_or(f64::INFINITY);
    evaluation.end_points.sort_by(|a, b| blunt(a.u).total_cmp(&blunt(b.u)));
    for end in evaluation.end_points.split_off(wanted) {
        evaluation.warnings.push(format!(
            "a further end-point at {:.4}, more than were looked for, is not reported",
            end.titrant
        ));
    }
    evaluation.end_points.sort_by(|a, b| a.titrant.total_cmp(&b.titrant));
}
