//! One run against the detector.

use dropwise::chemistry::generate::{Answer, Run, Shape as Mark};
use dropwise::detector::{Change, Family, Given, Outlook, Shape, Watch, WatchState, evaluate};
use std::time::{Duration, Instant};

/// The resolution of recorded volumes in mL, joined with the bound: no finder can be asked for less.
const RESOLUTION_ML: f64 = 0.001;
/// Shares of the first equivalence volume at which the forecast is looked at.
pub(crate) const FORECAST_AT: [f64; 5] = [0.5, 0.7, 0.8, 0.9, 0.95];

/// One end-point that was found.
#[derive(Debug, Clone)]
pub(crate) struct Hit {
    pub(crate) required: bool,
    pub(crate) error_ml: f64,
    pub(crate) u_ml: Option<f64>,
    pub(crate) limit_ml: f64,
    pub(crate) in_tolerance: bool,
    pub(crate) method: String,
}

/// An end-point where there is none.
#[derive(Debug, Clone)]
pub(crate) struct Wrong {
    pub(crate) volume_ml: f64,
    pub(crate) u_ml: Option<f64>,
    pub(crate) method: String,
}

/// A live find that was never withdrawn.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LiveHit {
    pub(crate) delay_points: usize,
    pub(crate) early: bool,
    pub(crate) in_tolerance: bool,
}

/// A forecast at one share of the first equivalence volume.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Forecast {
    pub(crate) below: bool,
    pub(crate) above: bool,
    pub(crate) half_width: f64,
    pub(crate) error: f64,
}

/// Everything that is counted about one run.
#[derive(Debug, Clone)]
pub(crate) struct Verdict {
    pub(crate) seed: u64,
    pub(crate) family: &'static str,
    pub(crate) dosing: &'static str,
    pub(crate) disturbance: &'static str,
    pub(crate) chemistry: String,
    pub(crate) required: usize,
    pub(crate) hits: Vec<Hit>,
    pub(crate) missed: Vec<Answer>,
    pub(crate) wrong: Vec<Wrong>,
    pub(crate) live: Vec<LiveHit>,
    pub(crate) live_missed: usize,
    pub(crate) live_false: usize,
    pub(crate) withdrawn: usize,
    pub(crate) forecasts: [Option<Forecast>; FORECAST_AT.len()],
    /// Whether the run reaches so far that a forecast could be asked for.
    pub(crate) forecast_asked: [bool; FORECAST_AT.len()],
    pub(crate) evaluation_time: Duration,
    pub(crate) time_per_point: Duration,
}

impl Verdict {
    /// All required end-points within tolerance and nothing false.
    pub(crate) fn is_right(&self) -> bool {
        self.wrong.is_empty()
            && self.missed.is_empty()
            && self.hits.iter().all(|h| !h.required || h.in_tolerance)
    }
}

fn given(run: &Run) -> Given {
    let family = match run.family {
        "halide" | "two halides" | "three halides" | "chromate" => Family::Precipitation,
        "iron with cerium"
        | "iron with dichromate"
        | "iron with permanganate"
        | "oxalate with permanganate"
        | "iodine with thiosulfate" => Family::Redox,
        "calcium" | "calcium and magnesium" => Family::Complexation,
        "conductance" => Family::Conductometric,
        "photometric" => Family::Photometric,
        "polarised, current" | "polarised, voltage" => Family::Polarised,
        _ => Family::AcidBase,
    };
    let shape = match run.shape {
        Mark::Bend => Shape::Bend,
        Mark::Polarised if run.chemistry.ends_with("peaks") => Shape::Peak,
        Mark::Jump | Mark::Polarised => Shape::Jump,
    };
    let vessel = run.titration.as_ref().map(|t| t.vessel);
    Given {
        titrant_mol_l: vessel.map(|v| v.titrant_mol_l),
        sample_volume_ml: vessel.map(|v| v.sample_volume_ml),
        looked_for: run.titration.as_ref().map(|t| t.ends_ml().len()),
        shape: Some(shape),
        family: Some(family),
        ..Given::default()
    }
}

/// Pairs volumes with answers, nearest first, one to one, inside the window. Gives the index of the answer for each.
fn pair(volumes: &[f64], answers: &[Answer]) -> Vec<Option<usize>> {
    let mut candidates: Vec<(f64, usize, usize)> = Vec::new();
    for (i, volume) in volumes.iter().enumerate() {
        for (j, answer) in answers.iter().enumerate() {
            let distance = (volume - answer.volume_ml).abs();
            if distance <= answer.window_ml {
                candidates.push((distance, i, j));
            }
        }
    }
    candidates.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut paired = vec![None; volumes.len()];
    let mut taken = vec![false; answers.len()];
    for (_, i, j) in candidates {
        if paired[i].is_none() && !taken[j] {
            paired[i] = Some(j);
            taken[j] = true;
        }
    }
    paired
}

/// Runs the final evaluation and the watch over a run and compares with the truth.
pub(crate) fn judge(run: &Run, told: bool) -> Verdict {
    let given = if told { given(run) } else { Given::default() };
    let started = Instant::now();
    let evaluation = evaluate(&run.curve, &given);
    let evaluation_time = started.elapsed();
    let volumes: Vec<f64> = evaluation.end_points.iter().map(|e| e.titrant).collect();
    let paired = pair(&volumes, &run.answers);
    let mut hits = Vec::new();
    let mut wrong = Vec::new();
    for (end_point, answer) in evaluation.end_points.iter().zip(&paired) {
        let Some(answer) = answer.map(|j| &run.answers[j]) else {
            wrong.push(Wrong {
                volume_ml: end_point.titrant,
                u_ml: end_point.u,
                method: end_point.method.clone(),
            });
            continue;
        };
        let error_ml = end_point.titrant - answer.volume_ml;
        hits.push(Hit {
            required: answer.required,
            error_ml,
            u_ml: end_point.u,
            limit_ml: answer.bound_ml.hypot(RESOLUTION_ML),
            in_tolerance: error_ml.abs() <= answer.tolerance_ml,
            method: end_point.method.clone(),
        });
    }
    let is_found = |j: usize| paired.contains(&Some(j));
    let missed =
        run.answers.iter().enumerate().filter(|(j, a)| a.required && !is_found(*j)).map(|(_, a)| a.clone());
    let mut verdict = Verdict {
        seed: run.seed,
        family: run.family,
        dosing: run.dosing.word(),
        disturbance: run.disturbance.word(),
        chemistry: run.chemistry.clone(),
        required: run.answers.iter().filter(|a| a.required).count(),
        missed: missed.collect(),
        hits,
        wrong,
        live: Vec::new(),
        live_missed: 0,
        live_false: 0,
        withdrawn: 0,
        forecasts: [None; FORECAST_AT.len()],
        forecast_asked: [false; FORECAST_AT.len()],
        evaluation_time,
        time_per_point: Duration::ZERO,
    };
    follow(run, &given, &mut verdict);
    verdict
}

/// Plays the run to the watch, point by point.
fn follow(run: &Run, given: &Given, verdict: &mut Verdict) {
    let mut watch = Watch::new(run.curve.head, given);
    let mut changes: Vec<Change> = Vec::new();
    let first = run
        .titration
        .as_ref()
        .and_then(|_| run.answers.first().map(|a| a.volume_ml).or_else(|| run.beyond_ml.first().copied()));
    let mut outlooks: [Option<Outlook>; FORECAST_AT.len()] = [const { None }; FORECAST_AT.len()];
    let mut busy = Duration::ZERO;
    for (index, point) in run.curve.points.iter().enumerate() {
        let started = Instant::now();
        changes.extend(watch.push(*point));
        busy += started.elapsed();
        let Some(first) = first else { continue };
        let next = run.counted_ml.get(index + 1).copied().unwrap_or(f64::INFINITY);
        for (slot, share) in FORECAST_AT.iter().enumerate() {
            if outlooks[slot].is_none() && next > share * first && run.counted_ml[index] > 0.8 * share * first
            {
                outlooks[slot] = Some(watch.outlook());
            }
        }
    }
    verdict.time_per_point = busy / u32::try_from(run.curve.points.len().max(1)).unwrap_or(1);
    if let Some(first) = first {
        for (slot, outlook) in outlooks.iter().enumerate() {
            let Some(outlook) = outlook else { continue };
            verdict.forecast_asked[slot] = true;
            if let (Some(expected), Some((low, high))) = (outlook.expected, outlook.interval) {
                verdict.forecasts[slot] = Some(Forecast {
                    below: first < low,
                    above: first > high,
                    half_width: 0.5 * (high - low) / first,
                    error: (expected - first).abs() / first,
                });
            }
        }
    }
    let withdrawn: Vec<u32> =
        changes.iter().filter(|c| c.state == WatchState::Withdrawn).filter_map(|c| c.find).collect();
    verdict.withdrawn = withdrawn.len();
    let kept: Vec<(&Change, f64)> = changes
        .iter()
        .filter(|c| c.state == WatchState::Found && c.find.is_some_and(|f| !withdrawn.contains(&f)))
        .filter_map(|c| Some((c, c.end_point?)))
        .collect();
    let volumes: Vec<f64> = kept.iter().map(|(_, volume)| *volume).collect();
    let paired = pair(&volumes, &run.answers);
    verdict.live_false = paired.iter().filter(|p| p.is_none()).count();
    verdict.live_missed =
        run.answers.iter().enumerate().filter(|(j, a)| a.required && !paired.contains(&Some(*j))).count();
    for ((change, volume), answer) in kept.iter().zip(&paired) {
        let Some(answer) = answer.map(|j| &run.answers[j]) else { continue };
        let past = run.counted_ml.iter().take(change.point).filter(|v| **v > answer.volume_ml).count();
        verdict.live.push(LiveHit {
            delay_points: past,
            early: past == 0,
            in_tolerance: (volume - answer.volume_ml).abs() <= answer.tolerance_ml,
        });
    }
}
