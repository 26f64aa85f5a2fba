//! Fits one model to the points of a jump.
//!
//! Residual V - V(x) with variance s_V^2 + (dV/dx s_x)^2: in the jump the burette rules, elsewhere the noise of the
//! signal. The weights are frozen within each least-squares run and renewed outside, because with live weights a fit
//! can make its residuals small by making dV/dx large. From the second round on the loss is Tukey's biweight.

use super::fitted::{Drawn, Fitted};
use super::frame::Frame;
use super::models::{Model, Place};
use super::moving::Moving;
use super::prior::{self, Prior};
use super::robust::{TUKEY, cauchy, median_scale, tukey, tukey_cost, whiteness};
use super::scatter::{LeftOver, Scatter};
use crate::numeric::levenberg::{self, Patience, Stop, System};
use nalgebra::{DMatrix, DVector};
use std::rc::Rc;

/// Takes what a candidate gives at one point: its number, the titrant there with its derivative by z, and the
/// derivatives by all parameters.
type EachTitrant<'a> = &'a mut dyn FnMut(usize, Option<(f64, f64)>, &[f64]);

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

    fn priors(&self, frame: &Frame, p: &[f64]) -> Vec<Prior> {
        prior::near(&self.priors_anywhere(frame), p)
    }

    fn priors_anywhere(&self, frame: &Frame) -> Vec<Prior> {
        let mut all = vec![Prior::as_a_rule(0, frame.ln_slope.0, frame.ln_slope.1)];
        all.extend(self.moving.prior(1));
        all.extend(self.model.priors().into_iter().map(|prior| prior.behind(self.offset())));
        all
    }

    /// Hands the number of each point to `each`, with the titrant there and its derivative by z, and the derivatives by
    /// all parameters; none where the model has no titrant.
    fn titrants(&self, frame: &Frame, p: &[f64], gradient: &mut [f64], each: EachTitrant<'_>) {
        let offset = self.offset();
        let stretch = (-p[0]).exp();
        let size = if offset > 1 { p[1] } else { 0.0 };
        let (z, shift, by): (Vec<f64>, Vec<f64>, &[f64]) = match self.moving {
            Moving::Nothing => (frame.z.iter().map(|z| z * stretch).collect(), Vec::new(), &[] as &[f64]),
            Moving::Electrode(_) => {
                let z = frame.z.iter().zip(&frame.share_of_run).map(|(z, by)| (z - size * by) * stretch);
                (z.collect(), Vec::new(), frame.share_of_run.as_slice())
            }
            Moving::Activity | Moving::Protons(_) => {
                let by = if self.moving == Moving::Activity { &frame.salt } else { &frame.dilution };
                let z = frame.z.iter().map(|z| z * stretch).collect();
                (z, by.iter().map(|by| size * by).collect(), by.as_slice())
            }
        };
        let drifts = matches!(self.moving, Moving::Electrode(_));
        self.model.titrants(&z, &shift, &p[offset..], gradient, offset, &mut |i, place, gradient| {
            let Some(Place { titrant, slope, by_shift }) = place else { return each(i, None, gradient) };
            gradient[0] = -slope * z[i];
            if offset > 1 {
                gradient[1] = if drifts { -slope * stretch * by[i] } else { by_shift * by[i] };
            }
            let usable = titrant.is_finite() && slope.is_finite();
            each(i, usable.then_some((titrant, slope * stretch)), gradient);
        });
    }
}

/// What a fit with frozen weights may still promise to gain when it is left (see `Patience`).
pub(super) const PROMISE: f64 = 1e-4;
/// Rounds with a loss that throws nothing out, before the biweight.
const CAUTIOUS_ROUNDS: usize = 2;

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

    fn derivatives_are_free(&self) -> bool {
        true
    }

    fn fill(&mut self, p: &[f64], r: &mut DVector<f64>, mut jacobian: Option<&mut DMatrix<f64>>) -> bool {
        if !p.iter().all(|v| v.is_finite() && v.abs() < 1e6) || p[0].abs() > 1.5 {
            return false;
        }
        let n = self.frame.titrant.len();
        let rows = n + self.priors.len();
        if let Some(j) = jacobian.as_deref_mut() {
            j.fill(0.0);
        }
        let (frame, factors) = (self.frame, &self.factor);
        let values = r.as_mut_slice();
        let mut slopes = jacobian.as_deref_mut().map(|j| j.as_mut_slice());
        self.candidate.titrants(frame, p, &mut self.gradient, &mut |i, place, gradient| {
            let factor = factors[i];
            match place {
                Some((v, _)) => {
                    values[i] = (v - frame.titrant[i]) * factor;
                    if let Some(slopes) = slopes.as_deref_mut() {
                        for (column, g) in slopes.chunks_exact_mut(rows).zip(gradient) {
                            column[i] = g * factor;
                        }
                    }
                }
                // Beyond the reach of the model: a fixed charge, so that no step is drawn there.
                None => values[i] = if factor > 0.0 { 2.0 * TUKEY } else { 0.0 },
            }
        });
        prior::fill(&self.priors, n, p, r, jacobian);
        true
    }
}

/// State of a fit that can be carried on.
pub(super) struct Progress {
    pub(super) p: Vec<f64>,
    pub(super) scatter: Scatter,
    rounds: usize,
    settled: bool,
}

impl Progress {
    pub(super) fn at(p: Vec<f64>) -> Self {
        Self { p, scatter: Scatter::at_first(), rounds: 0, settled: false }
    }

    /// From the end of another fit: no caution is needed.
    pub(super) const fn from(p: Vec<f64>, scatter: Scatter) -> Self {
        Self { p, scatter, rounds: CAUTIOUS_ROUNDS, settled: false }
    }
}

/// Carries a fit on by at most `rounds` renewals of its weights.
pub(super) fn advance(candidate: &Candidate, frame: &Frame, progress: &mut Progress, rounds: usize) {
    let n = frame.titrant.len();
    let mut known = None;
    for _ in 0..rounds {
        if progress.settled {
            return;
        }
        let first = progress.rounds < CAUTIOUS_ROUNDS;
        let state = known.take().or_else(|| residuals(candidate, frame, &progress.p, progress.scatter));
        let Some(state) = state else {
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
        let priors = candidate.priors(frame, &progress.p);
        let mut system = Weighted { candidate, frame, priors, factor, gradient: vec![0.0; candidate.len()] };
        // While the weights are still wrong there is no use in the last digit.
        let iterations = if first { 6 } else { 10 };
        let patience = Patience { iterations, promise: PROMISE };
        let outcome = levenberg::minimise(&mut system, &mut progress.p, patience);
        progress.rounds += 1;
        let old = progress.scatter;
        if let Some(mut state) = residuals(candidate, frame, &progress.p, progress.scatter) {
            let left = state.left_over(candidate);
            progress.scatter = progress.scatter.renewed(&left, first);
            state.rescale(frame, progress.scatter);
            known = Some(state);
        }
        // One step with new weights that gained nothing, and a scale that stands: another round would bring no more.
        let still = outcome.stop == Stop::Converged && outcome.iterations == 1;
        progress.settled = progress.rounds > CAUTIOUS_ROUNDS && still && progress.scatter.is_near(old);
    }
}

/// The criterion of a fit as it stands, without its covariance; infinite where it has none.
pub(super) fn score(candidate: &Candidate, frame: &Frame, progress: &Progress) -> f64 {
    let Some(state) = residuals(candidate, frame, &progress.p, progress.scatter) else {
        return f64::INFINITY;
    };
    let priors = prior::cost(&candidate.priors_anywhere(frame), &progress.p);
    let parameters = (candidate.len() - candidate.model.tied()) as f64;
    criterion(frame, progress, &state, parameters).map_or(f64::INFINITY, |cost| cost + priors)
}

/// -2 ln likelihood in the signal with the penalty of the corrected Akaike criterion for so many parameters that the
/// points determine; `None` for too few points.
fn criterion(frame: &Frame, progress: &Progress, state: &State, parameters: f64) -> Option<f64> {
    let n = frame.titrant.len();
    let mut cost = progress.scatter.cost();
    for i in 0..n {
        let variance_of_z = if state.sigma[i].is_finite() {
            (state.sigma[i] / state.slope[i].max(1e-12 * frame.range())).powi(2)
        } else {
            (progress.scatter.signal * frame.u_z).powi(2)
        };
        cost += variance_of_z.ln() + tukey_cost(state.standardised[i]);
    }
    let free = n as f64 - parameters - 1.0;
    (free >= 1.0).then(|| cost + 2.0 * parameters * n as f64 / free).filter(|c| c.is_finite())
}

/// Completes a fit: covariance, criterion, tests of the residuals.
pub(super) fn finish(candidate: &Candidate, frame: &Frame, progress: &Progress) -> Option<Fitted> {
    let n = frame.titrant.len();
    let p = &progress.p;
    let state = residuals(candidate, frame, p, progress.scatter)?;
    let weights: Vec<f64> = state.standardised.iter().map(|u| tukey(*u)).collect();
    let priors = candidate.priors(frame, p);
    let factor: Vec<f64> = weights
        .iter()
        .zip(&state.sigma)
        .map(|(w, s)| if s.is_finite() { w.sqrt() / s } else { 0.0 })
        .collect();
    let mut system = Weighted { candidate, frame, priors, factor, gradient: vec![0.0; candidate.len()] };
    let covariance = levenberg::covariance(&mut system, p)?;
    let parameters = prior::determined(&system.priors, &covariance);
    let criterion =
        criterion(frame, progress, &state, parameters)? + prior::cost(&candidate.priors_anywhere(frame), p);
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
        scale: progress.scatter.signal,
        titrant: frame.titrant.clone(),
        standardised: state.standardised,
        weights,
        lag_one,
        runs_z,
        fault,
    })
}

struct State {
    /// Residuals of the titrant and over their standard deviations.
    residual: Vec<f64>,
    standardised: Vec<f64>,
    /// Standard deviation of each residual; infinite where the model has no titrant.
    sigma: Vec<f64>,
    /// The part of its square that comes from the titrant.
    of_titrant: Vec<f64>,
    slope: Vec<f64>,
}

impl State {
    fn left_over(&self, candidate: &Candidate) -> LeftOver<'_> {
        LeftOver {
            standardised: &self.standardised,
            of_titrant: &self.of_titrant,
            parameters: candidate.len(),
            ends: candidate.model.ends().len(),
        }
    }

    /// The standard deviations by another scatter.
    fn rescale(&mut self, frame: &Frame, scatter: Scatter) {
        let (of_signal, of_titrant) = (scatter.signal * frame.u_z, scatter.titrant * frame.u_titrant);
        for i in 0..self.sigma.len() {
            if self.sigma[i].is_finite() {
                let single = (self.slope[i] * of_signal).hypot(of_titrant).max(f64::MIN_POSITIVE);
                self.of_titrant[i] = (of_titrant / single).powi(2);
                self.sigma[i] = (single * frame.share[i]).max(1e-9 * frame.range());
                self.standardised[i] = self.residual[i] / self.sigma[i];
            }
        }
    }
}

fn residuals(candidate: &Candidate, frame: &Frame, p: &[f64], scatter: Scatter) -> Option<State> {
    let n = frame.titrant.len();
    let mut state = State {
        residual: vec![0.0; n],
        standardised: vec![2.0 * TUKEY; n],
        sigma: vec![f64::INFINITY; n],
        of_titrant: vec![0.0; n],
        slope: vec![1.0; n],
    };
    let mut inside = 0;
    candidate.titrants(frame, p, &mut vec![0.0; candidate.len()], &mut |i, place, _| {
        if let Some((v, slope)) = place {
            state.residual[i] = frame.titrant[i] - v;
            state.sigma[i] = 1.0;
            state.slope[i] = slope;
            inside += 1;
        }
    });
    state.rescale(frame, scatter);
    (inside * 2 > n).then_some(state)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detector::models::{Group, Sites};
    use crate::detector::moving::Along;
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
            share_of_run: vec![0.0; n],
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
        let priors = candidate.priors_anywhere(&frame);
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
}
