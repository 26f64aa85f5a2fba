//! When something arrived, by both clocks.

use serde::{Deserialize, Serialize};

/// Arrival time by the monotonic clock (for intervals) and by UTC (for the record).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default, Serialize, Deserialize)]
pub struct Stamp {
    /// Nanoseconds of the monotonic clock since the source was opened first.
    pub elapsed_ns: u64,
    /// Microseconds since 1970-01-01 UTC by the wall clock; 0 where a capture has no date.
    pub utc_us: i64,
}

impl Stamp {
    /// Seconds since the source was opened first.
    #[must_use]
    pub fn seconds(self) -> f64 {
        self.elapsed_ns as f64 * 1e-9
    }

    /// A stamp at `seconds` after the start of a wire that began at `started_utc_us`.
    ///
    /// Negative or non-finite seconds give the start itself.
    #[must_use]
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "float to integer casts saturate; the value is clamped to be non-negative"
    )]
    pub fn from_seconds(seconds: f64, started_utc_us: i64) -> Self {
        let seconds = if seconds.is_finite() { seconds.max(0.0) } else { 0.0 };
        let elapsed_ns = (seconds * 1e9).round() as u64;
        let utc_us = started_utc_us.saturating_add((elapsed_ns / 1_000) as i64);
        Self { elapsed_ns, utc_us: if started_utc_us == 0 { 0 } else { utc_us } }
    }
}
