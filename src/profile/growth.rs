//! Volumes that go on growing where the instrument's own total starts again.

use std::sync::Arc;

/// How a total starts again.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Rule {
    /// The field.
    pub channel: Arc<str>,
    /// It starts again at zero, at any time.
    pub at_zero: bool,
    /// It starts again when it reaches this value: a counter that runs over.
    pub at: Option<f64>,
}

/// A fall to less than this part of the last value is a start at zero; a lost leading digit leaves more.
const NEAR_ZERO: f64 = 0.02;
/// A counter runs over from the last to the first tenth of its span.
const NEAR_END: f64 = 0.1;

/// The running total of one field.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Growth {
    before: f64,
    last: Option<f64>,
}

impl Growth {
    /// The instrument said that it was refilled: what was given so far stays.
    pub(crate) fn refilled(&mut self) {
        self.before += self.last.take().unwrap_or(0.0);
    }

    /// The grown value for a value as sent.
    pub(crate) fn grown(&mut self, rule: Option<&Rule>, value: f64) -> f64 {
        if let (Some(last), Some(rule)) = (self.last, rule) {
            if rule.at_zero && last > 0.0 && value < last && value <= NEAR_ZERO * last {
                self.before += last;
            } else if let Some(at) = rule.at
                && last > (1.0 - NEAR_END) * at
                && value < NEAR_END * at
            {
                self.before += at;
            }
        }
        self.last = Some(value);
        self.before + value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(a: f64, b: f64) -> bool {
        (a - b).abs() < 1e-9
    }

    #[test]
    fn a_refill_that_is_announced() {
        let mut growth = Growth::default();
        assert!(near(growth.grown(None, 9.9), 9.9));
        growth.refilled();
        growth.refilled();
        assert!(near(growth.grown(None, 0.1), 10.0));
    }

    #[test]
    fn a_fall_to_zero_is_a_start_and_a_lost_digit_is_none() {
        let rule = Rule { channel: "volume".into(), at_zero: true, at: None };
        let mut growth = Growth::default();
        for (sent, grown) in [(9.9, 9.9), (0.0, 9.9), (0.1, 10.0), (5.3, 15.2), (1.0, 10.9), (5.5, 15.4)] {
            assert!(near(growth.grown(Some(&rule), sent), grown), "{sent}");
        }
    }

    #[test]
    fn a_counter_that_runs_over() {
        let rule = Rule { channel: "volume".into(), at_zero: false, at: Some(2000.0) };
        let mut growth = Growth::default();
        for (sent, grown) in [(1990.0, 1990.0), (5.0, 2005.0), (1200.0, 3200.0), (120.0, 2120.0)] {
            assert!(near(growth.grown(Some(&rule), sent), grown), "{sent}");
        }
    }
}
