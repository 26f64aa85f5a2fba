//! A display that stands still and then catches up is no flat stretch with a jump behind it.

use super::finder::Finder;
use super::{Mark, Watch};

/// So many repeats of a reading are looked at as a display that stands still.
const STUCK: usize = 3;
/// The signal must have moved by so many noise scales meanwhile, to judge by what it did before,
const MOVED: f64 = 4.0;
/// and this part of that must come when it goes on.
const CAUGHT_UP: f64 = 0.7;

/// Readings that repeat.
#[derive(Debug, Clone)]
pub(super) struct Still {
    /// The first of them.
    since: Mark,
    /// The finder as it was then.
    finder: Finder,
    /// Signal for each titrant before it.
    slope: f64,
    repeats: usize,
}

impl Watch {
    /// Takes repeated readings back when the newest point shows that the display stood still.
    pub(super) fn drop_stuck(&mut self, next: &Mark) {
        let Some(last) = self.last else { return };
        if next.signal.total_cmp(&last.signal).is_eq() {
            match &mut self.still {
                Some(still) => still.repeats += 1,
                None => self.still = self.stands(last),
            }
            return;
        }
        let Some(still) = self.still.take().filter(|still| still.repeats >= STUCK) else { return };
        let missed = still.slope * (last.titrant - still.since.titrant);
        let caught_up = next.signal - last.signal;
        if missed.abs() > MOVED * self.noise.value() && caught_up / missed > CAUGHT_UP {
            self.finder = still.finder;
            self.memory.forget_above(still.since.titrant);
            for _ in 0..still.repeats {
                self.recent.drop_newest();
            }
            self.last = Some(still.since);
            self.last_but_one = None;
        }
    }

    /// What there is to remember where a reading repeats for the first time.
    fn stands(&self, last: Mark) -> Option<Still> {
        let before = *self.recent.marks().iter().rev().nth(2)?;
        let slope = (last.signal - before.signal) / (last.titrant - before.titrant);
        let finder = self.finder.clone();
        slope.is_finite().then_some(Still { since: last, finder, slope, repeats: 1 })
    }
}
