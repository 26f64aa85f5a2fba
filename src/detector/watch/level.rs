//! A fixed level: the signal crosses it and stays beyond.

use super::sight::{Place, Sight, amount};
use crate::detector::mark::Mark;
use crate::detector::{Because, Level};

/// Points beyond the level that make it crossed.
const BEYOND: usize = 2;
/// Noise scales beyond the level that the newest point must lie.
const SURE: f64 = 2.0;
/// The line between two points may miss the curve by this part of their distance.
const BETWEEN_POINTS: f64 = 0.1;

/// The running state.
#[derive(Debug, Clone, Copy)]
pub(super) struct Crossing {
    level: Level,
    last: Option<Mark>,
    time_s: Option<f64>,
    crossed: Option<Crossed>,
    found: bool,
}

#[derive(Debug, Clone, Copy)]
struct Crossed {
    /// +1 when the level was crossed upwards.
    direction: f64,
    from: Mark,
    to: Mark,
    at_s: Option<f64>,
    beyond: usize,
}

impl Crossing {
    pub(super) const fn new(level: Level) -> Self {
        Self { level, last: None, time_s: None, crossed: None, found: false }
    }

    /// A later reading at the titrant of the last point.
    pub(super) const fn settle(&mut self, mark: Mark) {
        self.last = Some(mark);
    }

    /// Takes the next point.
    pub(super) fn add(&mut self, mark: Mark, time_s: Option<f64>, noise: f64, count: usize) -> Sight {
        let Some(last) = self.last.replace(mark) else { return Sight::Nothing };
        let at_s = self.time_s.or(time_s);
        self.time_s = time_s;
        let above = mark.signal - self.level.signal;
        if let Some(crossed) = &mut self.crossed {
            if above * crossed.direction < -SURE * noise {
                let what = format!("signal back before the level, at {}", amount(mark.titrant));
                self.crossed = None;
                let because = Because { what, figure: above.abs(), limit: SURE * noise, points: count };
                let was_found = std::mem::take(&mut self.found);
                return if was_found { Sight::Lost(because) } else { Sight::Nothing };
            }
            crossed.beyond += 1;
        } else if above * (last.signal - self.level.signal) < 0.0 || above.abs() <= 0.0 {
            let direction = (mark.signal - last.signal).signum();
            self.crossed = Some(Crossed { direction, from: last, to: mark, at_s, beyond: 1 });
        }
        let Some(crossed) = self.crossed.filter(|_| !self.found) else { return Sight::Nothing };
        let because = Because {
            what: format!("points beyond the level since {}", amount(crossed.to.titrant)),
            figure: crossed.beyond as f64,
            limit: BEYOND as f64,
            points: count,
        };
        let stayed = match (crossed.at_s, time_s) {
            (Some(start), Some(now)) => now - start >= self.level.stay_s,
            _ => true,
        };
        if crossed.beyond < BEYOND || above * crossed.direction < SURE * noise || !stayed {
            return Sight::Turning(because);
        }
        self.found = true;
        Sight::Found(self.place(&crossed, noise), because)
    }

    fn place(&self, crossed: &Crossed, noise: f64) -> Place {
        let (from, to) = (crossed.from, crossed.to);
        let gap = to.titrant - from.titrant;
        let rise = to.signal - from.signal;
        let share =
            if rise.abs() > 0.0 { ((self.level.signal - from.signal) / rise).clamp(0.0, 1.0) } else { 1.0 };
        let by_signal = noise.hypot(self.level.u_signal) * gap / rise.abs().max(noise);
        Place {
            end_point: from.titrant + share * gap,
            u: (BETWEEN_POINTS * gap).hypot(by_signal.min(gap)),
            between: (from.titrant - gap, to.titrant + gap),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_is_found_when_the_signal_stays_beyond_it_and_lost_when_it_comes_back() {
        let mut crossing = Crossing::new(Level { signal: 8.2, u_signal: 0.0, stay_s: 0.0 });
        let signals = [4.0, 5.0, 7.0, 9.0, 10.0, 7.0];
        let sights: Vec<Sight> = signals
            .iter()
            .enumerate()
            .map(|(i, x)| {
                crossing.add(Mark { titrant: i as f64, signal: *x, point: i + 1 }, None, 0.01, i + 1)
            })
            .collect();
        assert!(matches!(sights[3], Sight::Turning(_)));
        let Sight::Found(place, _) = &sights[4] else { panic!("{:?}", sights[4]) };
        assert!((place.end_point - 2.6).abs() < 1e-9);
        assert!(matches!(sights[5], Sight::Lost(_)));
    }
}
