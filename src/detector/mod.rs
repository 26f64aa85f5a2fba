//! End-points: the live watch and the final evaluation.
//!
//! Pure: points in, findings out; no clock, no file.

mod arms;
mod condition;
mod confirm;
mod evaluate;
mod evaluation;
mod finding;
mod forecast;
mod given;
mod mark;
mod noise;
mod picture;
mod scale;
mod special;
mod watch;

pub use confirm::confirm;
pub use evaluate::evaluate;
pub use evaluation::{Classical, Evaluation, Fitted, Residual, Tried};
pub use finding::{Because, Change, EndPoint, Outlook, WatchState};
pub use forecast::Prior;
pub use given::{Family, Given, Level, Medium, Shape};
pub use watch::Watch;
