//! An extreme: the signal has turned and gone back.

use super::sight::{Place, Sight, amount};
use crate::detector::Because;
use crate::detector::mark::Mark;

/// The signal must have gone there and back by so many noise scales,
const NOISES: f64 = 6.0;
/// and back by this part of the way there.
const BACK: f64 = 0.15;
/// Points behind the extreme.
const BEHIND: usize = 2;

/// The running state for one direction.
#[derive(Debug, Clone, Copy)]
struct Side {
    /// +1 for a highest, -1 for a lowest signal.
    direction: f64,
    start: f64,
    extreme: Mark,
    before: Mark,
    after: Option<Mark>,
    behind: usize,
}

/// The running state.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peak {
    sides: Option<[Side; 2]>,
    last: Option<Mark>,
}

impl Peak {
    pub(super) const fn new() -> Self {
        Self { sides: None, last: None }
    }

    /// A later reading at the titrant of the last point.
    pub(super) const fn settle(&mut self, mark: Mark) {
        self.last = Some(mark);
    }

    /// Takes the next point.
    pub(super) fn add(&mut self, mark: Mark, noise: f64, count: usize) -> Sight {
        let last = self.last.replace(mark).unwrap_or(mark);
        let start = |direction: f64| Side {
            direction,
            start: mark.signal,
            extreme: mark,
            before: mark,
            after: None,
            behind: 0,
        };
        let sides = self.sides.get_or_insert([start(1.0), start(-1.0)]);
        let mut turning = None;
        let mut found = None;
        for side in sides.iter_mut() {
            side.take(mark, last);
            let there = (side.extreme.signal - side.start) * side.direction;
            let back = (side.extreme.signal - mark.signal) * side.direction;
            let limit = (NOISES * noise).max(BACK * there);
            if there <= NOISES * noise || back <= 0.5 * limit {
                continue;
            }
            let because = Because {
                what: format!("signal gone back from the extreme at {}", amount(side.extreme.titrant)),
                figure: back,
                limit,
                points: count,
            };
            if back > limit && side.behind >= BEHIND {
                found = Some((side.place(), because));
            } else {
                turning = Some(because);
            }
        }
        if let Some((place, because)) = found {
            // Only what follows counts for the next one.
            self.sides = Some([start(1.0), start(-1.0)]);
            return Sight::Found(place, because);
        }
        turning.map_or(Sight::Nothing, Sight::Turning)
    }
}

impl Side {
    fn take(&mut self, mark: Mark, last: Mark) {
        // As long as no way is gone, it starts from the furthest point back.
        let gone = (self.extreme.signal - self.start) * self.direction;
        if gone <= 0.0 && (mark.signal - self.start) * self.direction <= 0.0 {
            *self = Self { start: mark.signal, extreme: mark, before: mark, after: None, behind: 0, ..*self };
            return;
        }
        if (mark.signal - self.extreme.signal) * self.direction > 0.0 {
            self.before = last;
            self.extreme = mark;
            self.after = None;
            self.behind = 0;
        } else {
            self.behind += 1;
            self.after.get_or_insert(mark);
        }
    }

    /// The top of the parabola through the extreme and its neighbours.
    fn place(&self) -> Place {
        let (a, b) = (self.before, self.extreme);
        let c = self.after.unwrap_or(b);
        let gap = (c.titrant - a.titrant).max(f64::MIN_POSITIVE);
        let left = (b.signal - a.signal) / (b.titrant - a.titrant);
        let right = (c.signal - b.signal) / (c.titrant - b.titrant);
        let curvature = (right - left) / gap;
        let top = 0.5 * (a.titrant + b.titrant) - 0.5 * left / curvature;
        let end_point = if top.is_finite() { top.clamp(a.titrant, c.titrant) } else { b.titrant };
        Place { end_point, u: gap / 24_f64.sqrt(), between: (a.titrant - gap, c.titrant + gap) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lowest_current_is_found_after_it_has_risen_again() {
        let mut peak = Peak::new();
        let mut found = Vec::new();
        for i in 0..40_u32 {
            let v = 0.1 * f64::from(i);
            let mark = Mark { titrant: v, signal: 3.0 * (v - 2.13).powi(2), point: i as usize + 1 };
            if let Sight::Found(place, _) = peak.add(mark, 0.01, i as usize + 1) {
                found.push(place.end_point);
            }
        }
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0] - 2.13).abs() < 0.01, "{found:?}");
    }
}
