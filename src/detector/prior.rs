//! What is known beforehand, as further rows of a least-squares system.

use nalgebra::{DMatrix, DVector};

/// A linear combination of parameters that is known beforehand: sum of coefficient x parameter = mean +- sd.
#[derive(Debug, Clone)]
pub(super) struct Prior {
    /// (index of the parameter, coefficient).
    pub(super) terms: Vec<(usize, f64)>,
    /// Expected value.
    pub(super) mean: f64,
    /// Its standard deviation.
    pub(super) sd: f64,
}

impl Prior {
    /// One parameter is known.
    pub(super) fn on(index: usize, mean: f64, sd: f64) -> Self {
        Self { terms: vec![(index, 1.0)], mean, sd }
    }

    /// The same for a model that stands behind `offset` other parameters.
    pub(super) fn behind(mut self, offset: usize) -> Self {
        for term in &mut self.terms {
            term.0 += offset;
        }
        self
    }

    fn standardised(&self, p: &[f64]) -> f64 {
        let value: f64 = self.terms.iter().map(|(k, c)| c * p[*k]).sum();
        (value - self.mean) / self.sd
    }
}

/// Writes the rows of the priors, the first of which is row `first`.
pub(super) fn fill(
    priors: &[Prior],
    first: usize,
    p: &[f64],
    residuals: &mut DVector<f64>,
    mut jacobian: Option<&mut DMatrix<f64>>,
) {
    for (i, prior) in priors.iter().enumerate() {
        residuals[first + i] = prior.standardised(p);
        if let Some(j) = jacobian.as_deref_mut() {
            for (k, c) in &prior.terms {
                j[(first + i, *k)] = c / prior.sd;
            }
        }
    }
}

/// Sum of squares of the priors.
pub(super) fn cost(priors: &[Prior], p: &[f64]) -> f64 {
    priors.iter().map(|prior| prior.standardised(p).powi(2)).sum()
}

/// End-points as sums of parameters, each with its standard uncertainty.
pub(super) fn sums(
    parts: &[Vec<usize>],
    offset: usize,
    p: &[f64],
    covariance: &DMatrix<f64>,
) -> Vec<(f64, f64)> {
    let one = |parts: &Vec<usize>| {
        let v: f64 = parts.iter().map(|i| p[offset + i]).sum();
        let pairs = parts.iter().flat_map(|i| parts.iter().map(move |j| (offset + i, offset + j)));
        let variance: f64 = pairs.map(|at| covariance[at]).sum();
        (v, variance.max(0.0).sqrt())
    };
    parts.iter().map(one).collect()
}

/// Number of parameters that the points themselves determine: each prior takes back the part that it determines.
///
/// The trace of the matrix that gives fitted values from data, T. Hastie, R. Tibshirani, J. Friedman, The Elements of
/// Statistical Learning, 2nd ed. (2009), 7.6.
pub(super) fn determined(priors: &[Prior], covariance: &DMatrix<f64>) -> f64 {
    let held = |prior: &Prior| {
        let mut variance = 0.0;
        for (i, a) in &prior.terms {
            for (j, b) in &prior.terms {
                variance += a * b * covariance[(*i, *j)];
            }
        }
        (variance / prior.sd.powi(2)).clamp(0.0, 1.0)
    };
    covariance.nrows() as f64 - priors.iter().map(held).sum::<f64>()
}
