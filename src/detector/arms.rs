//! The last points as two exponential arms along the signal.
//!
//! With z the signal over the Nernst unit in the direction of the run, the titrant before a jump lies on
//! `V = Ve - l f(V) exp(-z)` and after it on `V = Ve + r exp(z)`; f is V for a buffered or redox arm and V0 + V for a
//! strong acid or a precipitate (the Gran functions, G. Gran, Analyst 77 (1952) 661, written for V). The left arm
//! alone is the forecast (see `forecast`), both together place the end-point.

use super::mark::Mark;

/// How the left arm goes with the titrant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Arm {
    /// Buffered or redox: the factor is V.
    Shared,
    /// Strong acid or precipitate: the factor is V0 + V.
    Diluted(f64),
}

impl Arm {
    pub(super) fn factor(self, titrant: f64) -> f64 {
        match self {
            Self::Shared => titrant,
            Self::Diluted(before) => before + titrant,
        }
    }
}

/// A weighted linear least-squares fit of two or three columns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fit<const N: usize> {
    pub(super) value: [f64; N],
    /// Standard uncertainties from the covariance, times the misfit where that is above one.
    pub(super) u: [f64; N],
    /// Sum of squared standardised residuals.
    pub(super) chi2: f64,
    pub(super) points: usize,
}

/// Solves the normal equations of columns scaled to unit length; `None` if they are singular or not finite.
pub(super) fn least_squares<const N: usize>(rows: &[([f64; N], f64, f64)]) -> Option<Fit<N>> {
    if rows.len() < N {
        return None;
    }
    let mut length = [0.0_f64; N];
    for (columns, _, weight) in rows {
        for (sum, c) in length.iter_mut().zip(columns) {
            *sum += (weight * c).powi(2);
        }
    }
    let length = length.map(f64::sqrt);
    let mut normal = [[0.0_f64; N]; N];
    let mut right = [0.0_f64; N];
    for (columns, y, weight) in rows {
        for i in 0..N {
            let ci = columns[i] * weight / length[i];
            right[i] += ci * y * weight;
            for j in 0..=i {
                normal[i][j] += ci * columns[j] * weight / length[j];
            }
        }
    }
    let lower = cholesky(&normal)?;
    let solution = substitute(&lower, right);
    let mut chi2 = 0.0;
    for (columns, y, weight) in rows {
        let fitted: f64 = (0..N).map(|i| columns[i] / length[i] * solution[i]).sum();
        chi2 += ((y - fitted) * weight).powi(2);
    }
    let free = rows.len().saturating_sub(N).max(1) as f64;
    let misfit = (chi2 / free).max(1.0).sqrt();
    let mut value = [0.0; N];
    let mut u = [0.0; N];
    for i in 0..N {
        let mut unit = [0.0; N];
        unit[i] = 1.0;
        let variance = substitute(&lower, unit)[i];
        value[i] = solution[i] / length[i];
        u[i] = variance.sqrt() / length[i] * misfit;
    }
    (value.iter().chain(&u).all(|x| x.is_finite())).then_some(Fit { value, u, chi2, points: rows.len() })
}

pub(super) fn cholesky<const N: usize>(a: &[[f64; N]; N]) -> Option<[[f64; N]; N]> {
    let mut l = [[0.0; N]; N];
    for i in 0..N {
        for j in 0..=i {
            let s: f64 = a[i][j] - (0..j).map(|k| l[i][k] * l[j][k]).sum::<f64>();
            if i == j {
                // Columns have unit length: below this they are parallel for all that the numbers can tell.
                if s.is_nan() || s <= 1e-12 {
                    return None;
                }
                l[i][i] = s.sqrt();
            } else {
                l[i][j] = s / l[j][j];
            }
        }
    }
    Some(l)
}

pub(super) fn substitute<const N: usize>(l: &[[f64; N]; N], mut b: [f64; N]) -> [f64; N] {
    for i in 0..N {
        for k in 0..i {
            b[i] -= l[i][k] * b[k];
        }
        b[i] /= l[i][i];
    }
    for i in (0..N).rev() {
        for k in i + 1..N {
            b[i] -= l[k][i] * b[k];
        }
        b[i] /= l[i][i];
    }
    b
}

/// What both arms need to know beside the points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scales {
    /// RT/F in the unit of the signal, or 0.4343 pH.
    pub(super) nernst: f64,
    /// Noise of the signal.
    pub(super) noise: f64,
    /// Noise of the titrant reading.
    pub(super) titrant: f64,
    /// +1 for a rising run, -1 for a falling one.
    pub(super) direction: f64,
    /// Volume before the first addition.
    pub(super) before: f64,
}

/// Columns are dropped beyond this many Nernst units from the origin: the exponential would rule everything.
const REACH: f64 = 25.0;

/// Both arms through the points around `middle` (the signal half-way up): `[Ve, r, l]`.
pub(super) fn both(points: &[Mark], scales: &Scales, middle: f64, left: Arm) -> Option<Fit<3>> {
    let mut best: Option<Fit<3>> = None;
    let mut rows: Vec<([f64; 3], f64, f64)> = Vec::with_capacity(points.len());
    let mut model: Option<[f64; 3]> = None;
    for _ in 0..3 {
        rows.clear();
        for p in points {
            let z = scales.direction * (p.signal - middle) / scales.nernst;
            if z.abs() > REACH {
                continue;
            }
            let factor = left.factor(p.titrant);
            let buffering = match model {
                Some([_, r, l]) => (r.max(0.0) * z.exp() + l.max(0.0) * factor * (-z).exp()) / scales.nernst,
                None => 0.0,
            };
            // Without a model yet, weigh by the slope that exponential arms of equal size would have.
            let spread = if model.is_some() { buffering * scales.noise } else { z.abs().exp() * 1e-6 };
            rows.push((
                [1.0, z.exp(), -factor * (-z).exp()],
                p.titrant,
                1.0 / scales.titrant.hypot(spread).max(1e-9),
            ));
        }
        let fit = least_squares(&rows)?;
        model = Some(fit.value);
        best = Some(fit);
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_is_recovered_with_its_uncertainty() {
        let rows: Vec<_> = (0..5).map(|i| ([1.0, f64::from(i)], 2.0 + 0.5 * f64::from(i), 10.0)).collect();
        let fit = least_squares(&rows).unwrap();
        assert!((fit.value[0] - 2.0).abs() < 1e-9 && (fit.value[1] - 0.5).abs() < 1e-9);
        // u of a slope: s / sqrt(sum (x - mean)^2) = 0.1 / sqrt(10)
        assert!((fit.u[1] - 0.1 / 10_f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn parallel_columns_give_no_fit() {
        let rows: Vec<_> = (0..5).map(|i| ([1.0, 1.0], f64::from(i), 1.0)).collect();
        assert!(least_squares(&rows).is_none());
    }

    #[test]
    fn arms_made_from_the_equation_are_read_back() {
        let scales = Scales { nernst: 25.69, noise: 0.1, titrant: 0.0005, direction: 1.0, before: 50.0 };
        // V = 10 + 0.01 e^z - 1e-4 V e^-z, solved for V at steps of z.
        let points: Vec<Mark> = (-14..14)
            .map(|i| {
                let z = 0.5 * f64::from(i);
                let titrant = (10.0 + 0.01 * z.exp()) / (1.0 + 1e-4 * (-z).exp());
                Mark { titrant, signal: 25.69 * z, point: 0 }
            })
            .collect();
        let fit = both(&points, &scales, 0.0, Arm::Shared).unwrap();
        assert!((fit.value[0] - 10.0).abs() < 1e-6, "{:?}", fit.value);
    }
}
