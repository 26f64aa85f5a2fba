//! The two clocks: a monotonic one for intervals, UTC for the record.

use crate::reading::Stamp;
use std::time::Instant;

/// A wall clock that moves by more than this against the monotonic clock was set, or the computer slept.
const JUMP_S: f64 = 1.0;
/// Share by which a disciplined wall clock may run faster or slower without having been set
/// (the Linux kernel slews by at most 500 ppm, adjtimex(2)); doubled.
const SLEW: f64 = 0.001;

/// Stamps what arrives; one for each source, kept over gaps.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    started: Instant,
    last: Stamp,
}

impl Clock {
    /// Starts at zero.
    #[must_use]
    pub fn start() -> Self {
        let last = Stamp { elapsed_ns: 0, utc_us: jiff::Timestamp::now().as_microsecond() };
        Self { started: Instant::now(), last }
    }

    /// The time now.
    #[must_use]
    pub fn stamp(&self) -> Stamp {
        Stamp {
            elapsed_ns: u64::try_from(self.started.elapsed().as_nanos()).unwrap_or(u64::MAX),
            utc_us: jiff::Timestamp::now().as_microsecond(),
        }
    }

    /// Seconds by which the wall clock was moved since the last call, if it was moved.
    pub fn moved(&mut self, now: Stamp) -> Option<f64> {
        let wall_s = (now.utc_us - self.last.utc_us) as f64 * 1e-6;
        let true_s = now.seconds() - self.last.seconds();
        self.last = now;
        let moved_s = wall_s - true_s;
        (moved_s.abs() > JUMP_S + SLEW * true_s).then_some(moved_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_clock_that_was_set_is_told_and_only_once() {
        let mut clock = Clock::start();
        let start = clock.last;
        let at = |seconds: i64, wall_us: i64| Stamp {
            elapsed_ns: seconds.unsigned_abs() * 1_000_000_000,
            utc_us: start.utc_us + wall_us,
        };
        assert_eq!(clock.moved(at(10, 10_000_000)), None);
        // an hour of idle time with a clock that is slewed at full rate
        assert_eq!(clock.moved(at(3_610, 3_611_800_000)), None);
        let moved = clock.moved(at(3_620, 11_800_000)).unwrap();
        assert!((moved + 3_610.0).abs() < 1e-3, "{moved}");
        assert_eq!(clock.moved(at(3_621, 12_800_000)), None);
    }

    #[test]
    fn stamps_follow_both_clocks() {
        let clock = Clock::start();
        let (first, second) = (clock.stamp(), clock.stamp());
        assert!(first.elapsed_ns <= second.elapsed_ns);
        let wall = jiff::Timestamp::now().as_microsecond();
        assert!((wall - second.utc_us).abs() < 1_000_000);
    }
}
