//! The zero of a function between two values that enclose it.

/// Finds x in [`low`, `high`] with f(x) = 0, to `tolerance` in x.
///
/// Bisection with inverse quadratic interpolation where it is safe: T. R. Chandrupatla, Adv. Eng. Software 28 (1997) 145.
/// Returns `None` when the ends do not enclose a change of sign or f is not finite there.
pub fn find_root(mut f: impl FnMut(f64) -> f64, low: f64, high: f64, tolerance: f64) -> Option<f64> {
    let (mut newest, mut other) = (low, high);
    let (mut f_newest, mut f_other) = (f(newest), f(other));
    if f_newest == 0.0 {
        return Some(newest);
    }
    if f_other == 0.0 {
        return Some(other);
    }
    if !(f_newest.is_finite() && f_other.is_finite()) || f_newest.signum() == f_other.signum() {
        return None;
    }
    let mut share = 0.5;
    for _ in 0..200 {
        let x = newest + share * (other - newest);
        let fx = f(x);
        let (third, f_third);
        if fx.signum() == f_newest.signum() {
            (third, f_third) = (newest, f_newest);
        } else {
            (third, f_third) = (other, f_other);
            (other, f_other) = (newest, f_newest);
        }
        (newest, f_newest) = (x, fx);
        let best = if f_newest.abs() < f_other.abs() { newest } else { other };
        let smallest = (2.0 * f64::EPSILON * best.abs() + 0.5 * tolerance) / (other - newest).abs();
        if smallest > 0.5 || f_newest == 0.0 {
            return Some(best);
        }
        let xi = (newest - other) / (third - other);
        let phi = (f_newest - f_other) / (f_third - f_other);
        let quadratic_is_safe = phi * phi < xi && (1.0 - phi).powi(2) < 1.0 - xi;
        share = if quadratic_is_safe {
            f_newest / (f_other - f_newest) * f_third / (f_other - f_third)
                + (third - newest) / (other - newest) * f_newest / (f_third - f_newest) * f_other
                    / (f_third - f_other)
        } else {
            0.5
        };
        share = share.clamp(smallest, 1.0 - smallest);
    }
    None
}

/// Widens a bracket around `start` until it encloses a zero of f, then finds it.
///
/// `reach` is the first half-width; the bracket never leaves [`low`, `high`].
pub fn find_root_near(
    mut f: impl FnMut(f64) -> f64,
    start: f64,
    reach: f64,
    limits: (f64, f64),
    tolerance: f64,
) -> Option<f64> {
    let mut width = reach;
    loop {
        let (a, b) = ((start - width).max(limits.0), (start + width).min(limits.1));
        if let Some(root) = find_root(&mut f, a, b, tolerance) {
            return Some(root);
        }
        if a <= limits.0 && b >= limits.1 {
            return None;
        }
        width *= 4.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_zeros_of_stiff_and_flat_functions() {
        let cubic = find_root(|x: f64| x.powi(3) - 2.0, 0.0, 10.0, 1e-14).expect("enclosed");
        assert!((cubic - 2_f64.cbrt()).abs() < 1e-13);
        let steep = find_root(|x: f64| (x - 3.0).exp() - (2.0 - x).exp() * 1e6, -40.0, 40.0, 1e-13)
            .expect("enclosed");
        assert!((steep - (5.0 + 6.0 * std::f64::consts::LN_10) / 2.0).abs() < 1e-12);
        let flat = find_root(|x: f64| (x - 1.0).powi(9), -3.0, 4.0, 1e-12).expect("enclosed");
        assert!((flat - 1.0).abs() < 1e-2);
    }

    #[test]
    fn says_so_when_nothing_is_enclosed() {
        assert_eq!(find_root(|x| x * x + 1.0, -1.0, 1.0, 1e-9), None);
        assert_eq!(find_root(|_| f64::NAN, -1.0, 1.0, 1e-9), None);
        assert_eq!(find_root_near(|_| 1.0, 0.0, 0.1, (-5.0, 5.0), 1e-9), None);
    }

    #[test]
    fn widens_the_bracket() {
        let root = find_root_near(|x| x - 7.0, 0.0, 0.1, (-10.0, 10.0), 1e-12).expect("inside the limits");
        assert!((root - 7.0).abs() < 1e-12);
    }
}
