//! Fits models that give the SIGNAL for a titrant: bends, floors of electrodes, slow electrodes.
//!
//! Residual x - x(V) with variance s_x^2 + (dx/dV s_V)^2, weights frozen within a run, Tukey's biweight outside.
//! A first-order lag filters the model and, because the filter is linear, its derivatives alike.

use super::fit::PROMISE;
use super::fitted::{Drawn, Fitted};
use super::models::Meaning;
use super::prior::{self, Prior};
use super::robust::{median_scale, tukey, tukey_cost, whiteness};
use super::scatter::{LeftOver, Scatter};
use crate::numeric::levenberg::{self, Patience, Stop, System};
use nalgebra::{DMatrix, DVector};
use std::rc::Rc;

/// Signal as a function of titrant.
pub(super) trait Response {
    /// Name for people.
    fn name(&self) -> String;
    /// Number of parameters.
    fn len(&self) -> usize;
    /// Signal at a titrant; the derivatives by the parameters go to `gradient`.
    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64>;
    /// The signal alone, where that is cheaper; `scrap` has room for a gradient.
    fn value(&self, titrant: f64, p: &[f64], scrap: &mut [f64]) -> Option<f64> {
        self.signal(titrant, p, scrap)
    }
    /// Which parameters add up to each end-point.
    fn ends(&self) -> Vec<Vec<usize>>;
    /// A parameter that is an end-point too, though none stands out there on the curve.
    fn unseen(&self) -> Option<usize> {
        None
    }
    /// What is known beforehand.
    fn priors(&self) -> Vec<Prior>;
    /// What the parameters mean to a chemist, for those that mean something.
    fn meanings(&self) -> Vec<Meaning>;
    /// Why the parameters make no sense, if they make none.
    fn fault(&self, p: &[f64]) -> Option<&'static str>;
}

/// Points with their errors.
#[derive(Debug, Clone)]
pub(super) struct Series {
    /// Titrant, rising.
    pub(super) titrant: Vec<f64>,
    /// Signal.
    pub(super) signal: Vec<f64>,
    /// Each point's standard deviation over that of a single reading.
    pub(super) share: Vec<f64>,
    /// Seconds, where a lag is to be fitted.
    pub(super) time_s: Option<Vec<f64>>,
    /// Standard deviation of a reading of the signal.
    pub(super) u_signal: f64,
    /// Standard deviation of a reading of the titrant.
    pub(super) u_titrant: f64,
}

/// Between nodes a lag takes the signal for straight: where it is counted in Nernst scales, over no more than this.
pub(super) const FINE: f64 = 0.15;

struct Weighted<'a> {
    response: &'a dyn Response,
    series: &'a Series,
    nodes: &'a Nodes,
    priors: &'a [Prior],
    factor: Vec<f64>,
    work: Vec<f64>,
}

/// Where the model is evaluated: the points, and places between them where a lag needs them.
pub(super) struct Nodes {
    titrant: Vec<f64>,
    time_s: Vec<f64>,
    /// Index of the point, or none for a place between points.
    point: Vec<Option<usize>>,
}

impl Nodes {
    fn of(series: &Series, response: &dyn Response, p: &[f64], widest: f64) -> Self {
        let n = series.titrant.len();
        let mut nodes = Self { titrant: Vec::new(), time_s: Vec::new(), point: Vec::new() };
        let mut gradient = vec![0.0; p.len()];
        for i in 0..n {
            if let Some(t) = &series.time_s
                && i > 0
            {
                let ends = [(series.titrant[i - 1], t[i - 1]), (series.titrant[i], t[i])];
                let level = |v: f64, g: &mut [f64]| response.value(v, p, g).unwrap_or(0.0);
                let (a, b) = (level(ends[0].0, &mut gradient), level(ends[1].0, &mut gradient));
                nodes.between(ends, (a, b), widest, 9, &mut |v| level(v, &mut gradient));
            }
            nodes.titrant.push(series.titrant[i]);
            nodes.time_s.push(series.time_s.as_ref().map_or(0.0, |t| t[i]));
            nodes.point.push(Some(i));
        }
        nodes
    }

    fn between(
        &mut self,
        ends: [(f64, f64); 2],
        levels: (f64, f64),
        widest: f64,
        depth: usize,
        level: &mut impl FnMut(f64) -> f64,
    ) {
        if depth == 0 || (levels.1 - levels.0).abs() <= widest || self.titrant.len() > 20_000 {
            return;
        }
        let middle = (f64::midpoint(ends[0].0, ends[1].0), f64::midpoint(ends[0].1, ends[1].1));
        let at = level(middle.0);
        self.between([ends[0], middle], (levels.0, at), widest, depth - 1, level);
        self.titrant.push(middle.0);
        self.time_s.push(middle.1);
        self.point.push(None);
        self.between([middle, ends[1]], (at, levels.1), widest, depth - 1, level);
    }
}

/// No electrode follows with one time constant alone: what the lag moves an end-point by is known no better than to this
/// share of itself (common practice, no source).
const LAG_UNLIKE: f64 = 0.01;

/// Parameters of the response, plus the lag.
fn width(response: &dyn Response, series: &Series) -> usize {
    response.len() + usize::from(series.time_s.is_some())
}

/// Fills signal (and derivatives, row by point) of the model at the points.
fn evaluate(
    response: &dyn Response,
    nodes: &Nodes,
    p: &[f64],
    lagging: bool,
    signal: &mut [f64],
    mut jacobian: Option<&mut DMatrix<f64>>,
) -> bool {
    let k = response.len();
    let mut gradient = vec![0.0; k];
    let wanted = jacobian.is_some();
    let model = |titrant: f64, gradient: &mut [f64]| {
        if wanted {
            response.signal(titrant, &p[..k], gradient)
        } else {
            response.value(titrant, &p[..k], gradient)
        }
    };
    if !lagging {
        for (node, point) in nodes.point.iter().enumerate() {
            let Some(i) = *point else { continue };
            let Some(x) = model(nodes.titrant[node], &mut gradient) else { return false };
            signal[i] = x;
            if let Some(j) = jacobian.as_deref_mut() {
                for (c, g) in gradient.iter().enumerate() {
                    j[(i, c)] = *g;
                }
            }
        }
        return true;
    }
    let tau = p[k].exp();
    let mut before = vec![0.0; k];
    let mut held = vec![0.0; k];
    let (mut x_before, mut y, mut dy) = (0.0, 0.0, 0.0);
    for (node, point) in nodes.point.iter().enumerate() {
        let Some(x) = model(nodes.titrant[node], &mut gradient) else { return false };
        if node == 0 {
            // The electrode stood in the solution before the first addition: it starts settled.
            y = x;
            held.copy_from_slice(&gradient);
        } else {
            // Exact for an input that goes straight from one node to the next.
            let h = (nodes.time_s[node] - nodes.time_s[node - 1]).max(0.0);
            let ratio = h / tau;
            let decay = (-ratio).exp();
            let mean = if ratio > 1e-6 { (1.0 - decay) / ratio } else { 1.0 - ratio / 2.0 };
            let (a, b) = (mean - decay, 1.0 - mean);
            if wanted {
                // Derivative by ln tau of decay and mean: d decay = ratio decay, d mean = mean - decay.
                let (d_decay, d_mean) = (ratio * decay, mean - decay);
                dy = decay * dy + d_decay * y + (d_mean - d_decay) * x_before - d_mean * x;
                for c in 0..k {
                    held[c] = decay * held[c] + a * before[c] + b * gradient[c];
                }
            }
            y = decay * y + a * x_before + b * x;
        }
        x_before = x;
        before.copy_from_slice(&gradient);
        if let Some(i) = *point {
            signal[i] = y;
            if let Some(j) = jacobian.as_deref_mut() {
                for c in 0..k {
                    j[(i, c)] = held[c];
                }
                j[(i, k)] = dy;
            }
        }
    }
    true
}

impl System for Weighted<'_> {
    fn rows(&self) -> usize {
        self.series.titrant.len() + self.priors.len()
    }

    fn fill(&mut self, p: &[f64], r: &mut DVector<f64>, mut jacobian: Option<&mut DMatrix<f64>>) -> bool {
        if !p.iter().all(|v| v.is_finite()) {
            return false;
        }
        let n = self.series.titrant.len();
        let lagging = self.series.time_s.is_some();
        if let Some(j) = jacobian.as_deref_mut() {
            j.fill(0.0);
        }
        if !evaluate(self.response, self.nodes, p, lagging, &mut self.work, jacobian.as_deref_mut()) {
            return false;
        }
        for i in 0..n {
            let factor = self.factor[i];
            r[i] = (self.work[i] - self.series.signal[i]) * factor;
            if let Some(j) = jacobian.as_deref_mut() {
                j.row_mut(i).scale_mut(factor);
            }
        }
        prior::fill(self.priors, n, p, r, jacobian);
        true
    }
}

/// Fits a response from a start, whose last entry is ln of the time constant in s if the series has times;
/// the same holds for the parameters of the fit.
///
/// `widest` is the largest step of the signal between nodes when there is a lag.
pub(super) fn fit(
    response: &Rc<dyn Response>,
    series: &Series,
    start: &[f64],
    widest: f64,
    rounds: usize,
) -> Option<Fitted> {
    let drawn = Drawn::Response(Rc::clone(response));
    let response = response.as_ref();
    let n = series.titrant.len();
    let k = width(response, series);
    let mut p = start.to_vec();
    if p.len() != k || n < k + 3 {
        return None;
    }
    let mut priors = response.priors();
    if series.time_s.is_some() {
        // Electrodes settle within a tenth of a second to a minute (common practice, no source).
        priors.push(Prior::on(k - 1, 3_f64.ln(), 1.0));
    }
    let everywhere = priors;
    let parts = response.ends().len();
    let mut scatter = Scatter::at_first();
    let mut model = vec![0.0; n];
    let lagging = series.time_s.is_some();
    // Points that only lead in (see `stretch`) say nothing about the noise.
    let counted: Vec<usize> = (0..n).filter(|i| series.share[*i] < 100.0).collect();
    let mut nodes = Nodes::of(series, response, &p[..response.len()], widest);
    if !evaluate(response, &nodes, &p, lagging, &mut model, None) {
        return None;
    }
    for round in 0..rounds {
        let sigma = Sigmas::of(series, &model, scatter);
        let standardised: Vec<f64> = (0..n).map(|i| (series.signal[i] - model[i]) / sigma.whole[i]).collect();
        let spread = if round == 0 { median_scale(&standardised).max(1.0) } else { 1.0 };
        let factor: Vec<f64> = standardised
            .iter()
            .zip(&sigma.whole)
            .map(|(u, s)| {
                let u = u / spread;
                let weight = if round == 0 { (1.5 / u.abs().max(1.5)).sqrt() } else { tukey(u).sqrt() };
                weight / s
            })
            .collect();
        let priors = prior::near(&everywhere, &p);
        let mut system =
            Weighted { response, series, nodes: &nodes, priors: &priors, factor, work: vec![0.0; n] };
        let outcome = levenberg::minimise(&mut system, &mut p, Patience { iterations: 15, promise: PROMISE });
        nodes = Nodes::of(series, response, &p[..response.len()], widest);
        if !evaluate(response, &nodes, &p, lagging, &mut model, None) {
            return None;
        }
        let pick = |of: &dyn Fn(usize) -> f64| counted.iter().map(|i| of(*i)).collect::<Vec<f64>>();
        let standardised = pick(&|i| (series.signal[i] - model[i]) / sigma.whole[i]);
        let of_titrant = pick(&|i| sigma.of_titrant[i]);
        let left =
            LeftOver { standardised: &standardised, of_titrant: &of_titrant, parameters: k, ends: parts };
        let old = scatter;
        scatter = scatter.renewed(&left, round == 0);
        // One step with new weights that gained nothing, and a scale that stands: another round would bring no more.
        let still = outcome.stop == Stop::Converged && outcome.iterations == 1;
        if round > 1 && still && scatter.is_near(old) {
            break;
        }
    }
    let sigma = Sigmas::of(series, &model, scatter).whole;
    let standardised: Vec<f64> = (0..n).map(|i| (series.signal[i] - model[i]) / sigma[i]).collect();
    let weights: Vec<f64> = standardised.iter().map(|u| tukey(*u)).collect();
    let factor: Vec<f64> = weights.iter().zip(&sigma).map(|(w, s)| w.sqrt() / s).collect();
    let priors = prior::near(&everywhere, &p);
    let mut system =
        Weighted { response, series, nodes: &nodes, priors: &priors, factor, work: vec![0.0; n] };
    let covariance = levenberg::covariance(&mut system, &p)?;
    let mut cost = scatter.cost();
    for (u, s) in standardised.iter().zip(&sigma) {
        cost += 2.0 * s.ln() + tukey_cost(*u);
    }
    cost += prior::cost(&everywhere, &p);
    let (n_f, k_f) = (n as f64, prior::determined(&priors, &covariance));
    let mut ends = prior::sums(&response.ends(), 0, &p, &covariance);
    if let Some(time_s) = &series.time_s {
        let rate =
            (series.titrant[n - 1] - series.titrant[0]) / (time_s[n - 1] - time_s[0]).max(f64::MIN_POSITIVE);
        let unlike = LAG_UNLIKE * p[k - 1].exp() * rate;
        for (_, u) in &mut ends {
            *u = u.hypot(unlike);
        }
    }
    let (lag_one, runs_z) = whiteness(&standardised, &weights);
    let criterion = cost + 2.0 * k_f * n_f / (n_f - k_f - 1.0);
    criterion.is_finite().then(|| Fitted {
        name: response.name(),
        drawn,
        fault: response.fault(&p),
        titrant: series.titrant.clone(),
        p,
        covariance,
        ends,
        criterion,
        scale: scatter.signal,
        standardised,
        weights,
        lag_one,
        runs_z,
    })
}

/// Standard deviation of each residual: noise of the signal, and of the titrant through the slope of the model.
struct Sigmas {
    whole: Vec<f64>,
    /// The part of the variance that comes from the titrant.
    of_titrant: Vec<f64>,
}

impl Sigmas {
    fn of(series: &Series, model: &[f64], scatter: Scatter) -> Self {
        let n = model.len();
        let mut sigmas = Self { whole: Vec::with_capacity(n), of_titrant: Vec::with_capacity(n) };
        for i in 0..n {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
            let gap = series.titrant[b] - series.titrant[a];
            let slope = if gap > 0.0 { (model[b] - model[a]) / gap } else { 0.0 };
            let of_titrant = slope * scatter.titrant * series.u_titrant;
            let single = (scatter.signal * series.u_signal).hypot(of_titrant).max(f64::MIN_POSITIVE);
            sigmas.of_titrant.push((of_titrant / single).powi(2));
            sigmas.whole.push((single * series.share[i]).max(1e-12));
        }
        sigmas
    }
}
