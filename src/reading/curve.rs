//! A titration curve: a head that says what the numbers are, and the points in the order they came.

use super::{Point, Quantity, Unit};
use serde::{Deserialize, Serialize};

/// How the titrant is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Titrant {
    /// By volume, in mL.
    Volume,
    /// By mass, in g.
    Mass,
}

impl Titrant {
    /// `mL` or `g`.
    #[must_use]
    pub const fn unit(self) -> Unit {
        match self {
            Self::Volume => Unit::Millilitre,
            Self::Mass => Unit::Gram,
        }
    }
}

/// What the numbers of a curve are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct CurveHead {
    /// How the titrant is measured.
    pub titrant: Titrant,
    /// What the signal is; `None` when a file does not say.
    pub signal: Option<(Quantity, Unit)>,
}

/// Median temperature of points in degrees Celsius, if any was measured.
#[must_use]
pub fn median_temperature_c(points: &[Point]) -> Option<f64> {
    let mut all: Vec<f64> = points.iter().filter_map(|point| point.temperature_c).collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied()
}

/// A curve as recorded: repeats, gaps and disorder included.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// What the numbers are.
    pub head: CurveHead,
    /// The points in the order they came.
    pub points: Vec<Point>,
}
