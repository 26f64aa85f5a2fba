//! How titrant is added, and what the sensor shows meanwhile.

use super::disturb::{Disturbance, Fault};
use super::sample::{Sample, Shape};
use super::{Line, Record};
use crate::reading::Point;
use rand::Rng;
use rand::seq::IndexedRandom;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Scatter of an eye at the burette before it rounds, as a share of what can be read (common practice, no source).
const READING: f64 = 0.2;

/// A way of adding titrant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Dosing {
    /// Equal steps in mL, each followed by a wait.
    Fixed {
        /// The step.
        step_ml: f64,
    },
    /// Steps that shrink where the signal moves much.
    Shrinking {
        /// The smallest step.
        least_ml: f64,
        /// The largest step.
        most_ml: f64,
    },
    /// A constant rate while the signal is read.
    Continuous {
        /// The rate in mL/min.
        rate_ml_min: f64,
        /// Time between two readings in s.
        every_s: f64,
    },
    /// By hand from a burette with marks.
    Hand {
        /// Additions near the end-point.
        drop_ml: f64,
        /// What can be read.
        resolution_ml: f64,
    },
}

impl Dosing {
    /// The kind in a word.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Fixed { .. } => "fixed",
            Self::Shrinking { .. } => "shrinking",
            Self::Continuous { .. } => "continuous",
            Self::Hand { .. } => "hand",
        }
    }

    /// Standard deviation of a recorded volume in mL.
    #[must_use]
    pub fn volume_sd_ml(&self) -> f64 {
        match self {
            Self::Hand { resolution_ml, .. } => resolution_ml * (1.0_f64 / 12.0).sqrt().hypot(READING),
            _ => 0.0,
        }
    }
}

/// A run as it is meant to go.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub(super) dosing: Dosing,
    pub(super) lag_s: f64,
    pub(super) writes_time: bool,
    wait_s: f64,
    stop_ml: f64,
}

impl Plan {
    pub(super) fn new(dosing: &Dosing, stop_ml: f64, rng: &mut ChaCha8Rng) -> Self {
        let wait_s = match dosing {
            Dosing::Continuous { every_s, .. } => *every_s,
            Dosing::Hand { .. } => rng.random_range(15.0..30.0),
            _ => rng.random_range(6.0..15.0),
        };
        let lag_s = match dosing {
            Dosing::Continuous { .. } => rng.random_range(1.5..5.0),
            _ => wait_s * rng.random_range(0.07..0.12),
        };
        let writes_time = matches!(dosing, Dosing::Continuous { .. }) || rng.random_bool(0.6);
        Self { dosing: *dosing, lag_s, writes_time, wait_s, stop_ml }
    }

    /// Rate in mL/s while titrant flows, for dosing without waits.
    pub(super) fn rate_ml_s(&self) -> Option<f64> {
        match self.dosing {
            Dosing::Continuous { rate_ml_min, .. } => Some(rate_ml_min / 60.0),
            _ => None,
        }
    }
}

pub(super) fn draw(sample: &Sample, rng: &mut ChaCha8Rng) -> Dosing {
    let kind = rng.random_range(0..100);
    let fits = |step: &f64| *step * 16.0 < sample.last_end_ml().min(20.0);
    let fixed = |rng: &mut ChaCha8Rng| {
        let steps: Vec<f64> = [0.1, 0.1, 0.2, 0.25, 0.4, 0.5].into_iter().filter(fits).collect();
        Dosing::Fixed { step_ml: steps.choose(rng).copied().unwrap_or(0.1) }
    };
    let continuous = |rng: &mut ChaCha8Rng| Dosing::Continuous {
        rate_ml_min: (rng.random_range(0.5..2.0_f64) * 1e3).round() * 1e-3,
        every_s: *[1.0, 2.0].choose(rng).unwrap_or(&1.0),
    };
    if sample.shape == Shape::Bend {
        return if kind < 88 { fixed(rng) } else { continuous(rng) };
    }
    match kind {
        0..38 => fixed(rng),
        38..80 => Dosing::Shrinking {
            least_ml: *[0.01, 0.02, 0.05].choose(rng).unwrap_or(&0.02),
            most_ml: *[0.3, 0.5].choose(rng).unwrap_or(&0.5),
        },
        80..90 => continuous(rng),
        _ => Dosing::Hand {
            drop_ml: *[0.04, 0.05].choose(rng).unwrap_or(&0.05),
            resolution_ml: *[0.02, 0.05].choose(rng).unwrap_or(&0.02),
        },
    }
}

/// What a sensor of first order shows at `volumes_ml` while titrant flows at a constant rate.
///
/// Between two volumes the equilibrium signal is taken as pieces of straight lines, cut until the middle of each lies
/// within `tolerance` of the line; for a straight input the response is exact.
pub(super) fn lagged(
    signal: &dyn Fn(f64) -> f64,
    rate_ml_s: f64,
    lag_s: f64,
    volumes_ml: &[f64],
    tolerance: f64,
) -> Vec<f64> {
    let Some(first) = volumes_ml.first() else { return Vec::new() };
    let sensor = Sensor { signal, rate_ml_s, lag_s, tolerance };
    let mut at = (*first, signal(*first));
    let mut shown = at.1;
    volumes_ml
        .iter()
        .map(|volume| {
            let next = (*volume, signal(*volume));
            shown = sensor.follow(shown, at, next, 0);
            at = next;
            shown
        })
        .collect()
}

struct Sensor<'a> {
    signal: &'a dyn Fn(f64) -> f64,
    rate_ml_s: f64,
    lag_s: f64,
    tolerance: f64,
}

impl Sensor<'_> {
    fn follow(&self, shown: f64, from: (f64, f64), to: (f64, f64), depth: u32) -> f64 {
        let middle_ml = 0.5 * (from.0 + to.0);
        let seconds = (to.0 - from.0) / self.rate_ml_s;
        if seconds <= 0.0 {
            return shown;
        }
        let middle = (middle_ml, (self.signal)(middle_ml));
        let bent = (middle.1 - 0.5 * (from.1 + to.1)).abs();
        if depth < 16 && bent > self.tolerance {
            let half_way = self.follow(shown, from, middle, depth + 1);
            return self.follow(half_way, middle, to, depth + 1);
        }
        let decay = (-seconds / self.lag_s).exp();
        let k = self.lag_s / seconds * -(-seconds / self.lag_s).exp_m1();
        decay * shown + (k - decay) * from.1 + (1.0 - k) * to.1
    }
}

fn round_to(value: f64, quantum: f64) -> f64 {
    let steps = (value / quantum).round();
    // Dividing by the whole number of quanta in one keeps decimal values exact.
    steps / (1.0 / quantum).round()
}

/// The next addition in mL.
fn next_step(
    plan: &Plan,
    sample: &Sample,
    given: f64,
    last: Option<(f64, f64)>,
    rng: &mut ChaCha8Rng,
) -> f64 {
    match plan.dosing {
        Dosing::Fixed { step_ml } => step_ml,
        Dosing::Shrinking { least_ml, most_ml } => {
            let Some((step, change)) = last else { return 0.1 };
            let wanted = step * sample.wanted_change / change.abs().max(1e-9);
            round_to(wanted.clamp(0.4 * step, 2.0 * step).clamp(least_ml, most_ml), 1e-3)
        }
        Dosing::Hand { drop_ml, .. } => {
            // A hand that knows from a first, quick portion about where the end-points are.
            let ends = sample.titration.as_ref().map_or(&[][..], |t| t.ends_ml());
            let next = ends.iter().find(|end| **end + 4.0 * drop_ml > given).copied();
            let to_go = next.map_or(f64::INFINITY, |end| end - given);
            let step = if to_go > 1.6 {
                1.0
            } else if to_go > 0.4 {
                0.3
            } else {
                drop_ml
            };
            step * rng.random_range(0.85..1.15)
        }
        Dosing::Continuous { rate_ml_min, every_s } => rate_ml_min / 60.0 * every_s,
    }
}

/// Titrates a sample by a plan and writes lines down.
pub(super) fn titrate(
    sample: &Sample,
    plan: &Plan,
    disturbance: &Disturbance,
    rng: &mut ChaCha8Rng,
) -> Record {
    let mut record = Record::default();
    let mut fault = Fault::new(disturbance, sample);
    let step_guess = (plan.stop_ml / 4_000.0).max(1e-3);
    let continuous = plan.rate_ml_s().map(|rate| {
        let count =
            (0..).map(|i| f64::from(i) * rate * plan.wait_s).take_while(|v| *v <= plan.stop_ml + step_guess);
        let volumes: Vec<f64> = count.collect();
        let shown = lagged(&|v| sample.signal(v), rate, plan.lag_s, &volumes, 0.05 * sample.sigma);
        volumes.into_iter().zip(shown).collect::<Vec<_>>()
    });
    let (mut counted_ml, mut time_s, mut shown) = (0.0, 0.0, sample.signal(0.0));
    let mut last: Option<(f64, f64)> = None;
    let mut previous = shown;
    for index in 0..5_000 {
        let given_ml;
        if let Some(readings) = &continuous {
            let Some(reading) = readings.get(index) else { break };
            counted_ml = reading.0;
            given_ml = counted_ml;
            shown = reading.1;
        } else {
            given_ml = fault.given_ml(counted_ml);
            let target = sample.signal(given_ml);
            shown = target + (shown - target) * (-plan.wait_s / plan.lag_s).exp();
        }
        let noise: f64 = StandardNormal.sample(rng);
        let seen = fault.seen(shown, time_s, counted_ml, rng);
        let signal = round_to(seen + sample.sigma * noise, sample.quantum);
        let written = match plan.dosing {
            Dosing::Hand { resolution_ml, .. } => {
                let misread: f64 = StandardNormal.sample(rng);
                round_to(counted_ml + READING * resolution_ml * misread, resolution_ml).max(0.0)
            }
            Dosing::Continuous { .. } => round_to(counted_ml, 1e-4),
            _ => round_to(counted_ml, 1e-3),
        };
        let point = Point {
            titrant: fault.on_the_display(written),
            signal,
            temperature_c: None,
            t_s: Some((time_s * 10.0_f64).round() / 10.0),
        };
        record.lines.push(Line { given_ml, counted_ml, point });
        if fault.refill(written) {
            let noise: f64 = StandardNormal.sample(rng);
            let signal = round_to(seen + sample.sigma * noise, sample.quantum);
            record.lines.push(Line { given_ml, counted_ml, point: Point { titrant: 0.0, signal, ..point } });
        }
        if counted_ml >= plan.stop_ml {
            break;
        }
        if let Some((step, _)) = last {
            last = Some((step, shown - previous));
        }
        previous = shown;
        let step = next_step(plan, sample, counted_ml, last, rng);
        last = Some((step, f64::NAN));
        counted_ml += step;
        let patience =
            if matches!(plan.dosing, Dosing::Hand { .. }) { rng.random_range(0.75..1.3) } else { 1.0 };
        time_s += plan.wait_s * patience;
    }
    record.not_given = fault.not_given();
    record
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lagging_sensor_follows_a_ramp_at_a_constant_distance() {
        let volumes: Vec<f64> = (0..200).map(|i| f64::from(i) * 0.01).collect();
        let shown = lagged(&|v| 3.0 * v, 0.02, 4.0, &volumes, 1e-9);
        // 3 per mL at 0.02 mL/s: behind by 3 x 0.02 x 4 in the stationary state.
        assert!((shown[199] - (3.0 * 1.99 - 0.24)).abs() < 1e-9);
    }

    #[test]
    fn a_lagging_sensor_answers_a_narrow_jump_by_an_exponential() {
        let volumes: Vec<f64> = (0..=100).map(|i| f64::from(i) * 0.02).collect();
        let jump = |v: f64| ((v - 0.5037) * 1e6).tanh();
        let shown = lagged(&jump, 0.01, 5.0, &volumes, 1e-6);
        for (v, y) in volumes.iter().zip(&shown).filter(|(v, _)| **v > 0.51) {
            let exact = 1.0 - 2.0 * (-(v - 0.5037) / 0.01 / 5.0).exp();
            assert!((y - exact).abs() < 2e-4, "{v} {y} {exact}");
        }
    }

    #[test]
    fn rounding_gives_the_decimal_number() {
        assert!((round_to(12.340_000_1, 0.001) - 12.34).abs() < f64::EPSILON);
        assert!((round_to(0.07, 0.05) - 0.05).abs() < f64::EPSILON);
    }
}
