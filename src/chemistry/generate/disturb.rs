//! What goes wrong at a bench, at most one thing in a run.

use super::dosing::Dosing;
use super::sample::{Sample, Shape};
use super::{Line, Record};
use crate::chemistry::titration::System;
use rand::Rng;
use rand_chacha::ChaCha8Rng;

/// A disturbance with its size; signals in the unit of the curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Disturbance {
    /// Nothing went wrong.
    None,
    /// Single readings far off.
    Spikes {
        /// How far.
        amplitude: f64,
    },
    /// The sensor drifts.
    Drift {
        /// How much in a minute.
        per_min: f64,
    },
    /// A stirrer that the sensor sees.
    Stirrer {
        /// Half the swing.
        amplitude: f64,
        /// Period in s.
        period_s: f64,
    },
    /// The display stands still for some points.
    Sticking {
        /// From which share of the first equivalence volume.
        at: f64,
        /// For how many points.
        points: u32,
    },
    /// The sensor is not at rest when the run starts.
    StartUp {
        /// How far it is off at the start.
        amplitude: f64,
        /// Time constant in s.
        decay_s: f64,
    },
    /// Lines that come twice.
    Repeated {
        /// How many.
        count: u32,
    },
    /// Lines that come in the wrong order.
    Disordered {
        /// How many.
        count: u32,
    },
    /// Lines that are lost.
    Missing {
        /// Which share.
        share: f64,
    },
    /// An air bubble leaves the burette: counted, not given.
    Bubble {
        /// At which share of the first equivalence volume.
        at: f64,
        /// How much in mL.
        volume_ml: f64,
    },
    /// An electrode with a slope far from the ideal one.
    SlopeOff {
        /// The slope as a fraction of the Nernst slope.
        slope: f64,
    },
    /// A base that took up carbon dioxide.
    Carbonate {
        /// Carbonate for each hydroxide.
        share: f64,
    },
    /// The burette is filled again and its display starts at zero.
    Refill {
        /// At which share of the first equivalence volume.
        at: f64,
        /// Whether a line at zero is written when it is full.
        writes_zero: bool,
    },
}

impl Disturbance {
    /// The kind in a word or two.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Spikes { .. } => "spikes",
            Self::Drift { .. } => "drift",
            Self::Stirrer { .. } => "stirrer",
            Self::Sticking { .. } => "sticking",
            Self::StartUp { .. } => "start-up",
            Self::Repeated { .. } => "repeated lines",
            Self::Disordered { .. } => "disordered lines",
            Self::Missing { .. } => "missing lines",
            Self::Bubble { .. } => "air bubble",
            Self::SlopeOff { .. } => "slope off",
            Self::Carbonate { .. } => "carbonate",
            Self::Refill { .. } => "refill",
        }
    }
}

impl Disturbance {
    /// The same, or none where this dosing cannot show it: a bubble between two steps.
    pub(super) const fn possible_with(self, dosing: &Dosing) -> Self {
        match (self, dosing) {
            (Self::Bubble { .. }, Dosing::Continuous { .. }) => Self::None,
            _ => self,
        }
    }
}

/// A size of signal that a person would call large: half a pH, 30 mV, a tenth of a linear signal.
fn large(sample: &Sample) -> f64 {
    match sample.shape {
        Shape::Jump => 4.2 * sample.wanted_change,
        Shape::Polarised => 30.0,
        Shape::Bend => {
            let end = sample.last_end_ml();
            let levels = [sample.signal(0.0), sample.signal(end), sample.signal(1.5 * end)];
            let low = levels.iter().copied().fold(f64::INFINITY, f64::min);
            0.1 * (levels.iter().copied().fold(f64::NEG_INFINITY, f64::max) - low)
        }
    }
}

/// Draws a disturbance that this kind of sample can have; 55 of 100 runs have none.
pub(super) fn draw(sample: &Sample, rng: &mut ChaCha8Rng) -> Disturbance {
    if rng.random_bool(0.55) {
        return Disturbance::None;
    }
    let size = large(sample);
    let is_jump = sample.shape == Shape::Jump;
    // Carbonate counts as one base where the end-point lies between its two constants.
    let takes_up_carbonate = matches!(
        sample.titration.as_ref().map(|t| &t.system),
        Some(System::Protolysis(s)) if sample.family == "weak acid" && s.sample[0].pk.iter().all(|pk| *pk < 6.0)
    );
    match rng.random_range(0..12) {
        0 => Disturbance::Spikes { amplitude: size * rng.random_range(0.5..2.0) },
        1 => Disturbance::Drift { per_min: size * rng.random_range(-0.03..0.03) },
        2 => Disturbance::Stirrer {
            amplitude: sample.sigma * rng.random_range(2.0..6.0),
            period_s: rng.random_range(20.0..60.0),
        },
        3 => Disturbance::Sticking { at: rng.random_range(0.15..0.7), points: rng.random_range(3..6) },
        4 if is_jump => Disturbance::StartUp {
            amplitude: size * rng.random_range(-1.5..1.5),
            decay_s: rng.random_range(5.0..30.0),
        },
        5 => Disturbance::Repeated { count: rng.random_range(1..5) },
        6 => Disturbance::Disordered { count: rng.random_range(1..4) },
        7 => Disturbance::Missing { share: rng.random_range(0.03..0.12) },
        8 => Disturbance::Bubble { at: rng.random_range(0.15..0.7), volume_ml: rng.random_range(0.02..0.1) },
        9 if is_jump => Disturbance::SlopeOff { slope: rng.random_range(0.84..0.93) },
        10 if takes_up_carbonate => Disturbance::Carbonate { share: rng.random_range(0.001..0.006) },
        11 => Disturbance::Refill { at: rng.random_range(0.3..0.8), writes_zero: rng.random_bool(0.7) },
        _ => Disturbance::None,
    }
}

/// Disturbances that are in the beaker or in the electrode from the start.
pub(super) fn change_chemistry(disturbance: &Disturbance, sample: &mut Sample) {
    let Some(titration) = &mut sample.titration else { return };
    match disturbance {
        Disturbance::SlopeOff { slope } => titration.slope = *slope,
        Disturbance::Carbonate { share } => {
            if let System::Protolysis(system) = &mut titration.system {
                system.titrant_carbonate = *share;
            }
        }
        _ => {}
    }
}

/// A disturbance while a run goes on.
pub(super) struct Fault<'a> {
    disturbance: &'a Disturbance,
    first_end_ml: f64,
    stuck: Option<(f64, u32)>,
    was_stuck: bool,
    refilled_at_ml: Option<f64>,
    bubble_at_ml: Option<f64>,
}

impl<'a> Fault<'a> {
    pub(super) fn new(disturbance: &'a Disturbance, sample: &Sample) -> Self {
        let first = sample.titration.as_ref().and_then(|t| t.ends_ml().first().copied()).unwrap_or(10.0);
        Self {
            disturbance,
            first_end_ml: first,
            stuck: None,
            was_stuck: false,
            refilled_at_ml: None,
            bubble_at_ml: None,
        }
    }

    /// What was really given when the burette counted so much, in mL.
    pub(super) fn given_ml(&mut self, counted_ml: f64) -> f64 {
        let Disturbance::Bubble { at, volume_ml } = self.disturbance else { return counted_ml };
        let from_ml = at * self.first_end_ml;
        if counted_ml <= from_ml + volume_ml {
            return counted_ml.min(from_ml);
        }
        self.bubble_at_ml = Some(from_ml);
        counted_ml - volume_ml
    }

    /// Where titrant was counted and not given, and how much, in mL.
    pub(super) fn not_given(&self) -> Option<(f64, f64)> {
        let Disturbance::Bubble { volume_ml, .. } = self.disturbance else { return None };
        Some((self.bubble_at_ml?, *volume_ml))
    }

    /// What the sensor shows instead of `shown`.
    pub(super) fn seen(&mut self, shown: f64, time_s: f64, counted_ml: f64, rng: &mut ChaCha8Rng) -> f64 {
        match self.disturbance {
            Disturbance::Spikes { amplitude } if rng.random_bool(0.03) => {
                shown + if rng.random_bool(0.5) { *amplitude } else { -*amplitude }
            }
            Disturbance::Drift { per_min } => shown + per_min * time_s / 60.0,
            Disturbance::Stirrer { amplitude, period_s } => {
                shown + amplitude * (std::f64::consts::TAU * time_s / period_s).sin()
            }
            Disturbance::StartUp { amplitude, decay_s } => shown + amplitude * (-time_s / decay_s).exp(),
            Disturbance::Sticking { at, points } => {
                if !self.was_stuck && counted_ml >= at * self.first_end_ml {
                    self.was_stuck = true;
                    self.stuck = Some((shown, *points));
                }
                match &mut self.stuck {
                    Some((held, left)) if *left > 0 => {
                        *left -= 1;
                        *held
                    }
                    _ => shown,
                }
            }
            _ => shown,
        }
    }

    /// The volume that the burette shows.
    pub(super) fn on_the_display(&self, counted_ml: f64) -> f64 {
        let since = counted_ml - self.refilled_at_ml.unwrap_or(0.0);
        (since * 1e4).round() / 1e4
    }

    /// Whether the burette is filled again at this volume; if so, whether it says so by a line at zero.
    pub(super) fn refill(&mut self, counted_ml: f64) -> bool {
        let Disturbance::Refill { at, writes_zero } = self.disturbance else { return false };
        if self.refilled_at_ml.is_some() || counted_ml < at * self.first_end_ml {
            return false;
        }
        self.refilled_at_ml = Some(counted_ml);
        *writes_zero
    }
}

/// Disturbances of the line: lost, repeated, out of order.
pub(super) fn disorder_lines(disturbance: &Disturbance, record: &mut Record, rng: &mut ChaCha8Rng) {
    let lines: &mut Vec<Line> = &mut record.lines;
    if lines.len() < 4 {
        return;
    }
    match disturbance {
        Disturbance::Repeated { count } => {
            for _ in 0..*count {
                let at = rng.random_range(0..lines.len());
                lines.insert(at, lines[at]);
            }
        }
        Disturbance::Disordered { count } => {
            for _ in 0..*count {
                let at = rng.random_range(1..lines.len());
                lines.swap(at - 1, at);
            }
        }
        Disturbance::Missing { share } => {
            let keep: Vec<bool> = lines.iter().map(|_| !rng.random_bool(*share)).collect();
            let mut kept = keep.iter();
            lines.retain(|_| kept.next().copied().unwrap_or(true));
        }
        _ => {}
    }
}
