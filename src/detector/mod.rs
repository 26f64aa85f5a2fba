//! End-points: the live watch and the final evaluation.
//!
//! Pure: points in, findings out; no clock, no file.

mod finding;

pub use finding::{Because, Change, EndPoint, Outlook, WatchState};
