//! End-points where branches of the signal meet.

use super::condition::Points;
use super::evaluation::{Evaluation, Tried};
use super::fitted::{Fitted, average, plain_enough, well_explained};
use super::given::Given;
use super::models::Bend;
use super::physical::{Kind, physical, unfinished};
use super::portray::{self, Scale};
use super::response::{Response, Series, fit};
use super::stretch::{MOST_POINTS, pooled, series, shortened};
use super::{EndPoint, diagnosis};
use crate::numeric::line;
use crate::reading::CurveHead;
use std::rc::Rc;

/// A joint must improve the criterion by so much over a smooth curve without one.
const GAIN: f64 = 10.0;
/// Rounds of new weights.
const ROUNDS: usize = 6;
/// Below this share of the range a turn may be the dissociation of a weak acid at the start.
const EARLY: f64 = 0.3;
/// The change of slope must be so many times its uncertainty.
const SIGNIFICANT: f64 = 5.0;

/// Writes the end-points, the models tried and the fitted curve to `evaluation`.
pub(super) fn evaluate(points: &Points, head: &CurveHead, given: &Given, evaluation: &mut Evaluation) {
    let whole = series(points, head);
    if whole.titrant.len() < 8 || points.range() <= 0.0 {
        evaluation.warnings.push("too few points for a bend".to_owned());
        return;
    }
    let coarse = pooled(&whole, &[]);
    let joints = if whole.titrant.len() > MOST_POINTS {
        places(&coarse, 1, 60.0).unwrap_or_default()
    } else {
        Vec::new()
    };
    let series = pooled(&whole, &joints);
    let n = series.titrant.len();
    let kind = Kind::of(head, given, points.temperature_c);
    let ln_volume = given
        .sample_volume_ml
        .filter(|v| v.is_finite() && *v > 0.0)
        .map_or((60_f64.ln(), 0.8), |v| (v.ln(), 0.02));
    let mut best: Option<(f64, Vec<Fitted>)> = None;
    let mut tried = Vec::new();
    for count in [1, 2] {
        // A second joint is looked for when it is asked for, or when one leaves something unexplained.
        let explained = best.as_ref().is_some_and(|(_, fits)| fits.first().is_some_and(well_explained));
        let wanted = given.looked_for.map_or(!explained, |k| k >= 2 && !explained || k == 2);
        if count == 2 && !wanted {
            continue;
        }
        let mut part = series.clone();
        for _ in 0..4 {
            let fits = attempt(&part, given, count, &kind, ln_volume, &mut tried);
            let Some(first) = fits.first() else { break };
            let poor = first.lag_one > 0.25 || first.scale > 2.3;
            let shorter = poor.then(|| shortened(&part, &first.ends)).flatten();
            if let Some(shorter) = shorter {
                part = shorter;
                continue;
            }
            // More joints must pay for themselves over the same points.
            let same = best.as_ref().is_none_or(|_| part.titrant.len() == n);
            let criterion = if same { first.criterion } else { f64::INFINITY };
            let better = best.as_ref().is_none_or(|(c, _)| criterion + 2.0 * GAIN < *c);
            if better {
                best = Some((if part.titrant.len() == n { criterion } else { f64::NEG_INFINITY }, fits));
            }
            break;
        }
    }
    let Some((_, fits)) = best else {
        evaluation.tried = tried;
        return;
    };
    write(points, head, given, fits, tried, evaluation);
}

/// All bend models with `count` joints on a stretch, best first; empty if none is significant.
fn attempt(
    series: &Series,
    given: &Given,
    count: usize,
    kind: &Kind,
    ln_volume: (f64, f64),
    tried: &mut Vec<Tried>,
) -> Vec<Fitted> {
    let Some(places) = places(series, count, ln_volume.0.exp()) else { return Vec::new() };
    // Behind a lag the corner itself may be sharp: both roundings must be able to explain it.
    let widths = if series.time_s.is_some() { vec![0.002, 0.05] } else { vec![0.01, 0.08] };
    let mut attempt = Attempt { series, given, count, kind, ln_volume, places, widths, fits: Vec::new() };
    attempt.bends(false);
    if count == 1 {
        attempt.physical();
    }
    // What is explained to the noise needs no curved branches.
    if !attempt.fits.iter().any(|f| f.fault.is_none() && plain_enough(f)) {
        attempt.bends(true);
    }
    let mut fits = attempt.fits;
    let smooth = smooth_criterion(series, ln_volume.0.exp());
    for fit in &mut fits {
        if fit.fault.is_none() && fit.criterion + GAIN >= smooth {
            fit.fault = Some("no better than a smooth curve");
        }
    }
    let (mut usable, refused): (Vec<Fitted>, Vec<Fitted>) = fits.into_iter().partition(|f| f.fault.is_none());
    tried.extend(refused.iter().map(|f| f.row(0.0, 0.0)));
    usable.sort_by(|a, b| a.criterion.total_cmp(&b.criterion));
    usable
}

/// The fits of one number of joints to one stretch.
struct Attempt<'a> {
    series: &'a Series,
    given: &'a Given,
    count: usize,
    kind: &'a Kind,
    ln_volume: (f64, f64),
    /// Where straight pieces meet best.
    places: Vec<f64>,
    /// Widths from which a fit starts, as shares of the range.
    widths: Vec<f64>,
    fits: Vec<Fitted>,
}

impl Attempt<'_> {
    fn range(&self) -> f64 {
        self.series.titrant[self.series.titrant.len() - 1] - self.series.titrant[0]
    }

    fn keep(&mut self, fitted: Option<Fitted>, significant: bool) {
        let Some(mut fit) = fitted else { return };
        fit.fault = fit.fault.or_else(|| misplaced(self.series, &fit));
        fit.fault = fit.fault.or((!significant).then_some("change of slope within its uncertainty"));
        self.fits.push(fit);
    }

    /// The best of the fits from several starts.
    fn best(&self, response: &Rc<dyn Response>, starts: &[Vec<f64>]) -> Option<Fitted> {
        let widest = 50.0 * self.series.u_signal;
        let fits = starts.iter().filter_map(|start| fit(response, self.series, start, widest, ROUNDS));
        fits.min_by(|a, b| a.criterion.total_cmp(&b.criterion))
    }

    /// Branches that are straight, or curved on at least one side.
    fn bends(&mut self, curved: bool) {
        let strongest = self.series.signal.iter().fold(0.0_f64, |m, x| m.max(*x));
        let lagging = self.series.time_s.is_some();
        let range = self.range();
        let ln_width = if lagging { ((0.004 * range).ln(), 2.0) } else { ((0.03 * range).ln(), 1.5) };
        let branches: &[(bool, bool)] =
            if curved { &[(true, false), (false, true), (true, true)] } else { &[(false, false)] };
        for &(curved_before, curved_behind) in branches {
            for stray in [false, true] {
                if stray && (!self.kind.absorbance || strongest < 0.5) {
                    continue;
                }
                let ln_volume = self.ln_volume;
                let model =
                    Bend { count: self.count, curved_before, curved_behind, stray, ln_volume, ln_width };
                if self.given.allows(&model.name()) {
                    self.bend(&model);
                }
            }
        }
    }

    fn bend(&mut self, model: &Bend) {
        let bend: Rc<dyn Response> = Rc::new(model.clone());
        let mut found: Option<(f64, Fitted)> = None;
        for width in &self.widths {
            let Some(start) = start(self.series, model, &self.places, width * self.range()) else { continue };
            if let Some(other) = self.best(&bend, &[start])
                && found.as_ref().is_none_or(|f| other.criterion < f.1.criterion)
            {
                found = Some((*width, other));
            }
        }
        let Some((width, mut fit)) = found else { return };
        // The simplest model says from which width the others start.
        self.widths = vec![width];
        if self.kind.current && is_hump(model, &fit.p, 0) {
            if self.count == 1 {
                fit.fault = Some("a hump, not an end-point");
            } else {
                // Of a hump and a second joint only the second is an end-point.
                fit.ends.remove(0);
            }
        }
        let significant = (0..self.count).all(|k| {
            let i = model.changes() + k;
            fit.p[i].abs() > SIGNIFICANT * fit.covariance[(i, i)].max(0.0).sqrt()
        });
        self.keep(Some(fit), significant);
    }

    /// What the physics of the signal allows.
    fn physical(&mut self) {
        for group in physical(self.series, self.places[0], self.kind, self.ln_volume) {
            let first = self.fits.len();
            for (response, starts) in group {
                if !self.given.allows(&response.name()) {
                    continue;
                }
                let mut best = self.best(&response, &starts);
                if let Some(fit) = &mut best
                    && self.ends_beyond(fit)
                {
                    fit.fault = Some("no better than a curve that ends beyond the data");
                }
                self.keep(best, true);
            }
            if self.fits[first..].iter().any(|f| f.fault.is_none() && plain_enough(f)) {
                return;
            }
        }
    }

    /// Whether an early turn is explained as well by an end-point beyond the data.
    fn ends_beyond(&self, fit: &Fitted) -> bool {
        let early = self.series.titrant[0] + EARLY * self.range();
        fit.fault.is_none()
            && self.kind.has_early_turn()
            && fit.ends.iter().any(|e| e.0 < early)
            && self.beyond().is_some_and(|criterion| criterion < fit.criterion + GAIN)
    }

    /// Criterion of a weak acid or base whose end-point lies beyond the data: it conducts less at first, then more.
    fn beyond(&self) -> Option<f64> {
        let models = unfinished(self.series, self.kind, self.ln_volume);
        let fits = models.into_iter().filter_map(|(response, start)| self.best(&response, &[start]));
        let last = self.series.titrant[self.series.titrant.len() - 1];
        fits.filter(|f| f.ends.iter().all(|e| e.0 > last)).map(|f| f.criterion).min_by(f64::total_cmp)
    }
}

/// Whether the size of a current rises before a joint and falls behind it.
fn is_hump(model: &Bend, p: &[f64], joint: usize) -> bool {
    let before: f64 = p[model.constant() + 1] + (0..joint).map(|k| p[model.changes() + k]).sum::<f64>();
    let behind = before + p[model.changes() + joint];
    let sign = if p[model.constant()] < 0.0 { -1.0 } else { 1.0 };
    before * sign > 0.0 && behind * sign < 0.0
}

/// Criterion of the best parabola or cubic without a joint, diluted like the bends.
fn smooth_criterion(series: &Series, v0: f64) -> f64 {
    let n = series.titrant.len();
    let range = series.titrant[n - 1] - series.titrant[0];
    let y: Vec<f64> = (0..n).map(|i| series.signal[i] * (v0 + series.titrant[i]) / v0).collect();
    let u = |i: usize| (series.titrant[i] - series.titrant[0]) / range - 0.5;
    let cost = |scale: f64, k: f64| {
        let s = scale.max(0.5 * series.u_signal);
        let n = n as f64;
        let chi = n * (scale / s).powi(2);
        2.0 * n * s.ln() + chi + 2.0 * k * n / (n - k - 1.0)
    };
    let square: Vec<[f64; 3]> = (0..n).map(|i| [1.0, u(i), u(i) * u(i)]).collect();
    let cubic: Vec<[f64; 4]> = (0..n).map(|i| [1.0, u(i), u(i).powi(2), u(i).powi(3)]).collect();
    let a = line::least_squares(&square, &y).map_or(f64::INFINITY, |(_, _, s)| cost(s, 3.0));
    let b = line::least_squares(&cubic, &y).map_or(f64::INFINITY, |(_, _, s)| cost(s, 4.0));
    a.min(b)
}

/// Joints that best cut the diluted signal into straight pieces.
fn places(series: &Series, count: usize, v0: f64) -> Option<Vec<f64>> {
    let n = series.titrant.len();
    let (low, high) = (series.titrant[0], series.titrant[n - 1]);
    let steps = 28_u32;
    let y: Vec<f64> = (0..n).map(|i| series.signal[i] * (v0 + series.titrant[i]) / v0).collect();
    let at = |i: u32| low + (high - low) * f64::from(i) / f64::from(steps);
    let mut best: Option<(f64, Vec<f64>)> = None;
    let mut consider = |scale: f64, places: Vec<f64>| {
        if best.as_ref().is_none_or(|(s, _)| scale < *s) {
            best = Some((scale, places));
        }
    };
    for i in 2..steps - 1 {
        if count == 1 {
            let rows: Vec<[f64; 3]> =
                series.titrant.iter().map(|v| [1.0, *v - low, (v - at(i)).max(0.0)]).collect();
            if let Some((_, _, scale)) = line::least_squares(&rows, &y) {
                consider(scale, vec![at(i)]);
            }
            continue;
        }
        for j in i + 2..steps - 1 {
            let rows: Vec<[f64; 4]> = series
                .titrant
                .iter()
                .map(|v| [1.0, *v - low, (v - at(i)).max(0.0), (v - at(j)).max(0.0)])
                .collect();
            if let Some((_, _, scale)) = line::least_squares(&rows, &y) {
                consider(scale, vec![at(i), at(j)]);
            }
        }
    }
    best.map(|b| b.1)
}

/// Start of a bend from its places: straight pieces by least squares, everything else nothing.
fn start(series: &Series, bend: &Bend, places: &[f64], width: f64) -> Option<Vec<f64>> {
    let v0 = bend.ln_volume.0.exp();
    let y: Vec<f64> = series.signal.iter().zip(&series.titrant).map(|(x, v)| x * (v0 + v) / v0).collect();
    let mut p = vec![0.0; bend.len() + usize::from(series.time_s.is_some())];
    for (k, place) in places.iter().enumerate() {
        p[2 * k] = *place;
        p[2 * k + 1] = width.ln();
    }
    let at = bend.constant();
    let piece = |v: f64, k: usize| (v - places[k]).max(0.0);
    if bend.count == 1 {
        let rows: Vec<[f64; 3]> = series.titrant.iter().map(|v| [1.0, v - places[0], piece(*v, 0)]).collect();
        p[at..at + 3].copy_from_slice(&line::least_squares(&rows, &y)?.0);
    } else {
        let rows: Vec<[f64; 4]> =
            series.titrant.iter().map(|v| [1.0, v - places[0], piece(*v, 0), piece(*v, 1)]).collect();
        p[at..at + 4].copy_from_slice(&line::least_squares(&rows, &y)?.0);
    }
    p[bend.len() - 1 - usize::from(bend.stray)] = bend.ln_volume.0;
    if series.time_s.is_some()
        && let Some(tau) = p.last_mut()
    {
        *tau = 3_f64.ln();
    }
    Some(p)
}

/// Whether joints lie inside the data with points on both sides, and are narrower than their branches.
fn misplaced(series: &Series, fit: &Fitted) -> Option<&'static str> {
    let n = series.titrant.len();
    let (low, high) = (series.titrant[0], series.titrant[n - 1]);
    for (v, u) in &fit.ends {
        if *u > 0.05 * (high - low) {
            return Some("end-point too uncertain");
        }
        let before = series.titrant.iter().filter(|t| **t < v - u).count();
        let behind = series.titrant.iter().filter(|t| **t > v + u).count();
        if before < 3 || behind < 3 || *v < low + 0.08 * (high - low) || *v > high - 0.03 * (high - low) {
            return Some("joint at the edge of the data");
        }
    }
    None
}

/// Averages the fits and writes everything out.
fn write(
    points: &Points,
    head: &CurveHead,
    given: &Given,
    mut fits: Vec<Fitted>,
    refused: Vec<Tried>,
    evaluation: &mut Evaluation,
) {
    let (ends, rows) = average(&mut fits, points.u_titrant);
    evaluation.tried = rows;
    let (Some(ends), Some(first)) = (ends, fits.first()) else { return };
    evaluation.tried.extend(refused.into_iter().map(|mut row| {
        row.delta_aicc -= first.criterion;
        row
    }));
    for (mean, u) in ends {
        let i = points.titrant.partition_point(|v| *v < mean).clamp(1, points.len() - 1);
        let gap = points.titrant[i] - points.titrant[i - 1];
        let part = if gap > 0.0 { (mean - points.titrant[i - 1]) / gap } else { 0.5 };
        let signal = points.signal[i - 1] + part * (points.signal[i] - points.signal[i - 1]);
        evaluation.end_points.push(EndPoint {
            titrant: mean,
            u: Some(u),
            signal: Some(signal),
            confirmed_at: None,
            confirmed_at_point: None,
            method: first.name.clone(),
        });
    }
    evaluation.residuals = first.residuals();
    let scale = Scale { origin: 0.0, unit: 1.0, signal: head.signal, titrant: head.titrant };
    evaluation.fitted = portray::parameters(first, &scale, given);
    evaluation.curve = portray::curve(first, &scale, None);
    diagnosis::of_fit(first, points, head, given, 1.0, evaluation);
}
