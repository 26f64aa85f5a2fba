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
    /// Whether what is far from expected is rare, but not as rare as a normal law has it.
    pub(super) rarely_far: bool,
}

/// Degrees of freedom of Student's law where what is far from expected does occur: a worn electrode.
const TAILS: f64 = 3.0;

impl Prior {
    /// One parameter is known.
    pub(super) fn on(index: usize, mean: f64, sd: f64) -> Self {
        Self::sum(vec![(index, 1.0)], mean, sd)
    }

    /// A sum of parameters is known.
    pub(super) const fn sum(terms: Vec<(usize, f64)>, mean: f64, sd: f64) -> Self {
        Self { terms, mean, sd, rarely_far: false }
    }

    /// One parameter is known as a rule, with exceptions.
    pub(super) fn as_a_rule(index: usize, mean: f64, sd: f64) -> Self {
        Self { rarely_far: true, ..Self::on(index, mean, sd) }
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

    /// The normal law that holds a parameter at `p` as this one does (K. L. Lange, R. J. A. Little, J. M. G. Taylor,
    /// J. Am. Stat. Assoc. 84 (1989) 881: Student's law by weights that are renewed).
    fn near(&self, p: &[f64]) -> Self {
        let mut held = self.clone();
        if self.rarely_far {
            let square = self.standardised(p).powi(2);
            held.sd *= ((TAILS + square) / (TAILS + 1.0)).max(1.0).sqrt();
        }
        held
    }

    /// -2 ln of its density at `p` over that at its mean.
    fn cost(&self, p: &[f64]) -> f64 {
        let square = self.standardised(p).powi(2);
        if self.rarely_far && square > 1.0 {
            1.0 + (TAILS + 1.0) * ((TAILS + square) / (TAILS + 1.0)).ln()
        } else {
            square
        }
    }
}

/// The priors as they hold near `p`.
pub(super) fn near(priors: &[Prior], p: &[f64]) -> Vec<Prior> {
    priors.iter().map(|prior| prior.near(p)).collect()
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

/// -2 ln of the density of the priors over that at their means.
pub(super) fn cost(priors: &[Prior], p: &[f64]) -> f64 {
    priors.iter().map(|prior| prior.cost(p)).sum()
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
