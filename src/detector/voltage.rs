//! End-points of the voltage between two polarised electrodes.

use super::condition::{Dosing, Points};
use super::evaluation::Evaluation;
use super::fitted::{Fitted, average};
use super::given::Given;
use super::models::{Couples, PolarisedVoltage, voltage};
use super::portray::{self, Scale};
use super::response::{self, Response, Series};
use super::{EndPoint, diagnosis};
use crate::reading::CurveHead;
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
    let z: Vec<f64> = points.signal.iter().map(|x| x / unit).collect();
    let (low, high) = z.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), z| (l.min(*z), h.max(*z)));
    if high - low < LEAST_SWING || points.len() < 9 || points.len() > 3_000 {
        return false;
    }
    let ln_volume = given
        .sample_volume_ml
        .filter(|v| v.is_finite() && *v > 0.0)
        .map_or((60_f64.ln(), 0.8), |v| (v.ln(), 0.02));
    let series = Series {
        titrant: points.titrant.clone(),
        signal: z.clone(),
        share: vec![1.0; points.len()],
        time_s: points.time_s.clone().filter(|_| points.dosing == Dosing::Continuous),
        u_signal: points.u_signal / unit,
        u_titrant: points.u_titrant,
    };
    let mut fits: Vec<Fitted> = Vec::new();
    for couples in [Couples::Titrant, Couples::Analyte, Couples::Both] {
        let model = PolarisedVoltage { couples, ln_volume, range: points.range() };
        let response: Rc<dyn Response> = Rc::new(model);
        let mut best: Option<Fitted> = None;
        for start in starts(couples, &points.titrant, &z, (low, high), ln_volume.0) {
            let mut start = start;
            if series.time_s.is_some() {
                start.push(2_f64.ln());
            }
            let found = response::fit(&response, &series, &start, 0.5, 7);
            if let Some(found) = found
                && best.as_ref().is_none_or(|b| found.criterion < b.criterion)
            {
                best = Some(found);
            }
        }
        fits.extend(best);
    }
    for fit in &mut fits {
        let kept = fit.weights.iter().filter(|w| **w > 0.1).count();
        let (v, u) = fit.ends[0];
        let (first, last) = (points.titrant[0], points.titrant[points.len() - 1]);
        if fit.scale > MOST_SCATTER || kept * 10 < 8 * fit.weights.len() {
            fit.fault = Some("does not describe the voltage");
        } else if u > 0.05 * points.range() || v <= first || v + 2.0 * u >= last {
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
    let places: Vec<f64> = match couples {
        Couples::Titrant => {
            crossing(true).map(|i| vec![titrant[i - 1], f64::midpoint(titrant[i - 1], titrant[i])])
        }
        Couples::Analyte => {
            crossing(false).map(|i| vec![titrant[i], f64::midpoint(titrant[i - 1], titrant[i])])
        }
        Couples::Both => (n / 10..n).max_by(|a, b| z[*a].total_cmp(&z[*b])).map(|i| vec![titrant[i]]),
    }
    .unwrap_or_default();
    let mut all = Vec::new();
    for end in places.into_iter().filter(|v| *v > 0.0) {
        for current in [0.002_f64, 0.008] {
            let mut p = vec![0.0; 5];
            p[voltage::END] = end;
            p[voltage::LN_CURRENT] = current.ln();
            p[voltage::LN_NEXT] = (2.0 * current.ln() - (high - low)).min(-2.0);
            p[voltage::REST] = low;
            p[voltage::LN_V0] = ln_v0;
            all.push(p);
        }
    }
    all
}
