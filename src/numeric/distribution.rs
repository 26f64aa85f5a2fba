//! Distributions that judge scatter: normal, Student's t, chi-squared; distribution functions and quantiles.
//!
//! Every function is checked against a table of an independent library in `fixtures/reference/distributions.csv`.

use super::find_root;
use std::f64::consts::{PI, SQRT_2};

/// Degrees of freedom beyond which Student's t is taken from the normal by its expansion.
const NEARLY_NORMAL: f64 = 1e4;
/// Relative width to which continued fractions and series are summed.
const SMALL: f64 = 1e-16;
/// Most terms of a continued fraction or series.
const MOST_TERMS: usize = 10_000;

/// Probability that a standard normal variable is at most `x`.
#[must_use]
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * libm::erfc(-x / SQRT_2)
}

/// The value that a standard normal variable stays below with probability `p`; `None` unless 0 < p < 1.
///
/// Start: M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions (1964), 26.2.23; then Halley's method.
#[must_use]
pub fn normal_quantile(p: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0) {
        return None;
    }
    // The lower tail keeps its digits; the upper one is its mirror.
    let tail = p.min(1.0 - p);
    let t = (-2.0 * tail.ln()).sqrt();
    let mut x = -(t
        - (2.515_517 + t * (0.802_853 + t * 0.010_328))
            / (1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308))));
    for _ in 0..4 {
        let density = (-0.5 * x * x).exp() / (2.0 * PI).sqrt();
        if density <= 0.0 {
            break;
        }
        let miss = (normal_cdf(x) - tail) / density;
        x -= miss / (1.0 + 0.5 * x * miss);
    }
    Some(if p < 0.5 { x } else { -x })
}

/// Regularised incomplete beta function I_x(a, b).
///
/// Continued fraction of DLMF 8.17.22 by the method of Lentz (W. J. Lentz, Appl. Opt. 15 (1976) 668).
/// `None` outside 0 <= x <= 1, a > 0, b > 0, or when it does not settle.
#[must_use]
pub fn incomplete_beta(a: f64, b: f64, x: f64) -> Option<f64> {
    if !(a > 0.0 && b > 0.0 && (0.0..=1.0).contains(&x)) {
        return None;
    }
    if x <= 0.0 || x >= 1.0 {
        return Some(x);
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return incomplete_beta_below(b, a, 1.0 - x).map(|v| 1.0 - v);
    }
    incomplete_beta_below(a, b, x)
}

fn incomplete_beta_below(a: f64, b: f64, x: f64) -> Option<f64> {
    const TINY: f64 = 1e-300;
    let away = |v: f64| if v.abs() < TINY { TINY } else { v };
    let front =
        a * x.ln() + b * (-x).ln_1p() + libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b) - a.ln();
    let mut c = 1.0;
    let mut d = 1.0 / away(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = d;
    for m in 1..MOST_TERMS {
        let m = m as f64;
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        let mut change = 1.0;
        for term in [even, odd] {
            d = 1.0 / away(1.0 + term * d);
            c = away(1.0 + term / c);
            change *= c * d;
            fraction *= c * d;
        }
        if (change - 1.0).abs() <= 4.0 * SMALL {
            let value = front.exp() * fraction;
            return value.is_finite().then_some(value);
        }
    }
    None
}

/// Probability that Student's t with `degrees` of freedom (whole or not, infinite allowed) exceeds `t` >= 0.
fn student_tail(t: f64, degrees: f64) -> Option<f64> {
    if degrees > NEARLY_NORMAL {
        // The same expansion as in the quantile, solved the other way round to first order (DLMF has no closed form).
        let z = t - (t.powi(3) + t) / (4.0 * degrees);
        return Some(normal_cdf(-z));
    }
    Some(0.5 * incomplete_beta(0.5 * degrees, 0.5, degrees / (degrees + t * t))?)
}

/// Probability that Student's t is at most `t`; `None` unless `degrees` > 0.
#[must_use]
pub fn student_cdf(t: f64, degrees: f64) -> Option<f64> {
    if !(degrees > 0.0 && t.is_finite()) {
        return None;
    }
    let tail = student_tail(t.abs(), degrees)?;
    Some(if t > 0.0 { 1.0 - tail } else { tail })
}

/// The value that Student's t stays below with probability `p`; `None` unless 0 < p < 1 and `degrees` > 0.
///
/// Beyond 10 000 degrees of freedom by the expansion of R. A. Fisher and E. A. Cornish (Technometrics 2 (1960) 209),
/// which also holds for infinitely many.
///
/// ```
/// use dropwise::numeric::distribution::student_quantile;
/// assert!((student_quantile(0.975, 2.0).unwrap() - 4.302_653).abs() < 1e-6);
/// assert!((student_quantile(0.975, f64::INFINITY).unwrap() - 1.959_964).abs() < 1e-6);
/// ```
#[must_use]
pub fn student_quantile(p: f64, degrees: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0 && degrees > 0.0) {
        return None;
    }
    let tail = p.min(1.0 - p);
    if tail >= 0.5 {
        return Some(0.0);
    }
    let z = -normal_quantile(tail)?;
    let first = (z.powi(3) + z) / 4.0;
    let second = (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / 96.0;
    let sign = if p < 0.5 { -1.0 } else { 1.0 };
    if degrees > NEARLY_NORMAL {
        return Some(sign * (z + first / degrees + second / (degrees * degrees)));
    }
    // t is never below z; its logarithm is sought, so that one degree of freedom needs no more steps than a hundred.
    let log_tail =
        |log_t: f64| student_tail(log_t.exp(), degrees).map_or(f64::NAN, |q| q.max(1e-300).ln() - tail.ln());
    let low = z.max(1e-12).ln() - 0.1;
    let mut high = low + 2.0;
    while log_tail(high) > 0.0 && high < 700.0 {
        high *= 1.5;
        high += 2.0;
    }
    let log_t = find_root(log_tail, low, high, 1e-15)?;
    Some(sign * log_t.exp())
}

/// Regularised lower incomplete gamma function P(a, x); `None` unless a > 0 and x >= 0, or when it does not settle.
///
/// Series of DLMF 8.7.1 below a + 1, continued fraction of DLMF 8.9.2 above.
fn incomplete_gamma(a: f64, x: f64) -> Option<f64> {
    if !(a > 0.0 && x >= 0.0) {
        return None;
    }
    if x <= 0.0 {
        return Some(0.0);
    }
    let front = (a * x.ln() - x - libm::lgamma(a)).exp();
    if x < a + 1.0 {
        let mut term = 1.0 / a;
        let mut sum = term;
        for k in 1..MOST_TERMS {
            term *= x / (a + k as f64);
            sum += term;
            if term <= SMALL * sum {
                return Some(front * sum);
            }
        }
        return None;
    }
    let mut b = x + 1.0 - a;
    let mut c = 1e300;
    let mut d = 1.0 / b;
    let mut fraction = d;
    for k in 1..MOST_TERMS {
        let k = k as f64;
        let an = -k * (k - a);
        b += 2.0;
        d = 1.0 / (an * d + b);
        c = b + an / c;
        fraction *= c * d;
        if (c * d - 1.0).abs() <= 4.0 * SMALL {
            return Some(1.0 - front * fraction);
        }
    }
    None
}

/// Probability that chi-squared with `degrees` of freedom is at most `x`; `None` unless `degrees` > 0 and `x` >= 0.
#[must_use]
pub fn chi_squared_cdf(x: f64, degrees: f64) -> Option<f64> {
    incomplete_gamma(0.5 * degrees, 0.5 * x)
}

/// The value that chi-squared stays below with probability `p`; `None` unless 0 < p < 1 and 0 < `degrees` <= 1e4.
#[must_use]
pub fn chi_squared_quantile(p: f64, degrees: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0 && degrees > 0.0 && degrees <= NEARLY_NORMAL) {
        return None;
    }
    let miss = |log_x: f64| chi_squared_cdf(log_x.exp(), degrees).map_or(f64::NAN, |q| q - p);
    // Far enough out on both sides: 40 standard deviations above, and a lower end whose probability is below any p asked.
    let high = (degrees + 40.0 * (2.0 * degrees).sqrt() + 1_500.0).ln();
    find_root(miss, -600.0 / degrees.max(1.0) - 5.0, high, 1e-15).map(f64::exp)
}

/// Mean of the range of `n` standard normal values, and mean of its square; for 2 <= n <= 25, otherwise meaningless.
///
/// P(range > w) is integrated over w by Simpson's rule, the distribution of the range over the smallest value by the
/// trapezium rule, which is exact to rounding for a smooth function that vanishes at both ends
/// (L. N. Trefethen, J. A. C. Weideman, SIAM Rev. 56 (2014) 385). Good to 1e-6.
#[must_use]
pub fn range_moments(n: usize) -> (f64, f64) {
    const STEP: f64 = 0.05;
    const WIDTHS: usize = 240;
    const FARTHEST: usize = 320;
    // Values of the distribution function on the grid from -8 to 8 + 12; beyond 8 it is 1.
    let at = |i: usize| -8.0 + STEP * i as f64;
    let below: Vec<f64> = (0..=FARTHEST + WIDTHS).map(|i| normal_cdf(at(i))).collect();
    let density: Vec<f64> =
        (0..=FARTHEST).map(|i| (-0.5 * at(i) * at(i)).exp() / (2.0 * PI).sqrt()).collect();
    let count = n as f64;
    let power = i32::try_from(n).unwrap_or(2) - 1;
    let (mut first, mut second) = (0.0, 0.0);
    for width in 0..=WIDTHS {
        let inner: f64 = (0..=FARTHEST).map(|i| density[i] * (below[i + width] - below[i]).powi(power)).sum();
        let beyond = 1.0 - (count * STEP * inner).min(1.0);
        let w = STEP * width as f64;
        let weight = if width == 0 || width == WIDTHS {
            1.0
        } else if width % 2 == 1 {
            4.0
        } else {
            2.0
        };
        first += weight * beyond;
        second += weight * 2.0 * w * beyond;
    }
    (first * STEP / 3.0, second * STEP / 3.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn arguments_without_meaning_have_no_answer() {
        for p in [0.0, 1.0, -0.1, 1.1, f64::NAN] {
            assert_eq!(normal_quantile(p), None);
            assert_eq!(student_quantile(p, 5.0), None);
            assert_eq!(chi_squared_quantile(p, 5.0), None);
        }
        for degrees in [0.0, -1.0, f64::NAN] {
            assert_eq!(student_quantile(0.9, degrees), None);
            assert_eq!(student_cdf(1.0, degrees), None);
            assert_eq!(chi_squared_cdf(1.0, degrees), None);
        }
    }

    /// Every quantile of the table; tolerance 1e-11 relative, 1e-7 for t beyond 10 000 degrees at the farthest tails.
    #[test]
    fn quantiles_agree_with_an_independent_library() {
        let text = include_str!("../../fixtures/reference/distributions.csv");
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
        let mut rows = 0;
        for row in reader.records() {
            let row = row.unwrap();
            let number = |i: usize| row[i].parse::<f64>().unwrap();
            let (p, wanted) = (number(1), number(3));
            let (got, tolerance) = match &row[0] {
                "normal" => (normal_quantile(p), 1e-12),
                "student" if number(2) > NEARLY_NORMAL => (student_quantile(p, number(2)), 1e-9),
                "student" => (student_quantile(p, number(2)), 1e-11),
                _ => (chi_squared_quantile(p, number(2)), 1e-11),
            };
            let got = got.unwrap_or_else(|| panic!("{row:?}"));
            assert!((got - wanted).abs() <= tolerance * wanted.abs().max(1e-3), "{row:?}: {got}");
            rows += 1;
        }
        assert_eq!(rows, 322);
    }

    /// Every cell of the printed table but one misprint, to half of its last digit.
    #[test]
    fn students_t_of_the_printed_table() {
        let text = include_str!("../../fixtures/reference/student_t.csv");
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
        let mut cells = 0;
        for row in reader.records() {
            let row = row.unwrap();
            let degrees: f64 = row[0].parse().unwrap_or(f64::INFINITY);
            for (computed, printed, p) in [(1, 3, 0.975), (2, 4, 0.995)] {
                let got = student_quantile(p, degrees).unwrap();
                let wanted: f64 = row[computed].parse().unwrap();
                assert!((got - wanted).abs() < 6e-7, "{row:?}: {got}");
                let misprint = (degrees - 39.0).abs() < 0.1 && printed == 4;
                if let Ok(wanted) = row[printed].parse::<f64>()
                    && !misprint
                {
                    assert!((got - wanted).abs() < 5.1e-4, "{row:?}: {got}");
                }
                cells += 1;
            }
        }
        assert!(cells >= 90, "{cells}");
    }

    #[test]
    fn the_two_ways_to_students_t_meet() {
        let below = student_quantile(0.975, NEARLY_NORMAL).unwrap();
        let above = student_quantile(0.975, NEARLY_NORMAL * 1.000_001).unwrap();
        assert!((below - above).abs() < 1e-9, "{below} {above}");
        let tail = 1.0 - student_cdf(2.0, NEARLY_NORMAL).unwrap();
        let beyond = 1.0 - student_cdf(2.0, NEARLY_NORMAL * 1.000_001).unwrap();
        assert!((tail - beyond).abs() < 1e-8, "{tail} {beyond}");
    }

    proptest! {
        #[test]
        fn quantile_and_distribution_undo_each_other(p in 1e-6_f64..0.999_999, degrees in 0.5_f64..300.0) {
            let z = normal_quantile(p).unwrap();
            prop_assert!((normal_cdf(z) / p - 1.0).abs() < 1e-12);
            let t = student_quantile(p, degrees).unwrap();
            prop_assert!((student_cdf(t, degrees).unwrap() - p).abs() < 1e-11, "{t}");
            let x = chi_squared_quantile(p, degrees).unwrap();
            prop_assert!((chi_squared_cdf(x, degrees).unwrap() - p).abs() < 1e-10, "{x}");
        }
    }
}
