//! Runs with known answers: a bench with all its faults, drawn from a seed.
//!
//! A run is an equilibrium (`titration`), a sensor with slope, offset, lag, noise and display, a way of dosing, and at
//! most one disturbance. Its equivalence volumes are exact by stoichiometry; the least standard deviation that any
//! unbiased method can reach (the Cramer-Rao bound) is computed beside it. Used to judge the detector, by no shipped
//! command.

mod bound;
mod disturb;
mod dosing;
mod sample;

pub use disturb::Disturbance;
pub use dosing::Dosing;
pub use sample::{FAMILIES, Shape};

use super::titration::Titration;
use crate::reading::{Curve, CurveHead, Point, Titrant};
use dosing::Plan;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use sample::Sample;

/// An equivalence volume that the run passes, and what can be asked of a method there.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// The truth in mL, on the scale of the recorded volumes.
    pub volume_ml: f64,
    /// Whether a method must report it; if not, it counts neither for nor against.
    pub required: bool,
    /// The Cramer-Rao bound (standard deviation) in mL.
    pub bound_ml: f64,
    /// Gap between the readings around it in mL.
    pub spacing_ml: f64,
    /// How far an estimate may be off and still be right, in mL.
    pub tolerance_ml: f64,
    /// An estimate nearer than this belongs to it, in mL.
    pub window_ml: f64,
    /// Steepness there over the greater of the least steepnesses on both sides; infinite for a bend.
    pub prominence: f64,
}

/// A run and everything behind it.
#[derive(Debug, Clone)]
pub struct Run {
    /// The seed that gives it again.
    pub seed: u64,
    /// One of `FAMILIES`.
    pub family: &'static str,
    /// Sample and titrant in words.
    pub chemistry: String,
    /// The mark that an end-point leaves.
    pub shape: Shape,
    /// The curve as a recorder would have written it.
    pub curve: Curve,
    /// The volume that the burette had counted at each line, in mL: the scale on which the answers stand, whatever the
    /// display showed after a refill.
    pub counted_ml: Vec<f64>,
    /// The chemistry with all parameters; `None` when there is nothing to titrate.
    pub titration: Option<Titration>,
    /// How the titrant was added.
    pub dosing: Dosing,
    /// Time constant of the sensor in s.
    pub lag_s: f64,
    /// What went wrong.
    pub disturbance: Disturbance,
    /// Standard deviation of the noise in the unit of the signal.
    pub sigma: f64,
    /// Last digit of the display in the unit of the signal.
    pub quantum: f64,
    /// Equivalence volumes that the run passes.
    pub answers: Vec<Answer>,
    /// Equivalence volumes that it does not reach, in mL.
    pub beyond_ml: Vec<f64>,
}

/// How a run ends, as a share of the last equivalence volume.
fn draw_end(rng: &mut ChaCha8Rng, family: &str) -> f64 {
    match (family, rng.random_range(0..100)) {
        // Its only equivalence point lies beyond any burette.
        ("nothing", _) => rng.random_range(0.06..0.12),
        (_, 0..6) => rng.random_range(0.45..0.97),
        (_, 6..12) => rng.random_range(1.005..1.04),
        _ => rng.random_range(1.15..1.6),
    }
}

/// Draws the run of a seed. Equal seeds give equal runs.
#[must_use]
pub fn run(seed: u64) -> Run {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let family = sample::draw_family(&mut rng);
    run_of(family, seed)
}

/// Draws a run of one family (a name of `FAMILIES`; any other gives a run with nothing to titrate).
#[must_use]
pub fn run_of(family: &'static str, seed: u64) -> Run {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5DEE_CE66_D1CE_4E5B);
    let mut sample = sample::draw(family, &mut rng);
    let end_share = draw_end(&mut rng, family);
    let disturbance = disturb::draw(&sample, &mut rng);
    disturb::change_chemistry(&disturbance, &mut sample);
    let last_end = sample.last_end_ml();
    let dosing = dosing::draw(&sample, &mut rng);
    let disturbance = disturbance.possible_with(&dosing);
    let plan = Plan::new(&dosing, last_end * end_share, &mut rng);
    let mut record = dosing::titrate(&sample, &plan, &disturbance, &mut rng);
    disturb::disorder_lines(&disturbance, &mut record, &mut rng);
    finish(seed, sample, plan, disturbance, record)
}

/// What the recorder got, with the truth of each line.
#[derive(Debug, Clone, Default)]
struct Record {
    lines: Vec<Line>,
    /// Titrant that the burette counted and did not give (an air bubble): from which volume on, how much in mL.
    not_given: Option<(f64, f64)>,
}

#[derive(Debug, Clone, Copy)]
struct Line {
    /// What was really given, in mL.
    given_ml: f64,
    /// What the burette had counted, in mL.
    counted_ml: f64,
    /// What was written down.
    point: Point,
}

fn finish(seed: u64, sample: Sample, plan: Plan, disturbance: Disturbance, record: Record) -> Run {
    let (answers, beyond_ml) = match &sample.titration {
        Some(titration) => bound::answers(&sample, titration, &plan, &disturbance, &record),
        None => (Vec::new(), Vec::new()),
    };
    let with_time = plan.writes_time;
    let counted_ml = record.lines.iter().map(|line| line.counted_ml).collect();
    let points =
        record.lines.iter().map(|line| Point { t_s: line.point.t_s.filter(|_| with_time), ..line.point });
    Run {
        seed,
        family: sample.family,
        chemistry: sample.chemistry.clone(),
        shape: sample.shape,
        curve: Curve {
            head: CurveHead { titrant: Titrant::Volume, signal: Some((sample.quantity, sample.unit)) },
            points: points.collect(),
        },
        counted_ml,
        titration: sample.titration,
        dosing: plan.dosing,
        lag_s: plan.lag_s,
        disturbance,
        sigma: sample.sigma,
        quantum: sample.quantum,
        answers,
        beyond_ml,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_seeds_give_equal_runs() {
        for seed in 0..20 {
            assert_eq!(run(seed).curve, run(seed).curve);
        }
        assert_ne!(run(1).curve, run(2).curve);
    }

    #[test]
    fn every_family_gives_finite_curves_with_answers_inside_them() {
        for (family, _) in FAMILIES {
            let mut answers = 0;
            for seed in 0..6 {
                let run = run_of(family, seed);
                assert_eq!(run.family, family);
                assert!(
                    run.curve.points.iter().all(|p| p.signal.is_finite() && p.titrant >= 0.0),
                    "{family} {seed}"
                );
                assert_eq!(run.curve.points.len(), run.counted_ml.len());
                let last = run.counted_ml.iter().copied().fold(0.0, f64::max);
                for answer in &run.answers {
                    assert!(answer.volume_ml <= last + 1e-9, "{family} {seed}");
                    assert!(
                        !answer.required || (answer.bound_ml > 0.0 && answer.bound_ml < 0.5),
                        "{family} {seed}"
                    );
                    assert!(answer.window_ml >= answer.tolerance_ml);
                }
                assert!(run.beyond_ml.iter().all(|v| *v > last), "{family} {seed}");
                answers += run.answers.iter().filter(|a| a.required).count();
            }
            assert_eq!(answers == 0, family == "nothing", "{family}: {answers} answers");
        }
    }

    #[test]
    fn all_ways_of_dosing_and_all_disturbances_occur() {
        // Families whose equilibria cost little; the weak acid for the carbonate.
        let of = |family| (0..160).map(move |seed| run_of(family, seed));
        let runs: Vec<Run> =
            of("iron with cerium").chain(of("calcium")).chain(of("weak acid").take(90)).collect();
        for word in ["fixed", "shrinking", "continuous", "hand"] {
            assert!(runs.iter().any(|r| r.dosing.word() == word), "{word}");
        }
        for word in [
            "none",
            "spikes",
            "drift",
            "stirrer",
            "sticking",
            "start-up",
            "repeated lines",
            "disordered lines",
            "missing lines",
            "air bubble",
            "slope off",
            "carbonate",
            "refill",
        ] {
            assert!(runs.iter().any(|r| r.disturbance.word() == word), "{word}");
        }
    }

    #[test]
    fn a_bubble_moves_the_truth_by_what_was_not_given() {
        let mut seen = 0;
        for seed in 0..200 {
            let run = run_of("iron with cerium", seed);
            let Disturbance::Bubble { volume_ml, .. } = run.disturbance else { continue };
            let (Some(answer), Some(titration)) = (run.answers.first(), &run.titration) else { continue };
            seen += 1;
            assert!((answer.volume_ml - titration.ends_ml()[0] - volume_ml).abs() < 1e-9, "seed {seed}");
        }
        assert!(seen > 3);
    }

    #[test]
    fn a_refill_starts_the_display_again_and_not_the_truth() {
        let mut seen = 0;
        for seed in 0..200 {
            let run = run_of("iron with cerium", seed);
            if !matches!(run.disturbance, Disturbance::Refill { .. })
                || run.beyond_ml.len() > run.answers.len()
            {
                continue;
            }
            let falls = run.curve.points.windows(2).filter(|p| p[1].titrant < p[0].titrant - 0.5).count();
            let counted_falls = run.counted_ml.windows(2).filter(|v| v[1] < v[0]).count();
            assert_eq!((falls, counted_falls), (1, 0), "seed {seed}");
            seen += 1;
        }
        assert!(seen > 3);
    }
}
