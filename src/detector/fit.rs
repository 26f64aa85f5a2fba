//! Fits one model to the points of a jump.
//!
//! Residual V - V(x) with variance s_V^2 + (dV/dx s_x)^2: in the jump the burette rules, elsewhere the noise of the
//! signal. The weights are frozen within each least-squares run and renewed outside, because with live weights a fit
//! can make its residuals small by making dV/dx large. From the second round on the loss is Tukey's biweight.

use super::fitted::{Drawn, Fitted};
use super::models::Model;
use super::moving::{Along, Moving};
use super::prior::{self, Prior};
use crate::numeric::levenberg::{self, Patience, Stop, System};
use nalgebra::{DMatrix, DVector};
use std::rc::Rc;

/// Points turned into the coordinates of the models.
#[derive(Debug, Clone)]
pub(super) struct Frame {
    /// Titrant (mL or g).
    pub(super) titrant: Vec<f64>,
    /// Signal in nominal Nernst scales from `origin`, in the direction in which it rises.
    pub(super) z: Vec<f64>,
    /// Seconds, where the titrant was added at a constant rate.
    pub(super) time_s: Option<Vec<f64>>,
    /// Each point's standard deviation over that of a single reading: below 1 where readings were pooled.
    pub(super) share: Vec<f64>,
    /// What moves along the run, anywhere,
    pub(super) along: Along,
    /// and at the points: salt (see `Along::salt`)
    pub(super) salt: Vec<f64>,
    /// and dilution.
    pub(super) dilution: Vec<f64>,
    /// Standard deviation of the signal in Nernst scales.
    pub(super) u_z: f64,
    /// Standard deviation of a titrant reading.
    pub(super) u_titrant: f64,
    /// Signal at z = 0.
    pub(super) origin: f64,
    /// Signal for one unit of z, with its sign.
    pub(super) unit: f64,
    /// ln(slope / nominal): expected value and standard deviation.
    pub(super) ln_slope: (f64, f64),
}

impl Frame {
    /// Every so many-th point, so that at most `most` remain; the first and the last stay.
    pub(super) fn thinned(&self, most: usize) -> Self {
        let n = self.titrant.len();
        if n <= most {
            return self.clone();
        }
        let keep: Vec<usize> = (0..most).map(|i| i * (n - 1) / (most - 1)).collect();
        let pick = |values: &[f64]| keep.iter().map(|i| values[*i]).collect::<Vec<f64>>();
        Self {
            titrant: pick(&self.titrant),
            z: pick(&self.z),
            time_s: self.time_s.as_deref().map(pick),
            share: pick(&self.share),
            salt: pick(&self.salt),
            dilution: pick(&self.dilution),
            ..*self
        }
    }

    /// Titrant from first to last point.
    pub(super) fn range(&self) -> f64 {
        self.titrant.last().unwrap_or(&0.0) - self.titrant.first().unwrap_or(&0.0)
    }
}

/// A model with the electrode in front of it: its slope, and a slow drift along the run if asked for.
pub(super) struct Candidate {
    /// The model.
    pub(super) model: Rc<dyn Model>,
    /// What moves along the run.
    pub(super) moving: Moving,
}

impl Candidate {
    /// Parameters in front of those of the model.
    pub(super) fn offset(&self) -> usize {
        1 + self.moving.count()
    }

    /// Number of parameters.
    pub(super) fn len(&self) -> usize {
        self.offset() + self.model.meanings().len()
    }

    /// Name for people.
    pub(super) fn name(&self) -> String {
        self.moving.named(self.model.name())
    }

    fn priors(&self, frame: &Frame) -> Vec<Prior> {
        let mut all = vec![Prior::on(0, frame.ln_slope.0, frame.ln_slope.1)];
        all.extend(self.moving.prior(1));
        all.extend(self.model.priors().into_iter().map(|prior| prior.behind(self.offset())));
        all
    }

    /// Titrant at point `i`, its derivative by z, and the derivatives by all parameters.
    fn titrant(&self, frame: &Frame, i: usize, p: &[f64], gradient: &mut [f64]) -> Option<(f64, f64)> {
        let offset = self.offset();
        let stretch = (-p[0]).exp();
        let (mut plain, mut shift) = (frame.z[i], 0.0);
        match self.moving {
            Moving::Nothing => {}
            Moving::Electrode(_) => plain -= p[1] * frame.along.share(frame.titrant[i]),
            Moving::Activity => shift = p[1] * frame.salt[i],
            Moving::Protons(_) => shift = p[1] * frame.dilution[i],
        }
        let place = self.model.titrant(plain * stretch, shift, &p[offset..], &mut gradient[offset..])?;
        let (v, slope) = (place.titrant, place.slope);
        gradient[0] = -slope * plain * stretch;
        match self.moving {
            Moving::Nothing => {}
            Moving::Electrode(_) => gradient[1] = -slope * stretch * frame.along.share(frame.titrant[i]),
            Moving::Activity => gradient[1] = place.by_shift * frame.salt[i],
            Moving::Protons(_) => gradient[1] = place.by_shift * frame.dilution[i],
        }
        (v.is_finite() && slope.is_finite()).then_some((v, slope * stretch))
    }
}

/// What a fit with frozen weights may still promise to gain when it is left (see `Patience`).
pub(super) const PROMISE: f64 = 1e-4;
/// Rounds with a loss that throws nothing out, before the biweight.
const CAUTIOUS_ROUNDS: usize = 2;
/// The limit of Tukey's biweight in standard deviations.
pub(super) const TUKEY: f64 = 5.0;
/// Share of its variance that a normal sample keeps under these weights: E\[w r^2\] / E\[w\].
pub(super) const TUKEY_SHARE: f64 = 0.848;
/// Noise may come out lower than its estimate, but not by more than this.
pub(super) const LEAST_SCALE: f64 = 0.5;

struct Weighted<'a> {
    candidate: &'a Candidate,
    frame: &'a Frame,
    priors: Vec<Prior>,
    /// sqrt(robust weight) / standard deviation for each point.
    factor: Vec<f64>,
    gradient: Vec<f64>,
}

impl System for Weighted<'_> {
    fn rows(&self) -> usize {
        self.frame.titrant.len() + self.priors.len()
    }

    fn fill(&mut self, p: &[f64], r: &mut DVector<f64>, mut jacobian: Option<&mut DMatrix<f64>>) -> bool {
        if !p.iter().all(|v| v.is_finite() && v.abs() < 1e6) || p[0].abs() > 1.5 {
            return false;
        }
        let n = self.frame.titrant.len();
        if let Some(j) = jacobian.as_deref_mut() {
            j.fill(0.0);
        }
        for i in 0..n {
            let factor = self.factor[i];
            match self.candidate.titrant(self.frame, i, p, &mut self.gradient) {
                Some((v, _)) => {
                    r[i] = (v - self.frame.titrant[i]) * factor;
                    if let Some(j) = jacobian.as_deref_mut() {
                        for (k, g) in self.gradient.iter().enumerate() {
                            j[(i, k)] = g * factor;
                        }
                    }
                }
                // Beyond the reach of the model: a fixed charge, so that no step is drawn there.
                None => r[i] = if factor > 0.0 { 2.0 * TUKEY } else { 0.0 },
            }
        }
        prior::fill(&self.priors, n, p, r, jacobian);
        true
    }
}

/// State of a fit that can be carried on.
pub(super) struct Progress {
    pub(super) p: Vec<f64>,
    pub(super) scale: f64,
    rounds: usize,
    settled: bool,
}

impl Progress {
    pub(super) fn at(p: Vec<f64>) -> Self {
        Self { p, scale: 1.5, rounds: 0, settled: false }
    }
}

/// Carries a fit on by at most `rounds` renewals of its weights.
pub(super) fn advance(candidate: &Candidate, frame: &Frame, progress: &mut Progress, rounds: usize) {
    let n = frame.titrant.len();
    let mut gradient = vec![0.0; candidate.len()];
    for _ in 0..rounds {
        if progress.settled {
            return;
        }
        let first = progress.rounds < CAUTIOUS_ROUNDS;
        let Some(state) = residuals(candidate, frame, &progress.p, progress.scale, &mut gradient) else {
            progress.settled = true;
            return;
        };
        let spread = if first { median_scale(&state.standardised) } else { 1.0 };
        let factor: Vec<f64> = (0..n)
            .map(|i| {
                let u = state.standardised[i] / spread.max(1.0);
                let weight = if first { cauchy(u) } else { tukey(u) };
                if state.sigma[i].is_finite() { weight.sqrt() / state.sigma[i] } else { 1e-3 / frame.range() }
            })
            .collect();
        let priors = candidate.priors(frame);
        let mut system = Weighted { candidate, frame, priors, factor, gradient: vec![0.0; candidate.len()] };
        // While the weights are still wrong there is no use in the last digit.
        let iterations = if first { 6 } else { 10 };
        let patience = Patience { iterations, promise: PROMISE };
        let outcome = levenberg::minimise(&mut system, &mut progress.p, patience);
        progress.rounds += 1;
        let old = progress.scale;
        if let Some(state) = residuals(candidate, frame, &progress.p, progress.scale, &mut gradient) {
            progress.scale = renewed_scale(&state.standardised, progress.scale, candidate.len(), first);
        }
        // One step with new weights that gained nothing, and a scale that stands: another round would bring no more.
        let still = outcome.stop == Stop::Converged && outcome.iterations == 1;
        progress.settled =
            progress.rounds > CAUTIOUS_ROUNDS && still && (progress.scale / old - 1.0).abs() < 0.02;
    }
}

/// The criterion of a fit as it stands, without its covariance; infinite where it has none.
pub(super) fn score(candidate: &Candidate, frame: &Frame, progress: &Progress) -> f64 {
    let mut gradient = vec![0.0; candidate.len()];
    let state = residuals(candidate, frame, &progress.p, progress.scale, &mut gradient);
    let priors = || prior::cost(&candidate.priors(frame), &progress.p);
    let cost = state.and_then(|state| criterion(candidate, frame, progress, &state));
    cost.map(|cost| cost + priors()).filter(|c| c.is_finite()).unwrap_or(f64::INFINITY)
}

/// -2 ln likelihood in the signal with the penalty of the corrected Akaike criterion; `None` for too few points.
fn criterion(candidate: &Candidate, frame: &Frame, progress: &Progress, state: &State) -> Option<f64> {
    let n = frame.titrant.len();
    let mut cost = 0.0;
    for i in 0..n {
        let variance_of_z = if state.sigma[i].is_finite() {
            (state.sigma[i] / state.slope[i].max(1e-12 * frame.range())).powi(2)
        } else {
            (progress.scale * frame.u_z).powi(2)
        };
        cost += variance_of_z.ln() + tukey_cost(state.standardised[i]);
    }
    let (n, k) = (n as f64, (candidate.len() - candidate.model.tied()) as f64);
    (n - k - 1.0 >= 1.0).then(|| cost + 2.0 * k * n / (n - k - 1.0))
}

/// Completes a fit: covariance, criterion, tests of the residuals.
pub(super) fn finish(candidate: &Candidate, frame: &Frame, progress: &Progress) -> Option<Fitted> {
    let n = frame.titrant.len();
    let k = candidate.len();
    let p = &progress.p;
    let mut gradient = vec![0.0; k];
    let state = residuals(candidate, frame, p, progress.scale, &mut gradient)?;
    let weights: Vec<f64> = state.standardised.iter().map(|u| tukey(*u)).collect();
    let priors = candidate.priors(frame);
    let factor: Vec<f64> = weights
        .iter()
        .zip(&state.sigma)
        .map(|(w, s)| if s.is_finite() { w.sqrt() / s } else { 0.0 })
        .collect();
    let mut system = Weighted { candidate, frame, priors, factor, gradient: gradient.clone() };
    let covariance = levenberg::covariance(&mut system, p)?;
    let criterion = criterion(candidate, frame, progress, &state)? + prior::cost(&candidate.priors(frame), p);
    let offset = candidate.offset();
    let ends = prior::sums(&candidate.model.ends(), offset, p, &covariance);
    let (lag_one, runs_z) = whiteness(&state.standardised, &weights);
    let reversed = state.slope.iter().filter(|b| **b <= 0.0).count();
    let outside = state.sigma.iter().filter(|s| !s.is_finite()).count();
    let fault = if reversed * 50 > n {
        Some("titrant does not rise with the signal")
    } else if outside * 20 > n {
        Some("points beyond the reach of the model")
    } else if !candidate.model.sensible(&p[offset..], frame.range()) {
        Some("amounts without sense")
    } else if (p[0] - frame.ln_slope.0).abs() > (2.0 * frame.ln_slope.1).max(0.35) {
        Some("slope of the electrode without sense")
    } else if candidate.model.sites().is_some_and(|sites| {
        sites.jump_is_behind_all(&p[offset..], frame.titrant.last().copied().unwrap_or(0.0))
    }) {
        Some("the jump stands behind what it leaves out")
    } else {
        None
    };
    criterion.is_finite().then(|| Fitted {
        name: candidate.name(),
        drawn: Drawn::Titrant(Rc::clone(&candidate.model), candidate.moving),
        p: p.clone(),
        covariance,
        ends,
        criterion,
        scale: progress.scale,
        titrant: frame.titrant.clone(),
        standardised: state.standardised,
        weights,
        lag_one,
        runs_z,
        fault,
    })
}

struct State {
    standardised: Vec<f64>,
    /// Standard deviation of each residual; infinite where the model has no titrant.
    sigma: Vec<f64>,
    slope: Vec<f64>,
}

fn residuals(
    candidate: &Candidate,
    frame: &Frame,
    p: &[f64],
    scale: f64,
    gradient: &mut [f64],
) -> Option<State> {
    let n = frame.titrant.len();
    let mut state = State {
        standardised: Vec::with_capacity(n),
        sigma: Vec::with_capacity(n),
        slope: Vec::with_capacity(n),
    };
    let mut inside = 0;
    for i in 0..n {
        if let Some((v, slope)) = candidate.titrant(frame, i, p, gradient) {
            let single = (slope * scale * frame.u_z).hypot(frame.u_titrant);
            let sigma = (single * frame.share[i]).max(1e-9 * frame.range());
            state.standardised.push((frame.titrant[i] - v) / sigma);
            state.sigma.push(sigma);
            state.slope.push(slope);
            inside += 1;
        } else {
            state.standardised.push(2.0 * TUKEY);
            state.sigma.push(f64::INFINITY);
            state.slope.push(1.0);
        }
    }
    (inside * 2 > n).then_some(state)
}

fn renewed_scale(standardised: &[f64], old: f64, k: usize, first: bool) -> f64 {
    let n = standardised.len() as f64;
    let freedom = (n / (n - k as f64).max(1.0)).sqrt().min(2.0);
    let found = if first {
        median_scale(standardised) * freedom
    } else {
        let (mut sum, mut weight) = (0.0, 0.0);
        for u in standardised {
            let w = tukey(*u);
            sum += w * u * u;
            weight += w;
        }
        if weight > 0.3 * n {
            (sum / weight / TUKEY_SHARE).sqrt() * freedom
        } else {
            median_scale(standardised) * freedom
        }
    };
    (old * found.clamp(0.2, 5.0)).clamp(LEAST_SCALE, 1e4)
}

/// Median of |u| over that of a normal law.
pub(super) fn median_scale(standardised: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = standardised.iter().map(|u| u.abs()).collect();
    let middle = sizes.len() / 2;
    if sizes.is_empty() {
        return 1.0;
    }
    sizes.select_nth_unstable_by(middle, f64::total_cmp);
    (sizes[middle] / 0.6745).max(1e-3)
}

/// A loss that takes the force from gross errors but throws nothing out.
fn cauchy(u: f64) -> f64 {
    1.0 / (1.0 + (u / 2.4).powi(2))
}

pub(super) fn tukey(u: f64) -> f64 {
    let t = u / TUKEY;
    if t.abs() >= 1.0 { 0.0 } else { (1.0 - t * t).powi(2) }
}

/// The loss whose weight is `tukey`: u^2 near 0, a constant far away.
pub(super) fn tukey_cost(u: f64) -> f64 {
    let t = (u / TUKEY).powi(2).min(1.0);
    TUKEY * TUKEY / 3.0 * (1.0 - (1.0 - t).powi(3))
}

/// Correlation of neighbouring residuals and the standardised count of runs of one sign
/// (A. Wald, J. Wolfowitz, Annals of Mathematical Statistics 11 (1940) 147).
pub(super) fn whiteness(standardised: &[f64], weights: &[f64]) -> (f64, f64) {
    let kept: Vec<f64> =
        standardised.iter().zip(weights).filter(|(_, w)| **w > 0.0).map(|(u, _)| *u).collect();
    let n = kept.len() as f64;
    if kept.len() < 8 {
        return (0.0, 0.0);
    }
    let mean = kept.iter().sum::<f64>() / n;
    let sum: f64 = kept.iter().map(|u| (u - mean).powi(2)).sum();
    let products: f64 = kept.windows(2).map(|w| (w[0] - mean) * (w[1] - mean)).sum();
    let positive = kept.iter().filter(|u| **u > 0.0).count() as f64;
    let negative = n - positive;
    let runs = 1.0 + kept.windows(2).filter(|w| (w[0] > 0.0) != (w[1] > 0.0)).count() as f64;
    let expected = 1.0 + 2.0 * positive * negative / n;
    let variance = (expected - 1.0) * (expected - 2.0) / (n - 1.0);
    let runs_z = if variance > 0.0 { (runs - expected) / variance.sqrt() } else { 0.0 };
    (if sum > 0.0 { products / sum } else { 0.0 }, runs_z)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detector::models::{Group, Sites};
    use serde::Deserialize;
    use std::f64::consts::LN_10;

    #[derive(Deserialize)]
    struct Reference {
        #[serde(rename = "sigma_mL")]
        sigma_ml: f64,
        #[serde(rename = "z_origin_pH")]
        z_origin_ph: f64,
        start: Vec<f64>,
        estimate: Vec<f64>,
        standard_error: Vec<f64>,
        sum_of_squares: f64,
    }

    #[derive(Deserialize)]
    struct Set {
        name: String,
        amounts: Vec<f64>,
        signals: Vec<f64>,
    }

    #[derive(Deserialize)]
    struct Published {
        titration: Vec<Set>,
    }

    /// The same model and data given to an independent least-squares program (fixtures/reference/weak_acid_fit.json
    /// names it): the same estimates and standard errors to six digits.
    #[test]
    fn a_weak_acid_fit_agrees_with_an_independent_program() {
        let reference: Reference =
            serde_json::from_str(include_str!("../../fixtures/reference/weak_acid_fit.json")).unwrap();
        let published: Published =
            toml::from_str(include_str!("../../fixtures/reference/titrations.toml")).unwrap();
        let set = published.titration.iter().find(|s| s.name == "weak_acid_sodium_hydroxide").unwrap();
        let n = set.amounts.len();
        let frame = Frame {
            titrant: set.amounts.clone(),
            z: set.signals.iter().map(|ph| (ph - reference.z_origin_ph) * LN_10).collect(),
            time_s: None,
            share: vec![1.0; n],
            along: Along::of(&set.amounts, 60.0),
            salt: vec![0.0; n],
            dilution: vec![0.0; n],
            u_z: 0.01,
            u_titrant: 0.0,
            origin: reference.z_origin_ph,
            unit: LN_10.recip(),
            ln_slope: (0.0, 0.03),
        };
        let model = Sites {
            groups: vec![Group { strong: false, sites: 1 }],
            beyond: 0,
            exponents: (1.0, 1.0),
            ln_volume: (60_f64.ln(), 0.8),
            arms_apart: Some((12.0 * LN_10, 1.3 * LN_10)),
            tied: None,
            salt: false,
            charges: (1.0, 2.0),
            title: "acid-base",
        };
        let candidate = Candidate { model: Rc::new(model), moving: Moving::Nothing };
        let priors = candidate.priors(&frame);
        let factor = vec![1.0 / reference.sigma_ml; n];
        let gradient = vec![0.0; candidate.len()];
        let mut system = Weighted { candidate: &candidate, frame: &frame, priors, factor, gradient };
        let mut p = reference.start.clone();
        let patience = Patience { iterations: 500, promise: 0.0 };
        let outcome = levenberg::minimise(&mut system, &mut p, patience);
        assert!((outcome.sum / reference.sum_of_squares - 1.0).abs() < 1e-9, "{outcome:?}");
        let covariance = levenberg::covariance(&mut system, &p).unwrap();
        for (i, (estimate, error)) in reference.estimate.iter().zip(&reference.standard_error).enumerate() {
            assert!((p[i] - estimate).abs() < 1e-6 * estimate.abs().max(1.0), "{i}: {} {estimate}", p[i]);
            assert!((covariance[(i, i)].sqrt() / error - 1.0).abs() < 1e-6, "{i}: {error}");
        }
    }

    #[test]
    fn hanging_residuals_are_seen_and_white_ones_are_not() {
        let weights = vec![1.0; 40];
        let hanging: Vec<f64> = (0..40).map(|i| (f64::from(i) / 6.0).sin()).collect();
        let (lag, runs) = whiteness(&hanging, &weights);
        assert!(lag > 0.8 && runs < -4.0, "{lag} {runs}");
        let white: Vec<f64> = (0..40).map(|i| (f64::from(i * i) * 1.3).sin()).collect();
        let (lag, runs) = whiteness(&white, &weights);
        assert!(lag.abs() < 0.35 && runs.abs() < 2.5, "{lag} {runs}");
    }
}
