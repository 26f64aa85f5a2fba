//! Scale of the noise and of the rounding, from the numbers alone.

/// Resolution of a list of numbers: the coarsest of 1, 2, 5 times a power of ten on whose grid they all lie.
///
/// Steps finer than 1e-6 of the largest number give 0 (not rounded as far as can be seen).
pub(super) fn resolution(values: &[f64]) -> f64 {
    let largest = values.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    if largest <= 0.0 || !largest.is_finite() {
        return 0.0;
    }
    let mut decade = 10_f64.powf(largest.log10().floor());
    for _ in 0..7 {
        for factor in [5.0, 2.0, 1.0] {
            let grid = decade * factor;
            let on_grid = |v: &f64| {
                let steps = v / grid;
                (steps - steps.round()).abs() < 1e-5
            };
            if values.iter().all(on_grid) {
                return grid;
            }
        }
        decade /= 10.0;
    }
    0.0
}

/// Robust standard deviation of the signal about a smooth curve, never below its resolution / sqrt(12).
///
/// From 3- and 4-point divided differences scaled for uneven spacing; the smaller half of them is used, because the
/// jump itself makes large ones. 0.378 is the root mean square of the smaller half of |normal| values.
pub(super) fn scale(titrant: &[f64], signal: &[f64]) -> f64 {
    let floor = resolution(signal) / 12_f64.sqrt();
    let mut best = f64::INFINITY;
    for width in [3_usize, 4] {
        let mut errors: Vec<f64> = Vec::with_capacity(titrant.len());
        for (v, x) in titrant.windows(width).zip(signal.windows(width)) {
            let mut sum = 0.0;
            let mut norm = 0.0;
            for i in 0..width {
                let mut product = 1.0;
                for j in 0..width {
                    if i != j {
                        product *= v[i] - v[j];
                    }
                }
                sum += x[i] / product;
                norm += 1.0 / (product * product);
            }
            let error = (sum / norm.sqrt()).abs();
            if error.is_finite() {
                errors.push(error);
            }
        }
        if errors.len() < 3 {
            continue;
        }
        errors.sort_by(f64::total_cmp);
        let half = &errors[..errors.len().div_ceil(2)];
        let rms = (half.iter().map(|e| e * e).sum::<f64>() / half.len() as f64).sqrt();
        best = best.min(rms / 0.378);
    }
    let scale = if best.is_finite() { best } else { 0.0 };
    let span = signal.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    scale.max(floor).max(1e-9 * span).max(1e-12)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    #[test]
    fn the_resolution_of_rounded_numbers_is_found() {
        assert!((resolution(&[0.1, 0.35, 2.0, 7.15]) - 0.05).abs() < 1e-12);
        assert!((resolution(&[102.1, 99.8, 0.3]) - 0.1).abs() < 1e-12);
        assert!((resolution(&[0.0, 0.0]) - 0.0).abs() < 1e-12);
        assert!(resolution(&[1.0 / 3.0, 0.1]) < 1e-7);
    }

    #[test]
    fn the_noise_of_a_smooth_curve_on_uneven_volumes_is_found() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let noise = Normal::new(0.0, 0.2).unwrap();
        let titrant: Vec<f64> = (0..400).map(|i| 0.05 * f64::from(i) + 0.02 * f64::from(i % 3)).collect();
        let signal: Vec<f64> =
            titrant.iter().map(|v| 40.0 * (v / 6.0).sin() + noise.sample(&mut rng)).collect();
        let s = scale(&titrant, &signal);
        assert!((s / 0.2 - 1.0).abs() < 0.2, "{s}");
    }
}
