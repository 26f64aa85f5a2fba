//! Fits the bank, compares over the same points, averages what cannot be told apart.

use super::bank::{Knowledge, Mark, bank};
use super::evaluation::Tried;
use super::fit::{self, Candidate, Fit, Frame, Progress};
use super::given::Family;

/// Models within this many units of the criterion of the best are averaged.
const NEAR: f64 = 12.0;
/// After two rounds, models further behind than this are not carried on.
const PRUNE: f64 = 30.0;
/// A rival whose uncertainty is so many times that of the best says nothing about the end-point.
const BLUNT: f64 = 5.0;
/// Most standard deviation of a slow drift over a run in Nernst scales (activity, junction, temperature).
const DRIFT: f64 = 0.15;

/// What the bank says about a stretch of curve.
pub(super) struct Choice {
    /// End-points with standard uncertainty, averaged.
    pub(super) ends: Vec<(f64, f64)>,
    /// The best model.
    pub(super) best: (Candidate, Fit),
    /// Everything that was tried.
    pub(super) tried: Vec<Tried>,
}

/// Fits all models of `marks.len()` end-points; `None` if none can be used.
pub(super) fn choose(frame: &Frame, marks: &[Mark], knowledge: &Knowledge) -> (Option<Choice>, Vec<Tried>) {
    let mut running: Vec<(Candidate, Progress, f64)> = bank(frame, marks, knowledge)
        .into_iter()
        .filter(|(candidate, _)| frame.titrant.len() > candidate.len() + 2)
        .map(|(candidate, start)| (candidate, Progress::at(start), f64::INFINITY))
        .collect();
    for (candidate, progress, criterion) in &mut running {
        fit::advance(candidate, frame, progress, 2);
        if let Some(done) = fit::finish(candidate, frame, progress)
            && fault(&done, frame, marks).is_none()
        {
            *criterion = done.criterion;
        }
    }
    running.sort_by(|a, b| a.2.total_cmp(&b.2));
    let least = running.first().map_or(f64::INFINITY, |r| r.2);
    let mut fits: Vec<(Candidate, Fit)> = Vec::new();
    let mut refused: Vec<Tried> = Vec::new();
    let mut carry_on = |candidate: Candidate, mut progress: Progress, fits: &mut Vec<(Candidate, Fit)>| {
        fit::advance(&candidate, frame, &mut progress, 5);
        match fit::finish(&candidate, frame, &progress) {
            Some(done) => match fault(&done, frame, marks) {
                None => fits.push((candidate, done)),
                Some(fault) => refused.push(tried(&candidate, &done, fault)),
            },
            None => refused.push(unfit(&candidate)),
        }
    };
    let mut drifting = 0;
    for (candidate, progress, criterion) in running {
        if criterion.is_finite() && criterion > least + PRUNE {
            continue;
        }
        carry_on(candidate, progress, &mut fits);
    }
    fits.sort_by(|a, b| a.1.criterion.total_cmp(&b.1.criterion));
    // The best few once more with a slow drift.
    let again: Vec<(Candidate, Progress)> = bank(frame, marks, knowledge)
        .into_iter()
        .filter_map(|(candidate, _)| {
            let found = fits.iter().take(3).find(|(c, _)| c.name() == candidate.name())?;
            let mut p = found.1.p.clone();
            p.insert(1, 0.0);
            let mut progress = Progress::at(p);
            progress.scale = found.1.scale;
            Some((Candidate { model: candidate.model, drift: Some(DRIFT) }, progress))
        })
        .filter(|(candidate, _)| frame.titrant.len() > candidate.len() + 2)
        .collect();
    for (candidate, progress) in again {
        drifting += 1;
        carry_on(candidate, progress, &mut fits);
    }
    let _ = (drifting, Family::Other);
    fits.sort_by(|a, b| a.1.criterion.total_cmp(&b.1.criterion));
    if fits.is_empty() {
        return (None, refused);
    }
    let best = fits[0].1.criterion;
    let mut weights: Vec<f64> = fits
        .iter()
        .map(|(_, f)| {
            let behind = f.criterion - best;
            if behind <= NEAR { (-0.5 * behind).exp() } else { 0.0 }
        })
        .collect();
    for (weight, (_, fit)) in weights.iter_mut().zip(&fits) {
        let blunt = fit.ends.iter().zip(&fits[0].1.ends).any(|(a, b)| a.1 > BLUNT * b.1);
        if blunt {
            *weight = 0.0;
        }
    }
    let total: f64 = weights.iter().sum();
    let ends = (0..marks.len())
        .map(|k| {
            let mean = fits.iter().zip(&weights).map(|((_, f), w)| w * f.ends[k].0).sum::<f64>() / total;
            let variance = fits
                .iter()
                .zip(&weights)
                .map(|((_, f), w)| w * (f.ends[k].1.powi(2) + (f.ends[k].0 - mean).powi(2)))
                .sum::<f64>()
                / total;
            (mean, variance.sqrt().hypot(frame.u_titrant))
        })
        .collect();
    let mut all: Vec<Tried> = fits
        .iter()
        .zip(&weights)
        .map(|((candidate, fit), w)| Tried { weight: w / total, ..tried(candidate, fit, "") })
        .collect();
    all.extend(refused);
    for row in &mut all {
        row.delta_aicc -= best;
    }
    (Some(Choice { ends, best: fits.swap_remove(0), tried: all }), Vec::new())
}

/// Why a fit may not be used.
fn fault(fit: &Fit, frame: &Frame, marks: &[Mark]) -> Option<&'static str> {
    if fit.fault.is_some() {
        return fit.fault;
    }
    let range = frame.range();
    let mut before = f64::NEG_INFINITY;
    for ((v, u), mark) in fit.ends.iter().zip(marks) {
        if *u > 0.05 * range {
            return Some("end-point too uncertain");
        }
        if (v - mark.titrant).abs() > 0.25 * mark.titrant.abs().max(0.1 * range) {
            return Some("end-point far from where the curve shows it");
        }
        if *v <= before {
            return Some("end-points out of order");
        }
        before = *v;
    }
    None
}

fn tried(candidate: &Candidate, fit: &Fit, set_aside: &str) -> Tried {
    Tried {
        model: candidate.name(),
        parameters: candidate.len(),
        delta_aicc: fit.criterion,
        weight: 0.0,
        end_points: fit.ends.clone(),
        misfit: fit.scale,
        lag_one: fit.lag_one,
        runs_z: fit.runs_z,
        set_aside: set_aside.to_owned(),
    }
}

fn unfit(candidate: &Candidate) -> Tried {
    Tried {
        model: candidate.name(),
        parameters: candidate.len(),
        delta_aicc: f64::MAX,
        weight: 0.0,
        end_points: Vec::new(),
        misfit: 0.0,
        lag_one: 0.0,
        runs_z: 0.0,
        set_aside: "no fit".to_owned(),
    }
}
