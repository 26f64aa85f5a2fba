//! Losses that gross errors do not rule, and tests of what is left over.

/// The limit of Tukey's biweight in standard deviations.
pub(super) const TUKEY: f64 = 5.0;
/// Share of its variance that a normal sample keeps under these weights: E\[w r^2\] / E\[w\].
pub(super) const TUKEY_SHARE: f64 = 0.848;

/// Median of |u| over that of a normal law.
pub(super) fn median_scale(standardised: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = standardised.iter().map(|u| u.abs()).collect();
    let middle = sizes.len() / 2;
    if sizes.is_empty() {
        return 1.0;
    }
    sizes.select_nth_unstable_by(middle, f64::total_cmp);
    (sizes[middle] / 0.6745).max(1e-3)
}

/// A loss that takes the force from gross errors but throws nothing out.
pub(super) fn cauchy(u: f64) -> f64 {
    1.0 / (1.0 + (u / 2.4).powi(2))
}

pub(super) fn tukey(u: f64) -> f64 {
    let t = u / TUKEY;
    if t.abs() >= 1.0 { 0.0 } else { (1.0 - t * t).powi(2) }
}

/// The loss whose weight is `tukey`: u^2 near 0, a constant far away.
pub(super) fn tukey_cost(u: f64) -> f64 {
    let t = (u / TUKEY).powi(2).min(1.0);
    TUKEY * TUKEY / 3.0 * (1.0 - (1.0 - t).powi(3))
}

/// Correlation of neighbouring residuals and the standardised count of runs of one sign
/// (A. Wald, J. Wolfowitz, Annals of Mathematical Statistics 11 (1940) 147).
pub(super) fn whiteness(standardised: &[f64], weights: &[f64]) -> (f64, f64) {
    let kept: Vec<f64> =
        standardised.iter().zip(weights).filter(|(_, w)| **w > 0.0).map(|(u, _)| *u).collect();
    let n = kept.len() as f64;
    if kept.len() < 8 {
        return (0.0, 0.0);
    }
    let mean = kept.iter().sum::<f64>() / n;
    let sum: f64 = kept.iter().map(|u| (u - mean).powi(2)).sum();
    let products: f64 = kept.windows(2).map(|w| (w[0] - mean) * (w[1] - mean)).sum();
    let positive = kept.iter().filter(|u| **u > 0.0).count() as f64;
    let negative = n - positive;
    let runs = 1.0 + kept.windows(2).filter(|w| (w[0] > 0.0) != (w[1] > 0.0)).count() as f64;
    let expected = 1.0 + 2.0 * positive * negative / n;
    let variance = (expected - 1.0) * (expected - 2.0) / (n - 1.0);
    let runs_z = if variance > 0.0 { (runs - expected) / variance.sqrt() } else { 0.0 };
    (if sum > 0.0 { products / sum } else { 0.0 }, runs_z)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hanging_residuals_are_seen_and_white_ones_are_not() {
        let weights = vec![1.0; 40];
        let hanging: Vec<f64> = (0..40).map(|i| (f64::from(i) / 6.0).sin()).collect();
        let (lag, runs) = whiteness(&hanging, &weights);
        assert!(lag > 0.8 && runs < -4.0, "{lag} {runs}");
        let white: Vec<f64> = (0..40).map(|i| (f64::from(i * i) * 1.3).sin()).collect();
        let (lag, runs) = whiteness(&white, &weights);
        assert!(lag.abs() < 0.35 && runs.abs() < 2.5, "{lag} {runs}");
    }
}
