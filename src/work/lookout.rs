//! The live watch over several looks at one curve: every fixed level, or two shapes of one titration, are watched at once.
//!
//! Each look has a watch of its own. All of them tell their finds, under numbers that go on; how near the next end-point is
//! comes from one of them at a time: the first that has not found all that it looks for.

use super::Expectation;
use crate::detector::{Change, Given, Outlook, Watch, WatchState};
use crate::reading::{CurveHead, Point};

#[derive(Debug)]
struct Look {
    watch: Watch,
    wanted: usize,
    /// Numbers of its finds as they were told, by their own numbers from 1.
    told: Vec<u32>,
    /// Finds that stand.
    standing: usize,
}

/// The watches of one run.
#[derive(Debug)]
pub(super) struct Lookout {
    looks: Vec<Look>,
    finds: u32,
    /// The look that spoke last.
    spoke: usize,
}

impl Lookout {
    /// One watch for each look; what earlier portions let expect is the first end-point.
    pub(super) fn new(head: CurveHead, looks: &[Given], expectation: &Expectation) -> Self {
        let look = |(at, given): (usize, &Given)| {
            let mut watch = Watch::new(head, given);
            if let Some(prior) = expectation.prior.filter(|_| at == 0) {
                watch = watch.with_prior(prior);
            }
            if let Some(supply) = expectation.supply {
                watch = watch.with_supply(supply);
            }
            Look { watch, wanted: wanted(given), told: Vec::new(), standing: 0 }
        };
        Self { looks: looks.iter().enumerate().map(look).collect(), finds: 0, spoke: 0 }
    }

    /// Takes the next point and tells what changed.
    pub(super) fn push(&mut self, point: Point) -> Vec<Change> {
        let mut changes: Vec<(usize, Change)> = Vec::new();
        for (at, look) in self.looks.iter_mut().enumerate() {
            changes.extend(look.watch.push(point).into_iter().map(|change| (at, change)));
        }
        for (at, change) in &mut changes {
            let Some(look) = self.looks.get_mut(*at) else { continue };
            match change.state {
                WatchState::Found => {
                    self.finds += 1;
                    look.told.push(self.finds);
                    look.standing += 1;
                    change.find = Some(self.finds);
                }
                WatchState::Withdrawn => {
                    look.standing = look.standing.saturating_sub(1);
                    let own = change.find.and_then(|n| look.told.get((n as usize).checked_sub(1)?));
                    change.find = own.copied().or(change.find);
                }
                _ => {}
            }
        }
        let now = self.now();
        let mut told = Vec::new();
        for (at, change) in changes {
            let is_find = change.find.is_some();
            // The look that spoke last takes its word back, whoever is next.
            if is_find || at == now || at == self.spoke && change.state == WatchState::Far {
                self.spoke = at;
                told.push(change);
            }
        }
        told
    }

    /// What is expected next.
    pub(super) fn outlook(&self) -> Outlook {
        self.looks.get(self.now()).map(|look| look.watch.outlook()).unwrap_or_default()
    }

    /// The first look that has not found all, else the last.
    fn now(&self) -> usize {
        let open = self.looks.iter().position(|look| look.standing < look.wanted);
        open.unwrap_or(self.looks.len().saturating_sub(1))
    }
}

/// How many end-points a look is for.
pub(super) fn wanted(given: &Given) -> usize {
    given.looked_for.unwrap_or(1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detector::{Level, Shape};
    use crate::reading::{Quantity, Titrant, Unit};

    fn level(signal: f64) -> Given {
        Given {
            shape: Some(Shape::Level),
            level: Some(Level { signal, u_signal: 0.0, stay_s: 0.0 }),
            looked_for: Some(1),
            ..Given::default()
        }
    }

    #[test]
    fn two_levels_are_found_as_they_are_crossed_under_numbers_that_go_on() {
        let head = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) };
        let mut lookout = Lookout::new(head, &[level(8.3), level(4.5)], &Expectation::default());
        let mut finds = Vec::new();
        for n in 0..60 {
            let volume_ml = f64::from(n) * 0.2;
            // From pH 10 to pH 3 in 12 mL, straight.
            let signal = 10.0 - 7.0 * volume_ml / 12.0;
            for change in lookout.push(Point { titrant: volume_ml, signal, temperature_c: None, t_s: None }) {
                if change.state == WatchState::Found {
                    finds.push((change.find, change.end_point.unwrap(), change.titrant));
                }
            }
        }
        assert_eq!(finds.len(), 2, "{finds:?}");
        for ((number, end_point, told_at), (expected, ph)) in finds.iter().zip([(1, 8.3), (2, 4.5)]) {
            let crossed_ml = (10.0 - ph) * 12.0 / 7.0;
            assert_eq!(*number, Some(expected));
            assert!((end_point - crossed_ml).abs() < 0.02, "{finds:?}");
            assert!(told_at - crossed_ml < 1.0, "told late: {finds:?}");
        }
    }
}
