//! Where the next end-point is expected, from the line before it and from earlier portions.

use super::arms::{Arm, Fit, Scales, left_alone};
use super::mark::Mark;
use serde::{Deserialize, Serialize};

/// What earlier portions of the series let expect.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Prior {
    /// Expected titrant at the first end-point (mL or g), scaled to this portion's amount.
    pub expected: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

/// An expected end-point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Forecast {
    /// Titrant at the end-point.
    pub(super) expected: f64,
    /// Half of the interval that holds it nine times of ten.
    pub(super) half_width: f64,
    /// Points that it rests on.
    pub(super) points: usize,
}

/// A 90 % interval is so many standard deviations wide on each side.
const NINE_OF_TEN: f64 = 1.645;
/// The line before the end-point misses by up to this part of the way still to go, nine times of ten.
const OF_THE_WAY: f64 = 0.33;
/// A line whose size is not known to this many of its uncertainties says nothing.
const SIZE_KNOWN: f64 = 5.0;
/// Least number of points.
const POINTS: usize = 5;

/// The forecast from the points before the end-point.
pub(super) fn from_line(points: &[Mark], scales: &Scales) -> Option<Forecast> {
    if points.len() < POINTS {
        return None;
    }
    let now = points.last()?.titrant;
    let usable = |fit: &Fit<2>| fit.value[1] > SIZE_KNOWN * fit.u[1] && fit.value[0] > now;
    let shared = left_alone(points, scales, Arm::Shared).filter(usable);
    let diluted = left_alone(points, scales, Arm::Diluted(scales.before)).filter(usable);
    let (best, other) = match (shared, diluted) {
        (Some(a), Some(b)) if b.chi2 < a.chi2 => (b, Some(a)),
        (Some(a), b) => (a, b),
        (None, Some(b)) => (b, None),
        (None, None) => return None,
    };
    let apart = other.map_or(0.0, |o| (o.value[0] - best.value[0]).abs());
    let to_go = best.value[0] - now;
    let half_width = (OF_THE_WAY * to_go).hypot(NINE_OF_TEN * best.u[0]).hypot(0.5 * apart);
    Some(Forecast { expected: best.value[0], half_width, points: points.len() })
}

/// The line and the earlier portions, each with its weight.
pub(super) fn joined(line: Option<Forecast>, prior: Option<Prior>) -> Option<Forecast> {
    let prior = prior.map(|p| Forecast { expected: p.expected, half_width: NINE_OF_TEN * p.u, points: 0 });
    match (line, prior) {
        (Some(line), Some(prior)) => {
            // Portions that disagree with the line beyond both intervals are another amount: the line counts.
            if (line.expected - prior.expected).abs() > 2.0 * line.half_width.hypot(prior.half_width) {
                return Some(line);
            }
            let (a, b) = (line.half_width.powi(-2), prior.half_width.powi(-2));
            let expected = (a * line.expected + b * prior.expected) / (a + b);
            Some(Forecast { expected, half_width: (a + b).sqrt().recip(), points: line.points })
        }
        (line, prior) => line.or(prior),
    }
}
