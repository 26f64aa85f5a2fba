//! Fits the bank, compares over the same points, averages what cannot be told apart.

use super::bank::{Knowledge, Mark, with_activity};
use super::complexes::{behind_another_metal, complexes};
use super::contest::{Contest, FEW, MANY, Reach};
use super::evaluation::Tried;
use super::fit::Candidate;
use super::fitted::{Fitted, average, well_explained};
use super::frame::Frame;
use super::given::Family;
use super::lagged::Turned;
use super::response::{self, FINE, Response, Series};
use std::rc::Rc;

/// Where a few models leave an end-point less certain than this part of itself, the others are tried too,
const SHARP: f64 = 1e-3;
/// and where all of the family that was told leave it less certain than this, those of other families.
const BLUNT: f64 = 5e-3;
/// Rounds for something that changes a fit a little.
const SMALL_CHANGE: usize = 3;
/// How many models are fitted behind a lag.
const LAGGED: usize = 4;
/// Time constant of an electrode at the start of its fit, in s.
pub(super) const LAG_S: f64 = 3.0;

/// What the bank says about a stretch of curve.
pub(super) struct Choice {
    /// End-points with standard uncertainty, averaged; `None` if no model can be used.
    pub(super) ends: Option<Vec<(f64, f64)>>,
    /// Everything that was tried, best first.
    pub(super) fits: Vec<Fitted>,
    /// The same as a table.
    pub(super) tried: Vec<Tried>,
}

impl Choice {
    /// Criterion of the best usable model.
    pub(super) fn criterion(&self) -> f64 {
        self.fits.first().filter(|f| f.fault.is_none()).map_or(f64::INFINITY, |f| f.criterion)
    }

    /// Whether the best model explains the points and knows all its end-points to this part of themselves.
    fn is_good(&self, sharp: f64) -> bool {
        let good = |f: &Fitted| well_explained(f) && f.ends.iter().all(|(v, u)| *u < sharp * v.abs());
        self.ends.is_some() && self.fits.first().is_some_and(good)
    }
}

/// Fits all models of `marks.len()` end-points.
///
/// Where the family was told, few models are carried on; what they leave unexplained is looked at with all of them.
pub(super) fn choose(frame: &Frame, marks: &[Mark], knowledge: &Knowledge) -> Choice {
    let mut contest = Contest::of(frame, marks, knowledge);
    // Behind a lag the first rounds, which know nothing of it, say little about which models are good.
    if knowledge.told && frame.time_s.is_none() {
        let choice = chosen(frame, marks, knowledge, &mut contest, &FEW);
        if choice.is_good(SHARP) {
            return choice;
        }
    }
    let choice = chosen(frame, marks, knowledge, &mut contest, &MANY);
    if !knowledge.told || choice.is_good(BLUNT) {
        return choice;
    }
    // What was told does not describe the curve well: nothing told may be better than that.
    let untold = knowledge.untold();
    let other = chosen(frame, marks, &untold, &mut Contest::of(frame, marks, &untold), &MANY);
    if other.is_good(BLUNT) || other.criterion() < choice.criterion() { other } else { choice }
}

fn chosen(
    frame: &Frame,
    marks: &[Mark],
    knowledge: &Knowledge,
    contest: &mut Contest,
    reach: &Reach,
) -> Choice {
    contest.in_earnest(reach);
    let mut fits: Vec<Fitted> = if let Some(time_s) = &frame.time_s {
        lagged(frame, marks, time_s, contest)
    } else {
        contest.run_out(reach, knowledge.model.is_some());
        contest.fits().collect()
    };
    if knowledge.families.contains(&Family::Complexation) {
        fits.extend(complexes(frame, marks, knowledge));
        let explained = |f: &Fitted| fault(f, frame, marks).is_none() && well_explained(f);
        if let ([mark], false) = (marks, fits.iter().any(explained) && knowledge.wanted < 2) {
            fits.extend(behind_another_metal(frame, mark, knowledge));
        }
    }
    fits.retain(|f| knowledge.allows(&f.name));
    for fit in &mut fits {
        fit.fault = fault(fit, frame, marks);
    }
    let (ends, tried) = average(&mut fits, frame.u_titrant);
    Choice { ends, fits, tried }
}

/// The best few models turned round and fitted behind an electrode that lags, the best once more with activity.
fn lagged(frame: &Frame, marks: &[Mark], time_s: &[f64], contest: &Contest) -> Vec<Fitted> {
    let n = frame.titrant.len();
    let rate = frame.range() / (time_s[n - 1] - time_s[0]).max(1e-9);
    let series = Series { time_s: Some(time_s.to_vec()), ..series(frame) };
    let mut fits: Vec<(&Candidate, Fitted)> = Vec::new();
    for (candidate, progress) in contest.leading(LAGGED) {
        let mut start = progress.p.clone();
        // The jump is seen late by about rate x time constant; the amounts start that much smaller.
        let shift = rate * LAG_S;
        if let (Some(mark), Some(parts)) = (marks.first(), candidate.model.ends().first()) {
            for i in parts {
                start[candidate.offset() + i] *= 1.0 - (shift / mark.titrant.max(1e-9)).min(0.2);
            }
        }
        start.push(LAG_S.ln());
        let turned: Rc<dyn Response> = Rc::new(Turned::new(candidate, frame));
        fits.extend(response::fit(&turned, &series, &start, FINE, 6).map(|fit| (candidate, fit)));
    }
    let usable = fits.iter().filter(|(_, fit)| fault(fit, frame, marks).is_none());
    let best = usable.min_by(|a, b| a.1.criterion.total_cmp(&b.1.criterion));
    let mut again = Vec::new();
    // Salt is there whether it shows or not.
    if let Some((candidate, best)) = best {
        let mut start = best.p.clone();
        start.insert(1, 0.0);
        for candidate in candidate.model.sites().map_or_else(Vec::new, with_activity) {
            let turned: Rc<dyn Response> = Rc::new(Turned::new(&candidate, frame));
            again.extend(response::fit(&turned, &series, &start, FINE, SMALL_CHANGE));
        }
    }
    fits.into_iter().map(|(_, fit)| fit).chain(again).collect()
}

/// The points of a frame as a series in z.
pub(super) fn series(frame: &Frame) -> Series {
    Series {
        titrant: frame.titrant.clone(),
        signal: frame.z.clone(),
        share: frame.share.clone(),
        time_s: None,
        u_signal: frame.u_z,
        u_titrant: frame.u_titrant,
    }
}

/// Why a fit may not be used.
pub(super) fn fault(fit: &Fitted, frame: &Frame, marks: &[Mark]) -> Option<&'static str> {
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
