//! Statistics of a few results: mean, scatter, robust figures, confidence.

mod outliers;

pub use outliers::{OutlierAdvice, OutlierTest, Standing, dixon, grubbs_one, grubbs_two};

use crate::numeric::distribution::student_quantile;
use serde::{Deserialize, Serialize};

/// Figures that describe a set of results, in their own unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Number of results.
    pub n: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Standard deviation with n - 1; `None` for a single result.
    pub s: Option<f64>,
    /// Median.
    pub median: f64,
    /// Median of the absolute deviations from the median, times 1.4826: the standard deviation that it stands for
    /// among normal values (P. J. Rousseeuw, C. Croux, J. Am. Stat. Assoc. 88 (1993) 1273).
    pub robust_s: f64,
    /// Smallest and largest result.
    pub range: (f64, f64),
}

/// 1 / quantile(0.75) of the normal distribution.
const MAD_TO_S: f64 = 1.482_602_218_505_602;

impl Summary {
    /// Describes results; `None` for none at all, or when one of them is no number.
    ///
    /// ```
    /// use dropwise::results::statistics::Summary;
    /// let titres = Summary::of(&[0.2940, 0.2970, 0.2983]).unwrap();
    /// assert_eq!(format!("{:.4} {:.2} %", titres.mean, 100.0 * titres.relative().unwrap()), "0.2964 0.74 %");
    /// ```
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        let n = values.len();
        if n == 0 || values.iter().any(|v| !v.is_finite()) {
            return None;
        }
        // Two passes: the second takes out what rounding left in the first.
        let first = values.iter().sum::<f64>() / n as f64;
        let mean = first + values.iter().map(|v| v - first).sum::<f64>() / n as f64;
        let s =
            (n > 1).then(|| (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1) as f64).sqrt());
        let median = median(values)?;
        let deviations: Vec<f64> = values.iter().map(|v| (v - median).abs()).collect();
        let range =
            values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(*v), b.max(*v)));
        Some(Self { n, mean, s, median, robust_s: MAD_TO_S * self::median(&deviations)?, range })
    }

    /// Relative standard deviation as a fraction; `None` for a single result or a mean of zero.
    #[must_use]
    pub fn relative(&self) -> Option<f64> {
        self.s.filter(|_| self.mean.abs() > 0.0).map(|s| s / self.mean.abs())
    }

    /// Half width of the confidence interval of the mean by scatter alone, t s / sqrt n; `None` for a single result.
    #[must_use]
    pub fn confidence(&self, probability: f64) -> Option<f64> {
        let t = student_quantile(0.5 + 0.5 * probability, (self.n - 1) as f64)?;
        Some(t * self.s? / (self.n as f64).sqrt())
    }

    /// Largest minus smallest result by the absolute mean, as a fraction; `None` for a mean of zero.
    #[must_use]
    pub fn relative_range(&self) -> Option<f64> {
        (self.mean.abs() > 0.0).then(|| (self.range.1 - self.range.0) / self.mean.abs())
    }
}

/// The median; `None` for no values. Values that are no numbers are sorted to the ends.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    let upper = *sorted.get(n / 2)?;
    if n % 2 == 1 { Some(upper) } else { Some(f64::midpoint(*sorted.get(n / 2 - 1)?, upper)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_single_result_has_no_scatter() {
        let one = Summary::of(&[5.0]).unwrap();
        assert_eq!((one.s, one.relative(), one.confidence(0.95)), (None, None, None));
        assert_eq!(Summary::of(&[]), None);
        assert_eq!(Summary::of(&[1.0, f64::NAN]), None);
        assert_eq!(Summary::of(&[-1.0, 1.0]).unwrap().relative(), None);
    }

    /// A huge offset must not eat the scatter (as the certified sets NumAcc3 and NumAcc4 of NIST StRD ask: s = 0.1).
    #[test]
    fn a_huge_offset_keeps_the_scatter() {
        for offset in [1e6, 1e7] {
            let mut values = vec![offset + 0.2];
            for _ in 0..500 {
                values.extend([offset + 0.1, offset + 0.3]);
            }
            let s = Summary::of(&values).unwrap().s.unwrap();
            assert!((s - 0.1).abs() < 1e-8, "{s}");
        }
    }

    proptest! {
        #[test]
        fn shift_and_scale_are_followed(values in proptest::collection::vec(-10.0_f64..10.0, 2..20), a in 0.1_f64..5.0, b in -50.0_f64..50.0) {
            let before = Summary::of(&values).unwrap();
            let moved: Vec<f64> = values.iter().map(|v| a * v + b).collect();
            let after = Summary::of(&moved).unwrap();
            prop_assert!((after.mean - (a * before.mean + b)).abs() < 1e-10);
            prop_assert!((after.s.unwrap() - a * before.s.unwrap()).abs() < 1e-10);
            prop_assert!((after.median - (a * before.median + b)).abs() < 1e-10);
            prop_assert!((after.robust_s - a * before.robust_s).abs() < 1e-10);
        }
    }
}
