//! Non-linear least squares by the Levenberg-Marquardt method on a QR factorisation.
//!
//! Source: J. J. More, The Levenberg-Marquardt algorithm: implementation and theory, Lecture Notes in Mathematics 630
//! (1978) 105-116: the damped step is solved from the triangular factor, never from normal equations; columns are
//! scaled by their largest norm so far. The damping follows K. Madsen, H. B. Nielsen, O. Tingleff, Methods for
//! Non-Linear Least Squares Problems, 2nd ed. (2004), algorithm 3.16.

use nalgebra::{DMatrix, DVector};

/// Why an iteration stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stop {
    /// The step or the gain became negligible.
    Converged,
    /// The allowed number of iterations was used up.
    Iterations,
    /// No step improves, or the system has no finite value at the start.
    Stuck,
}

/// A system of residuals whose sum of squares is made small.
pub trait System {
    /// Number of residuals (rows).
    fn rows(&self) -> usize;
    /// Fills residuals and, if asked for, their derivatives by the parameters. `false` if `p` is not allowed.
    fn fill(&mut self, p: &[f64], residuals: &mut DVector<f64>, jacobian: Option<&mut DMatrix<f64>>) -> bool;
}

/// What a minimisation ended with.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// Sum of squares at the end.
    pub sum: f64,
    /// Why it stopped.
    pub stop: Stop,
    /// Iterations used (each with one Jacobian).
    pub iterations: usize,
}

/// Relative step below which the parameters stand still.
const SMALL_STEP: f64 = 1e-9;
/// Relative gain below which the sum of squares stands still.
const SMALL_GAIN: f64 = 1e-10;
/// Largest number of damped steps tried in one iteration.
const MOST_TRIES: usize = 12;

/// Makes the sum of squares of `system` small, starting from and writing to `p`.
///
/// The sum never rises. Cost: one QR of rows x parameters and some of twice parameters x parameters an iteration.
pub fn minimise(system: &mut impl System, p: &mut [f64], most_iterations: usize) -> Outcome {
    let (m, k) = (system.rows(), p.len());
    let mut residuals = DVector::zeros(m);
    let mut jacobian = DMatrix::zeros(m, k);
    if !system.fill(p, &mut residuals, Some(&mut jacobian)) || !finite(&residuals) || m < k {
        return Outcome { sum: f64::INFINITY, stop: Stop::Stuck, iterations: 0 };
    }
    let mut sum = residuals.norm_squared();
    let mut column = vec![0.0_f64; k];
    let mut damping = 1e-3;
    let mut growth = 2.0;
    let mut trial = vec![0.0; k];
    let mut trial_residuals = DVector::zeros(m);
    for iteration in 1..=most_iterations {
        for (j, scale) in column.iter_mut().enumerate() {
            *scale = scale.max(jacobian.column(j).norm()).max(1e-12);
        }
        let qr = jacobian.clone().qr();
        let mut projected = residuals.clone();
        qr.q_tr_mul(&mut projected);
        let r = qr.unpack_r();
        let mut accepted = false;
        for _ in 0..MOST_TRIES {
            let Some(step) = damped(&r, &projected, &column, damping) else {
                damping *= growth;
                growth *= 2.0;
                continue;
            };
            for j in 0..k {
                trial[j] = p[j] - step[j];
            }
            let length: f64 = (0..k).map(|j| (step[j] * column[j]).powi(2)).sum::<f64>();
            let allowed = system.fill(&trial, &mut trial_residuals, None) && finite(&trial_residuals);
            let trial_sum = trial_residuals.norm_squared();
            if allowed && trial_sum <= sum {
                // Gain over what the linear system promises: |r|^2 - |r - J s|^2.
                let promised = (projected.rows(0, k).norm_squared()
                    - (projected.rows(0, k) - &r * DVector::from_column_slice(&step)).norm_squared())
                .max(f64::MIN_POSITIVE);
                let ratio = (sum - trial_sum) / promised;
                let gain = sum - trial_sum;
                p.copy_from_slice(&trial);
                let small = gain <= SMALL_GAIN * sum || length <= SMALL_STEP * SMALL_STEP * (1.0 + sum);
                sum = trial_sum;
                if small {
                    return Outcome { sum, stop: Stop::Converged, iterations: iteration };
                }
                damping = (damping * (1.0 - (2.0 * ratio - 1.0).powi(3)).max(1.0 / 3.0)).clamp(1e-12, 1e12);
                growth = 2.0;
                accepted = true;
                break;
            }
            if length <= SMALL_STEP * SMALL_STEP {
                return Outcome { sum, stop: Stop::Converged, iterations: iteration };
            }
            damping = (damping * growth).min(1e14);
            growth = (growth * 2.0).min(1e6);
        }
        if !accepted {
            return Outcome { sum, stop: Stop::Stuck, iterations: iteration };
        }
        if !system.fill(p, &mut residuals, Some(&mut jacobian)) {
            return Outcome { sum, stop: Stop::Stuck, iterations: iteration };
        }
    }
    Outcome { sum, stop: Stop::Iterations, iterations: most_iterations }
}

/// Inverse of JᵀJ at `p`: the covariance of the parameters when the residuals have unit variance.
///
/// `None` if a direction is flat (its singular value is below 1e-9 of its column scale).
pub fn covariance(system: &mut impl System, p: &[f64]) -> Option<DMatrix<f64>> {
    let (m, k) = (system.rows(), p.len());
    let mut residuals = DVector::zeros(m);
    let mut jacobian = DMatrix::zeros(m, k);
    if m < k || !system.fill(p, &mut residuals, Some(&mut jacobian)) {
        return None;
    }
    let scale: Vec<f64> = (0..k).map(|j| jacobian.column(j).norm()).collect();
    if scale.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
        return None;
    }
    for (j, s) in scale.iter().enumerate() {
        jacobian.column_mut(j).scale_mut(1.0 / s);
    }
    let r = jacobian.qr().unpack_r();
    if (0..k).any(|j| r[(j, j)].abs() < 1e-9) {
        return None;
    }
    let inverse = r.solve_upper_triangular(&DMatrix::identity(k, k))?;
    let mut covariance = &inverse * inverse.transpose();
    for i in 0..k {
        for j in 0..k {
            covariance[(i, j)] /= scale[i] * scale[j];
        }
    }
    covariance.iter().all(|c| c.is_finite()).then_some(covariance)
}

fn finite(v: &DVector<f64>) -> bool {
    v.iter().all(|x| x.is_finite())
}

/// Solves min |R s - q|^2 + damping |D s|^2.
fn damped(r: &DMatrix<f64>, projected: &DVector<f64>, column: &[f64], damping: f64) -> Option<Vec<f64>> {
    let k = column.len();
    let mut stacked = DMatrix::zeros(2 * k, k);
    stacked.view_mut((0, 0), (k, k)).copy_from(r);
    for j in 0..k {
        stacked[(k + j, j)] = damping.sqrt() * column[j];
    }
    let mut right = DVector::zeros(2 * k);
    right.rows_mut(0, k).copy_from(&projected.rows(0, k));
    let qr = stacked.qr();
    qr.q_tr_mul(&mut right);
    let step = qr.unpack_r().solve_upper_triangular(&right.rows(0, k).into_owned())?;
    step.iter().all(|s| s.is_finite()).then(|| step.as_slice().to_vec())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// y = a (1 - exp(-b x)) at given points.
    struct Saturation<'a> {
        x: &'a [f64],
        y: &'a [f64],
    }

    impl System for Saturation<'_> {
        fn rows(&self) -> usize {
            self.x.len()
        }
        fn fill(&mut self, p: &[f64], r: &mut DVector<f64>, mut j: Option<&mut DMatrix<f64>>) -> bool {
            for (i, (x, y)) in self.x.iter().zip(self.y).enumerate() {
                let e = (-p[1] * x).exp();
                r[i] = p[0] * (1.0 - e) - y;
                if let Some(j) = j.as_deref_mut() {
                    j[(i, 0)] = 1.0 - e;
                    j[(i, 1)] = p[0] * x * e;
                }
            }
            true
        }
    }

    /// NIST StRD nonlinear regression, Misra1a (lower difficulty), certified values, from memory of the published set.
    #[test]
    fn misra1a_certified_values() {
        let y = [
            10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78,
        ];
        let x =
            [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0];
        for start in [[500.0, 1e-4], [250.0, 5e-4]] {
            let mut p = start;
            let mut system = Saturation { x: &x, y: &y };
            let outcome = minimise(&mut system, &mut p, 200);
            assert!((p[0] / 238.942_129_18 - 1.0).abs() < 1e-6, "{p:?} {outcome:?}");
            assert!((p[1] / 5.501_564_318_1e-4 - 1.0).abs() < 1e-6, "{p:?}");
            let variance = outcome.sum / 12.0;
            let c = covariance(&mut system, &p).unwrap();
            assert!(((c[(0, 0)] * variance).sqrt() / 2.707_007_524_1 - 1.0).abs() < 1e-5);
            assert!(((c[(1, 1)] * variance).sqrt() / 7.266_867_665_5e-6 - 1.0).abs() < 1e-5);
        }
    }

    #[test]
    fn a_flat_direction_has_no_covariance() {
        let mut system = Saturation { x: &[1.0, 2.0, 3.0], y: &[0.0, 0.0, 0.0] };
        assert!(covariance(&mut system, &[0.0, 1.0]).is_none());
    }

    #[test]
    fn a_start_that_is_not_a_number_is_said() {
        let mut p = [f64::NAN, 1.0];
        let outcome = minimise(&mut Saturation { x: &[1.0, 2.0], y: &[1.0, 2.0] }, &mut p, 10);
        assert_eq!(outcome.stop, Stop::Stuck);
    }
}
