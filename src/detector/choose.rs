//! Fits the bank, compares over the same points, averages what cannot be told apart.

use super::bank::{Knowledge, Mark, bank, with_activity};
use super::evaluation::Tried;
use super::fit::{self, Candidate, Frame, Progress};
use super::fitted::{Fitted, average, plain_enough, well_explained};
use super::given::Family;
use super::lagged::Turned;
use super::models::two_metals::{self, TwoMetals};
use super::models::{Complexation, complexation};
use super::moving::Moving;
use super::response::{self, Response, Series};
use std::rc::Rc;

/// Where a few models leave an end-point less certain than this part of itself, the others are tried too.
const SHARP: f64 = 5e-4;
/// After the first round, models further behind than this are dropped,
const PRUNE_HASTY: f64 = 200.0;
/// and than this where the family was told.
const PRUNE_HASTY_TOLD: f64 = 80.0;
/// but so many are kept however far behind: of data without noise every model is far behind another.
const LEAST_HASTY: usize = 20;
/// Over so many points the first round goes where the family was told.
const HASTY_POINTS: usize = 32;
/// No more than so many are looked at in earnest where the family was told,
const MOST_HASTY_TOLD: usize = 6;
/// and so many to the end: those that follow explain the same points with more parameters.
const MOST_TOLD: usize = 3;
/// After two rounds, models further behind than this are not carried on.
const PRUNE: f64 = 24.0;
/// The same where the family was told.
const PRUNE_TOLD: f64 = 14.0;
/// What a fit that cannot be used after two rounds is charged.
const HANDICAP: f64 = 15.0;
/// How many models are fitted again with something that moves along the run.
const MOVING: usize = 2;
/// Most standard deviation of a slow drift over a run in Nernst scales (activity, junction, temperature).
const DRIFT: f64 = 0.15;

/// How many models are fitted behind a lag.
const LAGGED: usize = 4;
/// Where the end of the first metal is looked for when it does not stand out, as shares of the last.
const UNSEEN_AT: [f64; 2] = [0.55, 0.72];
/// Time constant of an electrode at the start of its fit, in s.
const LAG_S: f64 = 3.0;

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
}

/// Fits all models of `marks.len()` end-points.
///
/// Where the family was told, few models are carried on; what they leave unexplained is looked at with all of them.
pub(super) fn choose(frame: &Frame, marks: &[Mark], knowledge: &Knowledge) -> Choice {
    // Behind a lag the first rounds, which know nothing of it, say little about which models are good.
    if knowledge.told && frame.time_s.is_none() {
        let choice = chosen(frame, marks, knowledge);
        if choice.ends.is_some() && choice.fits.first().is_some_and(|f| plain_enough(f) && sharp(f)) {
            return choice;
        }
    }
    let choice = chosen(frame, marks, &Knowledge { told: false, ..knowledge.clone() });
    let good = |c: &Choice| c.ends.is_some() && c.fits.first().is_some_and(|f| well_explained(f) && sharp(f));
    if !knowledge.told || good(&choice) {
        return choice;
    }
    // What was told does not describe the curve well: nothing told may be better than that.
    let other = chosen(frame, marks, &knowledge.untold());
    if good(&other) || other.criterion() < choice.criterion() { other } else { choice }
}

/// Whether a fit knows all its end-points well.
fn sharp(fit: &Fitted) -> bool {
    fit.ends.iter().all(|(v, u)| *u < SHARP * v.abs())
}

fn chosen(frame: &Frame, marks: &[Mark], knowledge: &Knowledge) -> Choice {
    let n = frame.titrant.len();
    let mut running: Vec<(Candidate, Progress, f64)> = bank(frame, marks, knowledge)
        .into_iter()
        .filter(|(candidate, _)| n > candidate.len() + 2)
        .map(|(candidate, start)| (candidate, Progress::at(start), f64::INFINITY))
        .collect();
    // First one hasty round for all; then those that it does not rule out are looked at in earnest.
    let thinned = frame.thinned(if knowledge.told { HASTY_POINTS } else { usize::MAX });
    for (candidate, progress, criterion) in &mut running {
        fit::advance(candidate, &thinned, progress, 1);
        *criterion = fit::score(candidate, &thinned, progress);
    }
    running.sort_by(|a, b| a.2.total_cmp(&b.2));
    let least = running.first().map_or(f64::INFINITY, |r| r.2);
    let hasty = if knowledge.told { PRUNE_HASTY_TOLD } else { PRUNE_HASTY };
    let near = running.partition_point(|r| r.2 <= least + hasty);
    running.truncate(near.max(LEAST_HASTY));
    if knowledge.told {
        running.truncate(MOST_HASTY_TOLD);
    }
    for (candidate, progress, criterion) in &mut running {
        fit::advance(candidate, frame, progress, 1);
        if let Some(done) = fit::finish(candidate, frame, progress) {
            // A fit that cannot be used yet may become usable, but only if it is near.
            let handicap = if fault(&done, frame, marks).is_none() { 0.0 } else { HANDICAP };
            *criterion = done.criterion + handicap;
        } else {
            *criterion = f64::INFINITY;
        }
    }
    running.sort_by(|a, b| a.2.total_cmp(&b.2));
    let mut fits = if let Some(time_s) = &frame.time_s {
        lagged(frame, marks, time_s, &running)
    } else {
        settled(frame, marks, knowledge, running)
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

/// Carries the promising models on, and the best few once more with a slow drift.
fn settled(
    frame: &Frame,
    marks: &[Mark],
    knowledge: &Knowledge,
    running: Vec<(Candidate, Progress, f64)>,
) -> Vec<Fitted> {
    let least = running.first().map_or(f64::INFINITY, |r| r.2);
    let prune = if knowledge.told { PRUNE_TOLD } else { PRUNE };
    let most = if knowledge.told { MOST_TOLD } else { usize::MAX };
    let mut fits: Vec<Fitted> = Vec::new();
    for (candidate, mut progress, criterion) in running {
        if criterion > least + prune
            || fits.iter().filter(|f| fault(f, frame, marks).is_none()).count() >= most
        {
            break;
        }
        fit::advance(&candidate, frame, &mut progress, 5);
        fits.extend(fit::finish(&candidate, frame, &progress));
    }
    let mut order: Vec<usize> =
        (0..fits.len()).filter(|i| fault(&fits[*i], frame, marks).is_none()).collect();
    order.sort_by(|a, b| fits[*a].criterion.total_cmp(&fits[*b].criterion));
    order.truncate(if knowledge.told { 1 } else { MOVING });
    // What a plain model explains to the noise needs nothing that moves.
    if knowledge.model.is_none() && order.first().is_some_and(|i| plain_enough(&fits[*i])) {
        return fits;
    }
    let names: Vec<String> = order.iter().map(|i| fits[*i].name.clone()).collect();
    for (candidate, _) in bank(frame, marks, knowledge) {
        let Some(place) = names.iter().position(|n| *n == candidate.name()) else { continue };
        if candidate.moving != Moving::Nothing {
            continue;
        }
        let mut again = candidate.model.sites().map_or_else(Vec::new, with_activity);
        again.push(Candidate { model: candidate.model, moving: Moving::Electrode(DRIFT) });
        for candidate in again {
            if frame.titrant.len() <= candidate.len() + 2 {
                continue;
            }
            let plain = &fits[order[place]];
            let mut p = plain.p.clone();
            p.insert(1, 0.0);
            let mut progress = Progress::at(p);
            progress.scale = plain.scale;
            fit::advance(&candidate, frame, &mut progress, 5);
            fits.extend(fit::finish(&candidate, frame, &progress));
        }
    }
    fits
}

/// The best few models turned round and fitted behind an electrode that lags, the best once more with activity.
fn lagged(
    frame: &Frame,
    marks: &[Mark],
    time_s: &[f64],
    running: &[(Candidate, Progress, f64)],
) -> Vec<Fitted> {
    let n = frame.titrant.len();
    let rate = frame.range() / (time_s[n - 1] - time_s[0]).max(1e-9);
    let series = Series { time_s: Some(time_s.to_vec()), ..series(frame) };
    let mut fits: Vec<(&Candidate, Fitted)> = Vec::new();
    for (candidate, progress, _) in running.iter().filter(|r| r.2.is_finite()).take(LAGGED) {
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
        fits.extend(response::fit(&turned, &series, &start, 0.5, 6).map(|fit| (candidate, fit)));
    }
    let usable = fits.iter().filter(|(_, fit)| fault(fit, frame, marks).is_none());
    let best = usable.min_by(|a, b| a.1.criterion.total_cmp(&b.1.criterion));
    let mut again = Vec::new();
    if let Some((candidate, best)) = best.filter(|(_, fit)| !plain_enough(fit)) {
        let mut start = best.p.clone();
        start.insert(1, 0.0);
        for candidate in candidate.model.sites().map_or_else(Vec::new, with_activity) {
            let turned: Rc<dyn Response> = Rc::new(Turned::new(&candidate, frame));
            again.extend(response::fit(&turned, &series, &start, 0.5, 6));
        }
    }
    fits.into_iter().map(|(_, fit)| fit).chain(again).collect()
}

/// The points of a frame as a series in z.
fn series(frame: &Frame) -> Series {
    Series {
        titrant: frame.titrant.clone(),
        signal: frame.z.clone(),
        share: frame.share.clone(),
        time_s: None,
        u_signal: frame.u_z,
        u_titrant: frame.u_titrant,
    }
}

/// Complexes of one metal for one end-point, of two for two.
fn complexes(frame: &Frame, marks: &[Mark], knowledge: &Knowledge) -> Vec<Fitted> {
    let mut models: Vec<(Rc<dyn Response>, Vec<f64>)> = Vec::new();
    for charge in [2.0, 1.0] {
        let (ln_slope, ln_volume) = (frame.ln_slope, knowledge.ln_volume);
        match marks {
            [_] => {
                let model = Complexation { charge, ln_slope, ln_volume };
                let start = one_metal(frame, marks, &model);
                models.push((Rc::new(model), start));
            }
            [first, second] if charge > 1.0 => {
                let model = TwoMetals { charge, first_is_seen: true, ln_slope, ln_volume };
                let start = two_metals_start(frame, (first.titrant, second.titrant), &model);
                models.push((Rc::new(model), start));
            }
            _ => {}
        }
    }
    let mut series = series(frame);
    series.time_s.clone_from(&frame.time_s);
    let mut fits = Vec::new();
    for (model, mut start) in models {
        if frame.time_s.is_some() {
            start.push(LAG_S.ln());
        }
        if knowledge.allows(&model.name()) {
            fits.extend(response::fit(&model, &series, &start, 0.5, 7));
        }
    }
    fits
}

/// Two metals of which only the end of the second stands out, because the electrode sees the second well.
fn behind_another_metal(frame: &Frame, mark: &Mark, knowledge: &Knowledge) -> Option<Fitted> {
    let (ln_slope, ln_volume) = (frame.ln_slope, knowledge.ln_volume);
    let model = TwoMetals { charge: 2.0, first_is_seen: false, ln_slope, ln_volume };
    if !knowledge.allows(&model.name()) {
        return None;
    }
    let mut starts: Vec<Vec<f64>> = UNSEEN_AT
        .iter()
        .map(|part| two_metals_start(frame, (part * mark.titrant, mark.titrant), &model))
        .collect();
    let response: Rc<dyn Response> = Rc::new(model);
    let mut series = series(frame);
    series.time_s.clone_from(&frame.time_s);
    if series.time_s.is_some() {
        for start in &mut starts {
            start.push(LAG_S.ln());
        }
    }
    let fits = starts.iter().filter_map(|start| response::fit(&response, &series, start, 0.5, 7));
    fits.min_by(|a, b| a.criterion.total_cmp(&b.criterion))
}

/// Start of a complexation: the metal is nearly all free half-way, the floor far below, the constant from the last points.
fn one_metal(frame: &Frame, marks: &[Mark], model: &Complexation) -> Vec<f64> {
    let n = frame.titrant.len();
    let end = marks[0].titrant.max(1e-3 * frame.range());
    let half = frame.titrant.partition_point(|v| *v < 0.5 * end).min(n - 1);
    let v0 = model.ln_volume.0.exp();
    let free = |v: f64| (v0 / (v0 + v) * (1.0 - v / end)).max(1e-3);
    let origin = frame.z[half] + free(frame.titrant[half]).ln() / model.charge;
    let last = ((origin - frame.z[n - 1]) * model.charge).exp();
    let excess = (frame.titrant[n - 1] / end - 1.0).max(0.05);
    let mut p = vec![0.0; 6];
    p[complexation::LN_SLOPE] = frame.ln_slope.0;
    p[complexation::END] = end;
    p[complexation::LN_K] = (last * excess).clamp(1e-12, 0.1).ln();
    p[complexation::LN_FLOOR] = (0.3 * last).clamp(1e-9, 0.1).ln();
    p[complexation::ORIGIN] = origin;
    p[complexation::LN_V0] = model.ln_volume.0;
    p
}

/// Start with two metals: the first is free half-way to its end, the second seen half-way between the ends, the floor last.
fn two_metals_start(frame: &Frame, (first, second): (f64, f64), model: &TwoMetals) -> Vec<f64> {
    let n = frame.titrant.len();
    let end = first.max(1e-3 * frame.range());
    let size = (second - first).max(1e-3 * frame.range());
    let v0 = model.ln_volume.0.exp();
    let at = |v: f64| frame.titrant.partition_point(|x| *x < v).min(n - 1);
    let half = at(0.5 * end);
    let free = (end - frame.titrant[half]).max(0.05 * end) / (v0 + frame.titrant[half]);
    let origin = frame.z[half] + free.ln() / model.charge;
    let seen = |i: usize| (origin - frame.z[i]) * model.charge;
    let middle = at(end + 0.5 * size);
    let other = (second - frame.titrant[middle]).max(0.05 * size) / (v0 + frame.titrant[middle]);
    let mut p = vec![0.0; two_metals::COUNT];
    p[two_metals::LN_SLOPE] = frame.ln_slope.0;
    p[two_metals::FIRST] = end;
    p[two_metals::SECOND] = size;
    p[two_metals::LN_K] = 15.0;
    p[two_metals::LN_RATIO] = 4.6;
    p[two_metals::LN_SEEN] = (seen(middle) - other.ln()).clamp(-9.0, 0.0);
    p[two_metals::LN_FLOOR] = (seen(n - 1) - 0.7).clamp(-20.0, -5.0);
    p[two_metals::ORIGIN] = origin;
    p[two_metals::LN_V0] = model.ln_volume.0;
    p
}

/// Why a fit may not be used.
fn fault(fit: &Fitted, frame: &Frame, marks: &[Mark]) -> Option<&'static str> {
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
