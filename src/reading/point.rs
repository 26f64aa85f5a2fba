//! One point of a curve.

use serde::{Deserialize, Serialize};

/// Titrant added and signal that belong together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// Titrant added, in mL or g as the curve's head says. Finite.
    pub titrant: f64,
    /// The signal in the unit of the curve's head. Finite.
    pub signal: f64,
    /// Temperature of the solution in degrees Celsius, where it was measured.
    pub temperature_c: Option<f64>,
    /// Seconds since the start of the run, where they are known.
    pub t_s: Option<f64>,
}
