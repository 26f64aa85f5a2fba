//! What a finder of one shape says after a point.

use crate::detector::Because;

/// The view after a point.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Sight {
    /// Nothing stands out.
    Nothing,
    /// The first sign of an end-point.
    Rising(Because),
    /// In the middle of it.
    Turning(Because),
    /// It lies behind.
    Found(Place, Because),
    /// The latest find is disproved.
    Lost(Because),
}

/// Where an end-point lies, as far as a finder can say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place {
    /// Titrant at the end-point.
    pub(super) end_point: f64,
    /// Its standard uncertainty.
    pub(super) u: f64,
    /// The stretch of titrant in which a better method must find it too.
    pub(super) between: (f64, f64),
}

/// A titrant amount as written into reasons.
pub(super) fn amount(titrant: f64) -> String {
    format!("{titrant:.4}")
}
