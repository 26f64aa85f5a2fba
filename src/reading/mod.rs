//! The vocabulary that every stage shares: quantities with units, stamps, readings, points, curves.
//!
//! Pure: values only, no clock, no file.

mod curve;
mod frame_line;
mod line;
mod point;
mod quantity;
mod stamp;
mod unit;
mod visible;

pub use curve::{Curve, CurveHead, Titrant, median_temperature_c};
pub use frame_line::{FrameFate, FrameLine};
pub use line::{DataBits, Flow, LineSettings, NotALineSetting, Parity, StopBits};
pub use point::Point;
pub use quantity::Quantity;
pub use stamp::Stamp;
pub use unit::Unit;
pub use visible::{is_hidden, visible};

use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Why a reading may not become a point, or that it may.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Validity {
    /// The value is what the instrument meant, as far as can be known.
    Valid,
    /// Kept and shown, never a point; holds the reason in words.
    NotValid(String),
}

/// One quantity with unit and time, taken from one frame of the wire.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Name of the field in the profile: `ph`, `emf`, or a channel name where one quantity comes twice.
    pub channel: Arc<str>,
    /// What is measured.
    pub quantity: Quantity,
    /// The value in `unit`, as sent; `None` when the instrument sent words instead of a number.
    pub value: Option<f64>,
    /// The unit in which `value` stands.
    pub unit: Unit,
    /// Whether it may become a point.
    pub validity: Validity,
    /// The instrument's own mark for a settled value, where it sends one.
    pub steady: Option<bool>,
    /// The frame it came from, counted from 0 on its wire.
    pub frame: u64,
    /// When the last byte of the frame arrived.
    pub at: Stamp,
}

impl Reading {
    /// The value in the canonical unit of its quantity, if it is valid and finite.
    #[must_use]
    pub fn canonical(&self) -> Option<f64> {
        if self.validity != Validity::Valid {
            return None;
        }
        self.value.map(|v| self.unit.to_canonical(v)).filter(|v| v.is_finite())
    }
}
