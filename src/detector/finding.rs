//! What the detector says: states of the watch, findings, outlook. Values only.

use serde::{Deserialize, Serialize};

/// States of the live watch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WatchState {
    /// No end-point near.
    Far,
    /// The forecast is within the warning distance, or the slope rises significantly.
    Closing,
    /// The slope is near its running maximum.
    Turning,
    /// An end-point lies behind, with points on both sides.
    Found,
    /// Later points disproved a find.
    Withdrawn,
}

impl WatchState {
    /// The word shown to people and written to JSON and the record.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Far => "far",
            Self::Closing => "closing",
            Self::Turning => "turning",
            Self::Found => "found",
            Self::Withdrawn => "withdrawn",
        }
    }
}

/// The figure that made the watch change its state, so that a person (and a test) can recompute it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Because {
    /// What was compared, in words, with its unit.
    pub what: String,
    /// The figure.
    pub figure: f64,
    /// The limit it passed.
    pub limit: f64,
    /// How many points it rests on.
    pub points: usize,
}

impl std::fmt::Display for Because {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {:.4} against {:.4}, {} points", self.what, self.figure, self.limit, self.points)
    }
}

/// One change of state of the watch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// The point at which it happened, counted from 1 over everything that was pushed.
    pub point: usize,
    /// Titrant added at that point (mL or g).
    pub titrant: f64,
    /// The new state.
    pub state: WatchState,
    /// Number of the find (from 1) for `Found` and `Withdrawn`.
    pub find: Option<u32>,
    /// The end-point for `Found` (mL or g).
    pub end_point: Option<f64>,
    /// Its standard uncertainty.
    pub u: Option<f64>,
    /// Why.
    pub because: Because,
}

/// What the watch expects next; replaced at each point.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Outlook {
    /// Expected titrant at the next end-point (mL or g), if it can be said.
    pub expected: Option<f64>,
    /// Interval (low, high) that is meant to hold it nine times of ten.
    pub interval: Option<(f64, f64)>,
    /// Suggested next addition for a hand on a stopcock (mL or g).
    pub next_addition: Option<f64>,
    /// Advice while the beaker can still be saved, in words; empty if all is well.
    pub advice: Vec<String>,
    /// Standard uncertainty reached so far for the latest find, and the one still reachable.
    pub u_reached: Option<f64>,
    /// See `u_reached`.
    pub u_reachable: Option<f64>,
}

/// An end-point by the final evaluation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EndPoint {
    /// Titrant at the end-point (mL or g).
    pub titrant: f64,
    /// Standard uncertainty (mL or g).
    pub u: Option<f64>,
    /// The signal there, in the unit of the curve.
    pub signal: Option<f64>,
    /// Titrant at the point at which the watch confirmed it.
    pub confirmed_at: Option<f64>,
    /// That point, counted from 1.
    pub confirmed_at_point: Option<usize>,
    /// How it was found, in words.
    pub method: String,
}
