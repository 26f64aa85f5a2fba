//! A recorded point as the watch keeps it.

/// Titrant and signal of a point with its place in the run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Mark {
    /// Titrant added (mL or g).
    pub(super) titrant: f64,
    /// The signal in the unit of the curve.
    pub(super) signal: f64,
    /// Counted from 1 over everything pushed.
    pub(super) point: usize,
}
