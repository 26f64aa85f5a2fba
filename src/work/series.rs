//! What the earlier portions of a series let expect of the next one.

use crate::detector::Prior;

/// A finished portion of the same sample by the same procedure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EarlierPortion {
    /// Titrant at its first end-point (mL or g).
    pub end_point: f64,
    /// Its mass in g, if it was told.
    pub mass_g: Option<f64>,
}

/// One portion alone says how the next will be to this part of it; portions rarely agree better (common practice, no source).
const ONE_ALONE: f64 = 0.05;
/// However well earlier portions agree, the next one may differ by this part.
const AT_LEAST: f64 = 0.01;

/// The first end-point to expect of a portion of `mass_g`, from those before it.
///
/// In proportion to the mass where all masses are known, else as if the portions were alike. The spread is that of the
/// earlier ones with the uncertainty of their mean. `None` without earlier portions.
#[must_use]
pub fn expected(earlier: &[EarlierPortion], mass_g: Option<f64>) -> Option<Prior> {
    let usable = |x: f64| x.is_finite() && x > 0.0;
    let mass_g = mass_g.filter(|m| usable(*m));
    let by_mass = mass_g.filter(|_| earlier.iter().all(|e| e.mass_g.is_some_and(usable)));
    let scaled = |e: &EarlierPortion| match (by_mass, e.mass_g) {
        (Some(this), Some(that)) => e.end_point * this / that,
        _ => e.end_point,
    };
    let all: Vec<f64> = earlier.iter().filter(|e| usable(e.end_point)).map(scaled).collect();
    let n = all.len() as f64;
    if all.is_empty() {
        return None;
    }
    let mean = all.iter().sum::<f64>() / n;
    let spread = if all.len() > 1 {
        let squares: f64 = all.iter().map(|x| (x - mean).powi(2)).sum();
        (squares / (n - 1.0) * (1.0 + 1.0 / n)).sqrt()
    } else {
        ONE_ALONE * mean
    };
    Some(Prior { expected: mean, u: spread.max(AT_LEAST * mean) })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn portion(end_point: f64, mass_g: f64) -> EarlierPortion {
        EarlierPortion { end_point, mass_g: (mass_g > 0.0).then_some(mass_g) }
    }

    #[test]
    fn portions_of_known_mass_are_scaled_to_that_of_the_next() {
        let prior = expected(&[portion(10.0, 1.0), portion(20.4, 2.0)], Some(1.5)).unwrap();
        assert!((prior.expected - 15.15).abs() < 1e-9, "{prior:?}");
        // Two of 15.0 and 15.3: s = 0.2121, times sqrt(1 + 1/2).
        assert!((prior.u - 0.2598).abs() < 1e-3, "{prior:?}");
    }

    #[test]
    fn one_portion_says_little_and_none_says_nothing() {
        let prior = expected(&[portion(10.0, 1.0)], None).unwrap();
        assert!((prior.expected - 10.0).abs() < 1e-12 && (prior.u - 0.5).abs() < 1e-12);
        assert_eq!(expected(&[], Some(1.0)), None);
        assert_eq!(expected(&[portion(f64::NAN, 1.0)], None), None);
    }

    #[test]
    fn portions_that_agree_to_the_last_digit_still_leave_room() {
        let prior = expected(&[portion(10.0, 0.0), portion(10.0, 0.0)], Some(1.0)).unwrap();
        assert!((prior.u - 0.1).abs() < 1e-12);
    }
}
