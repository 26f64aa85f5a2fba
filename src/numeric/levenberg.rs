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
    /// Whether the derivatives cost next to nothing beside the residuals: then they are asked for at every trial, most
    /// of which are taken.
    fn derivatives_are_free(&self) -> bool {
        false
    }
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

/// When to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patience {
    /// Largest number of iterations.
    pub iterations: usize,
    /// What the best undamped step may still promise to take from the sum of squares when the step after it is the last.
    /// With residuals of unit variance, 1e-4 leaves the parameters within a hundredth of their uncertainty before that
    /// step. 0 goes on until nothing moves.
    pub promise: f64,
}

/// Makes the sum of squares of `system` small, starting from and writing to `p`.
///
/// The sum never rises. Cost: one QR of rows x parameters and some of twice parameters x parameters an iteration.
pub fn minimise(system: &mut impl System, p: &mut [f64], patience: Patience) -> Outcome {
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
    let eager = system.derivatives_are_free();
    let mut trial_jacobian = if eager { DMatrix::zeros(m, k) } else { DMatrix::zeros(0, 0) };
    let mut work = Work::new(m, k);
    for iteration in 1..=patience.iterations {
        for (j, scale) in column.iter_mut().enumerate() {
            *scale = scale.max(jacobian.column(j).norm()).max(1e-12);
        }
        work.factorise(&jacobian, &residuals);
        let promised = work.promised();
        let mut accepted = false;
        for _ in 0..MOST_TRIES {
            if !work.damped(&column, damping) {
                damping *= growth;
                growth *= 2.0;
                continue;
            }
            for j in 0..k {
                trial[j] = p[j] - work.step[j];
            }
            let length: f64 = (0..k).map(|j| (work.step[j] * column[j]).powi(2)).sum::<f64>();
            let wanted = eager.then_some(&mut trial_jacobian);
            let allowed = system.fill(&trial, &mut trial_residuals, wanted) && finite(&trial_residuals);
            let trial_sum = trial_residuals.norm_squared();
            if allowed && trial_sum <= sum {
                let gain = sum - trial_sum;
                let ratio = gain / work.promised_by_step().max(f64::MIN_POSITIVE);
                p.copy_from_slice(&trial);
                let small = gain <= SMALL_GAIN * sum || length <= SMALL_STEP * SMALL_STEP * (1.0 + sum);
                sum = trial_sum;
                if small || promised <= patience.promise {
                    return Outcome { sum, stop: Stop::Converged, iterations: iteration };
                }
                damping = (damping * (1.0 - (2.0 * ratio - 1.0).powi(3)).max(1.0 / 3.0)).clamp(1e-12, 1e12);
                growth = 2.0;
                accepted = true;
                break;
            }
            if length <= SMALL_STEP * SMALL_STEP || promised <= patience.promise {
                return Outcome { sum, stop: Stop::Converged, iterations: iteration };
            }
            damping = (damping * growth).min(1e14);
            growth = (growth * 2.0).min(1e6);
        }
        if !accepted {
            return Outcome { sum, stop: Stop::Stuck, iterations: iteration };
        }
        if iteration == patience.iterations {
            break;
        }
        if eager {
            std::mem::swap(&mut residuals, &mut trial_residuals);
            std::mem::swap(&mut jacobian, &mut trial_jacobian);
        } else if !system.fill(p, &mut residuals, Some(&mut jacobian)) {
            return Outcome { sum, stop: Stop::Stuck, iterations: iteration };
        }
    }
    Outcome { sum, stop: Stop::Iterations, iterations: patience.iterations }
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

/// The triangular factor of an iteration and what is made of it, kept from one to the next.
struct Work {
    parameters: usize,
    /// Columns of the Jacobian one after the other, turned into R.
    columns: Vec<f64>,
    /// Residuals, turned by Q.
    right: Vec<f64>,
    /// R upon the damping, and its right-hand side.
    stacked: Vec<f64>,
    stacked_right: Vec<f64>,
    step: Vec<f64>,
}

impl Work {
    fn new(m: usize, k: usize) -> Self {
        Self {
            parameters: k,
            columns: vec![0.0; m * k],
            right: vec![0.0; m],
            stacked: vec![0.0; 2 * k * k],
            stacked_right: vec![0.0; 2 * k],
            step: vec![0.0; k],
        }
    }

    fn factorise(&mut self, jacobian: &DMatrix<f64>, residuals: &DVector<f64>) {
        self.columns.copy_from_slice(jacobian.as_slice());
        self.right.copy_from_slice(residuals.as_slice());
        triangularise(&mut self.columns, &mut self.right);
    }

    fn r(&self, i: usize, j: usize) -> f64 {
        self.columns[j * self.right.len() + i]
    }

    /// What the best undamped step takes from the sum of squares, as far as the system is linear.
    fn promised(&self) -> f64 {
        self.right[..self.parameters].iter().map(|x| x * x).sum()
    }

    /// The same for the step that was chosen: |q|^2 - |q - R s|^2.
    fn promised_by_step(&self) -> f64 {
        let k = self.parameters;
        let left: f64 = (0..k)
            .map(|i| {
                let along: f64 = (i..k).map(|j| self.r(i, j) * self.step[j]).sum();
                (self.right[i] - along).powi(2)
            })
            .sum();
        self.promised() - left
    }

    /// Finds the step that makes |R s - q|^2 + damping |D s|^2 least; `false` if there is none of finite length.
    fn damped(&mut self, column: &[f64], damping: f64) -> bool {
        let k = self.parameters;
        let m = self.right.len();
        self.stacked.fill(0.0);
        self.stacked_right.fill(0.0);
        for (j, length) in column.iter().enumerate().take(k) {
            self.stacked[2 * k * j..][..=j].copy_from_slice(&self.columns[m * j..][..=j]);
            self.stacked[2 * k * j + k + j] = damping.sqrt() * length;
        }
        self.stacked_right[..k].copy_from_slice(&self.right[..k]);
        triangularise(&mut self.stacked, &mut self.stacked_right);
        for i in (0..k).rev() {
            let along: f64 = (i + 1..k).map(|j| self.stacked[2 * k * j + i] * self.step[j]).sum();
            self.step[i] = (self.stacked_right[i] - along) / self.stacked[2 * k * i + i];
        }
        self.step.iter().all(|s| s.is_finite())
    }
}

/// Householder triangularisation of columns that stand one after the other, each as long as `right`, which is turned
/// alike (G. H. Golub, C. F. Van Loan, Matrix Computations, 5.2). What is below the diagonal is left undefined.
fn triangularise(columns: &mut [f64], right: &mut [f64]) {
    let m = right.len();
    for j in 0..columns.len() / m.max(1) {
        let (before, behind) = columns.split_at_mut((j + 1) * m);
        let v = &mut before[j * m + j..];
        let length = dot(v, v).sqrt();
        if length <= 0.0 {
            continue;
        }
        let diagonal = if v[0] > 0.0 { -length } else { length };
        v[0] -= diagonal;
        let twice = 2.0 / dot(v, v);
        for column in behind.chunks_exact_mut(m) {
            reflect(v, twice, &mut column[j..]);
        }
        reflect(v, twice, &mut right[j..]);
        v[0] = diagonal;
    }
}

fn reflect(v: &[f64], twice: f64, column: &mut [f64]) {
    let along = twice * dot(v, column);
    for (c, v) in column.iter_mut().zip(v) {
        *c -= along * v;
    }
}

/// Sum of products in four strands, which the machine adds side by side.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (mut four, whole) = ([0.0_f64; 4], a.len() / 4 * 4);
    for (x, y) in a[..whole].chunks_exact(4).zip(b[..whole].chunks_exact(4)) {
        for i in 0..4 {
            four[i] += x[i] * y[i];
        }
    }
    let rest: f64 = a[whole..].iter().zip(&b[whole..]).map(|(x, y)| x * y).sum();
    (four[0] + four[1]) + (four[2] + four[3]) + rest
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
            let outcome = minimise(&mut system, &mut p, Patience { iterations: 200, promise: 0.0 });
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
        let outcome = minimise(
            &mut Saturation { x: &[1.0, 2.0], y: &[1.0, 2.0] },
            &mut p,
            Patience { iterations: 10, promise: 0.0 },
        );
        assert_eq!(outcome.stop, Stop::Stuck);
    }
}
