//! Where the next end-point is expected, from the line before it and from earlier portions.

use super::arms::{self, Arm, Fit, Scales};
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
/// and by no less than this part of the whole.
const AT_LEAST: f64 = 0.006;
/// It overstates that way by this part: electrodes have less than the nominal slope (median over generated runs).
const OVERSTATED: f64 = 0.1;
/// Lines whose squares are within this factor of the best, and this much more, are rivals.
const RIVAL: f64 = 2.0;
const RIVAL_MORE: f64 = 4.0;
/// A line whose size is not known to this many of its uncertainties says nothing.
const SIZE_KNOWN: f64 = 5.0;
/// Least number of points.
const POINTS: usize = 5;

/// The forecast from the points before the end-point.
///
/// Lines of every form are tried: titrant-shared or diluted, for an ion or electron count of one or two; the best one by
/// its residuals is taken, and the others that fit about as well widen the interval.
pub(super) fn from_line(points: &[Mark], scales: &Scales) -> Option<Forecast> {
    if points.len() < POINTS {
        return None;
    }
    let now = points.last()?.titrant;
    let mut decay = arms::decays(points, scales);
    let mut fits: [Option<Fit<2>>; 4] = [None; 4];
    for (i, fit) in fits.iter_mut().enumerate() {
        if i == 2 {
            decay.iter_mut().for_each(|d| *d *= *d);
        }
        let charge = if i < 2 { 1.0 } else { 2.0 };
        let arm = if i % 2 == 0 { Arm::Shared } else { Arm::Diluted(scales.before) };
        let scales = Scales { nernst: scales.nernst / charge, ..*scales };
        *fit = arms::left_alone(points, &decay, &scales, arm);
    }
    let best = fits.iter().flatten().min_by(|a, b| a.chi2.total_cmp(&b.chi2)).copied()?;
    if best.value[1] < SIZE_KNOWN * best.u[1] || best.value[0] <= now {
        return None;
    }
    let rivals =
        fits.iter().flatten().filter(|f| f.chi2 < RIVAL * best.chi2 + RIVAL_MORE && f.value[0] > now);
    let apart = rivals.map(|f| (f.value[0] - best.value[0]).abs()).fold(0.0, f64::max);
    let to_go = best.value[0] - now;
    let way = (OF_THE_WAY * to_go).max(AT_LEAST * best.value[0]);
    let half_width = way.hypot(NINE_OF_TEN * best.u[0]).hypot(apart);
    let expected = best.value[0] - OVERSTATED * to_go;
    Some(Forecast { expected, half_width, points: points.len() })
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
