//! Lasting changes in a trend, such as the carbonate in a titrant or the slope of an electrode.

use super::Factors;
use crate::results::statistics::{Summary, median};

/// Half of the shift (in standard deviations) that the cumulative sum is made for.
const ALLOWANCE: f64 = 0.5;
/// Decision interval in standard deviations.
const DECISION: f64 = 5.0;
/// Fewest values from which centre and scatter are learnt.
pub const FEWEST_TO_LEARN: usize = 8;

/// A lasting change of a trend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// Place of the value at which the change was certain, counted from 0.
    pub at: usize,
    /// Place of the first value that belongs to the new level, as far as can be told.
    pub since: usize,
    /// Level before.
    pub before: f64,
    /// Mean since the change.
    pub after: f64,
    /// Standard deviation of the values before it.
    pub s: f64,
}

impl Change {
    /// The change in words, with its size relative to the level before where that says more.
    #[must_use]
    pub fn words(&self) -> String {
        let direction = if self.after > self.before { "risen" } else { "fallen" };
        let deviations = (self.after - self.before).abs() / self.s;
        let relative = (self.after - self.before).abs() / self.before.abs();
        if relative.is_finite() && relative >= 0.05 {
            let percent = 100.0 * relative;
            return format!("{direction} by {percent:.0} % ({deviations:.1} standard deviations)");
        }
        format!("{direction} by {deviations:.1} standard deviations")
    }
}

/// Looks for the first lasting change in values in order of time, by the two-sided cumulative sum.
///
/// The first `learn` values (at least [`FEWEST_TO_LEARN`]) give centre (median) and standard deviation (mean moving
/// range by 1.128; never below `smallest_s`, which keeps the last digit of a display from becoming a change).
/// Allowance 0.5 and decision interval 5 standard deviations: one false alarm in about 465 values with a known centre,
/// a shift of one standard deviation is found after about 10. Source: E. S. Page, Biometrika 41 (1954) 100; figures of
/// D. C. Montgomery, Introduction to Statistical Quality Control, from memory, and simulated in the tests.
/// `None` for no change, too few values, or values without scatter and without `smallest_s`.
#[must_use]
pub fn change(values: &[f64], learn: usize, smallest_s: f64) -> Option<Change> {
    let learn = learn.max(FEWEST_TO_LEARN);
    let first = values.get(..learn)?;
    let centre = median(first)?;
    let moving: Vec<f64> = first.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    let s = (Summary::of(&moving)?.mean / Factors::of(2)?.d2).max(smallest_s);
    change_from(&values[learn..], centre, s).map(|found| Change {
        at: found.at + learn,
        since: found.since + learn,
        ..found
    })
}

/// As [`change`], with centre and standard deviation known.
#[must_use]
pub fn change_from(values: &[f64], centre: f64, s: f64) -> Option<Change> {
    if !(centre.is_finite() && s.is_finite() && s > 0.0) {
        return None;
    }
    let mut sums = [0.0_f64; 2];
    let mut since = [0; 2];
    for (at, value) in values.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        let z = (value - centre) / s;
        for (side, sign) in [(0, 1.0), (1, -1.0)] {
            if sums[side] <= 0.0 {
                since[side] = at;
            }
            sums[side] = (sums[side] + sign * z - ALLOWANCE).max(0.0);
            if sums[side] > DECISION {
                let new: Vec<f64> =
                    values[since[side]..=at].iter().copied().filter(|v| v.is_finite()).collect();
                let after = Summary::of(&new)?.mean;
                return Some(Change { at, since: since[side], before: centre, after, s });
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    #[test]
    fn a_doubled_level_is_found_and_dated() {
        let mut random = ChaCha8Rng::seed_from_u64(11);
        let mut carbonate: Vec<f64> =
            (0..20).map(|_| 0.5 + 0.03 * random.sample::<f64, _>(StandardNormal)).collect();
        carbonate.extend((0..8).map(|_| 1.0 + 0.03 * random.sample::<f64, _>(StandardNormal)));
        let found = change(&carbonate, 12, 0.0).unwrap();
        assert_eq!(found.since, 20);
        assert!(found.at <= 21);
        assert!((found.after / found.before - 2.0).abs() < 0.25, "{found:?}");
        assert!(
            found.words().starts_with("risen by 1") && found.words().contains(" % ("),
            "{}",
            found.words()
        );
        assert_eq!(change(&carbonate[..20], 12, 0.0), None);
        assert_eq!(change(&carbonate[..5], 12, 0.0), None);
        assert_eq!(change(&[1.0; 30], 8, 0.0), None, "no scatter, no judgement");
        assert_eq!(change_from(&[1.0; 30], 0.0, f64::NAN), None);
    }

    /// Mean run lengths of the two-sided sum with allowance 0.5 and interval 5: 465 without a shift, 10.4 with a shift of
    /// one standard deviation (Montgomery, from memory). Tolerance: three standard errors of the simulation.
    #[test]
    fn run_lengths_of_the_cumulative_sum() {
        let mut random = ChaCha8Rng::seed_from_u64(3);
        for (shift, runs, wanted, tolerance) in [(0.0, 2_000, 465.0, 40.0), (1.0, 2_000, 10.4, 0.5)] {
            let mut total = 0;
            for _ in 0..runs {
                let values: Vec<f64> =
                    (0..5_000).map(|_| shift + random.sample::<f64, _>(StandardNormal)).collect();
                total += change_from(&values, 0.0, 1.0).map_or(5_000, |c| c.at + 1);
            }
            let length = f64::from(u32::try_from(total).unwrap()) / f64::from(runs);
            assert!((length - wanted).abs() < tolerance, "shift {shift}: {length}");
        }
    }
}
