//! One run as it goes on: readings and marks in, points and findings out.

use super::lookout::{Lookout, wanted};
use super::pairing::{Marked, Paired, Pairing};
use super::{PhFromPotential, VolumeMark};
use crate::detector::{Change, Evaluation, Given, Outlook, Prior, WatchState, evaluate};
use crate::reading::{Curve, Point, Reading, Stamp};
use serde::{Deserialize, Serialize};

/// What followed from a reading or a mark, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum Step {
    /// A point joined the curve, the `n`-th.
    Point {
        /// Counted from 1.
        n: usize,
        /// The frame of its signal.
        frame: u64,
        /// The point.
        point: Point,
    },
    /// The watch changed its state.
    Change(Change),
    /// A mistyped volume was corrected: the curve as it holds now, watched again from its start.
    Redrawn {
        /// Raised by one at each correction.
        generation: u32,
        /// The points with the frames of their signals.
        points: Vec<(Point, u64)>,
        /// The changes of the watch.
        changes: Vec<Change>,
    },
}

/// What is known of a run besides its procedure.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Expectation {
    /// What earlier portions let expect.
    pub prior: Option<Prior>,
    /// Titrant at hand (mL or g).
    pub supply: Option<f64>,
    /// The line by which millivolts become pH.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ph_from: Option<PhFromPotential>,
}

/// A run that goes on.
#[derive(Debug)]
pub struct Run {
    /// The looks at the curve, such as two fixed levels: all are watched, all are evaluated at the end.
    looks: Vec<Given>,
    expectation: Expectation,
    latest_c: Option<f64>,
    pairing: Pairing,
    watch: Lookout,
    points: Vec<(Point, u64)>,
    changes: Vec<Change>,
    generation: u32,
}

impl Run {
    /// A run that pairs its readings so and knows that.
    #[must_use]
    pub fn new(pairing: Pairing, given: Given, expectation: Expectation) -> Self {
        Self::of_looks(pairing, vec![given], expectation)
    }

    /// A run whose curve is looked at in several ways; without one nothing is looked for.
    #[must_use]
    pub fn of_looks(pairing: Pairing, looks: Vec<Given>, expectation: Expectation) -> Self {
        Self {
            watch: Lookout::new(pairing.head(), &looks, &expectation),
            looks,
            expectation,
            latest_c: None,
            pairing,
            points: Vec::new(),
            changes: Vec::new(),
            generation: 0,
        }
    }

    /// Takes the readings of one frame.
    pub fn take(&mut self, readings: &[Reading]) -> Vec<Step> {
        let converted = self.expectation.ph_from.map(|line| line.readings(readings, &mut self.latest_c));
        let paired = self.pairing.take(converted.as_deref().unwrap_or(readings));
        self.push(paired)
    }

    /// Takes a volume told by a person.
    ///
    /// # Errors
    /// In words, when the mark makes no sense for this run.
    pub fn mark(&mut self, mark: VolumeMark, at: Stamp) -> Result<Vec<Step>, String> {
        match self.pairing.mark(mark, at)? {
            Marked::Volume(closed) => Ok(self.push(closed)),
            Marked::Corrected { from, to } => Ok(self.correct(from, to)),
        }
    }

    /// What the watch expects next.
    #[must_use]
    pub fn outlook(&self) -> Outlook {
        self.watch.outlook()
    }

    /// The generation of the curve: raised by one at each correction.
    #[must_use]
    pub fn generation(&self) -> u32 {
        self.generation
    }

    /// How far the titrant is past the latest end-point of those looked for, once all are found.
    #[must_use]
    pub fn past_the_last(&self) -> Option<f64> {
        let mut found: Vec<&Change> = Vec::new();
        for change in &self.changes {
            match change.state {
                WatchState::Found => found.push(change),
                WatchState::Withdrawn => found.retain(|c| c.find != change.find),
                _ => {}
            }
        }
        let last = found.last()?.end_point?;
        let all = found.len() >= self.looks.iter().map(wanted).sum::<usize>();
        let now = self.points.iter().map(|(p, _)| p.titrant).fold(f64::NEG_INFINITY, f64::max);
        all.then_some(now - last)
    }

    /// The points so far.
    pub fn points(&self) -> impl Iterator<Item = Point> + '_ {
        self.points.iter().map(|(point, _)| *point)
    }

    /// Ends the run: closes the last volume.
    pub fn finish(&mut self) -> Vec<Step> {
        let last = self.pairing.finish();
        self.push(last)
    }

    /// The final evaluation of the whole curve, with the points at which the watch confirmed its end-points.
    #[must_use]
    pub fn evaluate(&self) -> Evaluation {
        let points = self.points.iter().map(|(point, _)| *point).collect();
        let curve = Curve { head: self.pairing.head(), points };
        let mut evaluation = Evaluation::default();
        for (at, given) in self.looks.iter().enumerate() {
            let one = evaluate(&curve, given);
            if at == 0 {
                evaluation = one;
                continue;
            }
            evaluation.end_points.extend(one.end_points);
            evaluation.warnings.extend(one.warnings);
        }
        evaluation.end_points.sort_by(|a, b| a.titrant.total_cmp(&b.titrant));
        crate::detector::confirm(&mut evaluation.end_points, &self.changes);
        evaluation
    }

    fn push(&mut self, paired: impl IntoIterator<Item = Paired>) -> Vec<Step> {
        let mut steps = Vec::new();
        for Paired { point, frame } in paired {
            self.points.push((point, frame));
            steps.push(Step::Point { n: self.points.len(), frame, point });
            for change in self.watch.push(point) {
                self.changes.push(change.clone());
                steps.push(Step::Change(change));
            }
        }
        steps
    }

    /// The points that carried the mistyped volume carry the right one, and the watch looks again.
    fn correct(&mut self, from: f64, to: f64) -> Vec<Step> {
        self.generation += 1;
        for (point, _) in self.points.iter_mut().rev().take_while(|(p, _)| (p.titrant - from).abs() < 1e-9) {
            point.titrant = to;
        }
        self.watch = Lookout::new(self.pairing.head(), &self.looks, &self.expectation);
        self.changes = self.points.iter().flat_map(|(point, _)| self.watch.push(*point)).collect();
        vec![Step::Redrawn {
            generation: self.generation,
            points: self.points.clone(),
            changes: self.changes.clone(),
        }]
    }
}
