//! What the final evaluation says. Values only.

use super::EndPoint;
use serde::{Deserialize, Serialize};

/// One model that was tried on one stretch of the curve (the table behind `--explain`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tried {
    /// Name of the model.
    pub model: String,
    /// Number of fitted parameters.
    pub parameters: usize,
    /// Corrected Akaike criterion above the best model of the same points.
    pub delta_aicc: f64,
    /// Weight in the average (0: not used).
    pub weight: f64,
    /// End-points and their standard uncertainties (mL or g).
    pub end_points: Vec<(f64, f64)>,
    /// Scale of the residuals over what noise and burette explain (1 is right).
    pub misfit: f64,
    /// Correlation of neighbouring residuals.
    pub lag_one: f64,
    /// Standardised count of runs of one sign (below -2: the residuals hang together).
    pub runs_z: f64,
    /// Why it was set aside, in words; empty if it was used.
    pub set_aside: String,
}

/// One estimate by a method of the textbooks, for comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Classical {
    /// The method in words.
    pub method: String,
    /// What it gives: titrant (mL or g), or pKa where the name says so.
    pub value: f64,
}

/// A fitted quantity with its standard uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fitted {
    /// Name: `pKa 1`, `slope`, `E0`, `sample volume`, ...
    pub name: String,
    /// Value in `unit`.
    pub value: f64,
    /// Standard uncertainty in `unit`.
    pub u: f64,
    /// Unit symbol, empty for pure numbers.
    pub unit: String,
}

/// A residual of the chosen model, for the picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Residual {
    /// Titrant (mL or g).
    pub titrant: f64,
    /// Residual over its expected standard deviation.
    pub standardised: f64,
    /// Weight of the robust loss: 1 counts fully, 0 not at all.
    pub weight: f64,
}

/// The whole outcome of a final evaluation.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Evaluation {
    /// End-points in the order of their titrant; empty if there is none.
    pub end_points: Vec<EndPoint>,
    /// What was sorted out and what is doubtful, in words.
    pub warnings: Vec<String>,
    /// Models that were tried.
    pub tried: Vec<Tried>,
    /// Estimates by classical methods beside it.
    pub classical: Vec<Classical>,
    /// Parameters of the best model.
    pub fitted: Vec<Fitted>,
    /// The fitted curve as (titrant, signal).
    pub curve: Vec<(f64, f64)>,
    /// Residuals of the best model.
    pub residuals: Vec<Residual>,
}
