//! A second opinion: the final evaluation over what the watch remembers.
//!
//! It costs milliseconds, so it is asked only when an end-point seems to lie behind, and not more often than its
//! budget allows; between finds the cost of a point stays what it is.

use super::memory::Memory;
use super::sight::Place;
use crate::detector::{Given, evaluate};
use crate::reading::{Curve, CurveHead};

/// So often the final evaluation may be asked in one run without a find,
const BUDGET: u32 = 24;
/// and a find gives so many questions back.
const PER_FIND: u32 = 8;
/// Between two questions the run must have grown by this part of its points (and by one point).
const GROWN: f64 = 0.004;

/// When the final evaluation may be asked.
#[derive(Debug, Clone)]
pub(super) struct Opinion {
    left: u32,
    asked_at: usize,
}

impl Opinion {
    pub(super) const fn new() -> Self {
        Self { left: BUDGET, asked_at: 0 }
    }

    /// Whether it may be asked now, after `count` points.
    pub(super) fn may_ask(&self, count: usize) -> bool {
        self.left > 0 && count as f64 > self.asked_at as f64 * (1.0 + GROWN)
    }

    /// Gives questions back after a find.
    pub(super) const fn found(&mut self) {
        self.left = if self.left + PER_FIND > BUDGET { BUDGET } else { self.left + PER_FIND };
    }

    /// The end-point of the final evaluation nearest to `place`, if one lies in its stretch.
    pub(super) fn ask(
        &mut self,
        memory: &Memory,
        head: CurveHead,
        given: &Given,
        place: &Place,
        count: usize,
    ) -> Option<Place> {
        self.left = self.left.saturating_sub(1);
        self.asked_at = count;
        let curve = Curve { head, points: memory.points().to_vec() };
        let (low, high) = place.between;
        evaluate(&curve, given)
            .end_points
            .into_iter()
            .filter(|e| (low..=high).contains(&e.titrant))
            .min_by(|a, b| {
                (a.titrant - place.end_point).abs().total_cmp(&(b.titrant - place.end_point).abs())
            })
            .map(|e| Place { end_point: e.titrant, u: e.u.unwrap_or(place.u), between: place.between })
    }
}
