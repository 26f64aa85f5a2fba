//! Uncertain numbers: a value and its derivatives by the sources of uncertainty that entered it.
//!
//! Correlation is kept without being named: two numbers that depend on the same source share its entry, so that a
//! factor, a burette or an atomic weight that enters twice counts as one. First-order propagation after
//! JCGM 100:2008 (GUM), 5.1 and 5.2.

use super::{Dimension, SourceId};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A value in coherent units with its derivative by each source that entered it.
///
/// ```
/// use dropwise::results::{Kind, Source, Sources};
/// let mut sources = Sources::default();
/// let burette = sources.add(Source::normal("burette", 0.03, "mL", Kind::CalibrationOfVolume)?)?;
/// let start = sources.quantity(&"1.20 mL".parse()?, &[burette])?;
/// let end = sources.quantity(&"9.70 mL".parse()?, &[burette])?;
/// // The same burette stands in both readings: its constant error leaves the difference.
/// assert!(sources.u(&end.minus(&start)) < 1e-15);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Uncertain {
    /// Value in coherent units.
    pub value: f64,
    /// What it measures.
    pub dimension: Dimension,
    /// Derivative of the value by each source, both in coherent units.
    pub parts: BTreeMap<SourceId, f64>,
}

impl Uncertain {
    /// A value without uncertainty.
    #[must_use]
    pub const fn exact(value: f64, dimension: Dimension) -> Self {
        Self { value, dimension, parts: BTreeMap::new() }
    }

    /// A value that follows from others, with its derivative by each of them.
    #[must_use]
    pub fn combined(value: f64, dimension: Dimension, from: &[(f64, &Self)]) -> Self {
        let mut parts = BTreeMap::new();
        for (derivative, other) in from {
            for (id, part) in &other.parts {
                *parts.entry(*id).or_insert(0.0) += derivative * part;
            }
        }
        Self { value, dimension, parts }
    }

    /// Sum with a number of the same dimension (which the caller has checked).
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        Self::combined(self.value + other.value, self.dimension, &[(1.0, self), (1.0, other)])
    }

    /// Difference from a number of the same dimension (which the caller has checked).
    #[must_use]
    pub fn minus(&self, other: &Self) -> Self {
        Self::combined(self.value - other.value, self.dimension, &[(1.0, self), (-1.0, other)])
    }

    /// Product.
    #[must_use]
    pub fn times(&self, other: &Self) -> Self {
        Self::combined(
            self.value * other.value,
            self.dimension * other.dimension,
            &[(other.value, self), (self.value, other)],
        )
    }

    /// Quotient; `None` for a divisor of zero.
    #[must_use]
    pub fn over(&self, other: &Self) -> Option<Self> {
        let value = self.value / other.value;
        let inverse = 1.0 / other.value;
        inverse.is_finite().then(|| {
            Self::combined(
                value,
                self.dimension / other.dimension,
                &[(inverse, self), (-value * inverse, other)],
            )
        })
    }

    /// The number multiplied by an exact factor.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self::combined(factor * self.value, self.dimension, &[(factor, self)])
    }

    /// The mean of several numbers of the same dimension; `None` for none at all.
    #[must_use]
    pub fn mean(of: &[Self]) -> Option<Self> {
        let share = 1.0 / of.len() as f64;
        let value = of.iter().map(|x| x.value).sum::<f64>() * share;
        let from: Vec<(f64, &Self)> = of.iter().map(|x| (share, x)).collect();
        of.first().map(|first| Self::combined(value, first.dimension, &from))
    }

    /// Whether value and derivatives are numbers.
    #[must_use]
    pub fn is_finite(&self) -> bool {
        self.value.is_finite() && self.parts.values().all(|part| part.is_finite())
    }
}
