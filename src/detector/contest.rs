//! The models of the bank against each other over the same points: all in haste, fewer in earnest, the best to the end.

use super::bank::{Knowledge, Mark, bank, with_activity};
use super::choose::fault;
use super::fit::{self, Candidate, Progress};
use super::fitted::{Fitted, plain_enough};
use super::frame::Frame;
use super::moving::Moving;

/// Over so many points the first round goes where the family was told.
const HASTY_POINTS: usize = 25;
/// What a fit that cannot be used after two rounds is charged.
const HANDICAP: f64 = 15.0;
/// Most standard deviation of a slow drift over a run in Nernst scales (activity, junction, temperature).
const DRIFT: f64 = 0.15;

/// Rounds for something that changes a fit a little.
const SMALL_CHANGE: usize = 1;

/// How far a contest goes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reach {
    /// After the first round, models further behind than this are left,
    hasty: f64,
    /// but so many are carried on however far behind: of data without noise every model is far behind another;
    least: usize,
    /// and no more than so many.
    most: usize,
    /// After two rounds, models further behind than this are left,
    earnest: f64,
    /// and all when so many have come to the end: those that follow explain the same points with more parameters.
    finals: usize,
    /// So many are fitted again with something that moves along the run.
    moving: usize,
}

/// Where the family was told.
pub(super) const FEW: Reach = Reach { hasty: 60.0, least: 4, most: 5, earnest: 10.0, finals: 2, moving: 1 };
/// Where it was not, or where a few do not explain the points.
pub(super) const MANY: Reach =
    Reach { hasty: 200.0, least: 20, most: usize::MAX, earnest: 24.0, finals: usize::MAX, moving: 2 };

/// One model on its way.
struct Running {
    candidate: Candidate,
    progress: Progress,
    /// Criterion after the first round,
    hasty: f64,
    /// and after the second, once it has come so far.
    earnest: Option<f64>,
    /// Whether it has come to the end,
    done: bool,
    /// also with salt and with a drift.
    salted: bool,
    drifted: bool,
}

/// The models of one stretch of curve.
pub(super) struct Contest<'a> {
    frame: &'a Frame,
    marks: &'a [Mark],
    running: Vec<Running>,
    /// What has come to the end, each with its number in `running`.
    fits: Vec<(usize, Fitted)>,
}

impl<'a> Contest<'a> {
    /// All models that `knowledge` allows after their first round.
    pub(super) fn of(frame: &'a Frame, marks: &'a [Mark], knowledge: &Knowledge) -> Self {
        let n = frame.titrant.len();
        let thinned =
            frame.thinned(if knowledge.told && frame.time_s.is_none() { HASTY_POINTS } else { usize::MAX });
        let mut running: Vec<Running> = bank(frame, marks, knowledge)
            .into_iter()
            .filter(|(candidate, _)| n > candidate.len() + 2)
            .map(|(candidate, start)| {
                let mut progress = Progress::at(start);
                fit::advance(&candidate, &thinned, &mut progress, 1);
                let hasty = fit::score(&candidate, &thinned, &progress);
                Running {
                    candidate,
                    progress,
                    hasty,
                    earnest: None,
                    done: false,
                    salted: false,
                    drifted: false,
                }
            })
            .collect();
        running.sort_by(|a, b| a.hasty.total_cmp(&b.hasty));
        Self { frame, marks, running, fits: Vec::new() }
    }

    /// Carries the promising models on through a second round.
    pub(super) fn in_earnest(&mut self, reach: &Reach) {
        let least = self.running.first().map_or(f64::INFINITY, |r| r.hasty);
        let near = self.running.partition_point(|r| r.hasty <= least + reach.hasty);
        for one in self.running.iter_mut().take(near.max(reach.least).min(reach.most)) {
            if one.earnest.is_some() {
                continue;
            }
            fit::advance(&one.candidate, self.frame, &mut one.progress, 1);
            let criterion = fit::finish(&one.candidate, self.frame, &one.progress).map(|done| {
                // A fit that cannot be used yet may become usable, but only if it is near.
                let usable = fault(&done, self.frame, self.marks).is_none();
                done.criterion + if usable { 0.0 } else { HANDICAP }
            });
            one.earnest = Some(criterion.unwrap_or(f64::INFINITY));
        }
    }

    /// Those that were carried on, best first, as numbers in `running`.
    fn order(&self) -> Vec<(usize, f64)> {
        let carried = |(i, one): (usize, &Running)| one.earnest.map(|criterion| (i, criterion));
        let mut order: Vec<(usize, f64)> = self.running.iter().enumerate().filter_map(carried).collect();
        order.sort_by(|a, b| a.1.total_cmp(&b.1));
        order
    }

    /// The best so far, to be fitted in another way.
    pub(super) fn leading(&self, most: usize) -> impl Iterator<Item = (&Candidate, &Progress)> {
        let order = self.order().into_iter().filter(|(_, criterion)| criterion.is_finite());
        order.take(most).map(|(i, _)| (&self.running[i].candidate, &self.running[i].progress))
    }

    /// Carries those that are still promising on to the end, and the best few once more with what moves along the run.
    pub(super) fn run_out(&mut self, reach: &Reach, whatever: bool) {
        let order = self.order();
        let least = order.first().map_or(f64::INFINITY, |r| r.1);
        for (i, criterion) in order {
            let usable = self.fits.iter().filter(|(_, f)| self.usable(f)).count();
            if criterion > least + reach.earnest || usable >= reach.finals {
                break;
            }
            let one = &mut self.running[i];
            if !one.done {
                one.done = true;
                fit::advance(&one.candidate, self.frame, &mut one.progress, 5);
                self.fits.extend(fit::finish(&one.candidate, self.frame, &one.progress).map(|f| (i, f)));
            }
        }
        let mut best: Vec<&(usize, Fitted)> = self.fits.iter().filter(|(_, f)| self.usable(f)).collect();
        best.sort_by(|a, b| a.1.criterion.total_cmp(&b.1.criterion));
        // What a plain model explains to the noise needs no drift; salt is there whether it shows or not.
        let drifts = whatever || !best.first().is_some_and(|(_, f)| plain_enough(f));
        let again: Vec<usize> = best.into_iter().take(reach.moving).map(|(i, _)| *i).collect();
        for i in again {
            self.with_what_moves(i, drifts);
        }
    }

    fn usable(&self, fit: &Fitted) -> bool {
        fault(fit, self.frame, self.marks).is_none()
    }

    fn with_what_moves(&mut self, i: usize, drifts: bool) {
        let one = &mut self.running[i];
        if one.candidate.moving != Moving::Nothing {
            return;
        }
        let model = &one.candidate.model;
        let mut again = Vec::new();
        if !std::mem::replace(&mut one.salted, true) {
            again.extend(model.sites().map_or_else(Vec::new, with_activity));
        }
        if drifts && !std::mem::replace(&mut one.drifted, true) {
            again.push(Candidate { model: model.clone(), moving: Moving::Electrode(DRIFT) });
        }
        for candidate in again {
            if self.frame.titrant.len() <= candidate.len() + 2 {
                continue;
            }
            let mut p = one.progress.p.clone();
            p.insert(1, 0.0);
            // It moves the fit so little that one round is enough.
            let mut progress = Progress::from(p, one.progress.scatter);
            fit::advance(&candidate, self.frame, &mut progress, SMALL_CHANGE);
            self.fits.extend(fit::finish(&candidate, self.frame, &progress).map(|f| (i, f)));
        }
    }

    /// What has come to the end.
    pub(super) fn fits(&self) -> impl Iterator<Item = Fitted> {
        self.fits.iter().map(|(_, fit)| fit.clone())
    }
}
