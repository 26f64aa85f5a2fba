//! End-points: the live watch and the final evaluation.
//!
//! Pure: points in, findings out; no clock, no file.

mod bank;
mod choose;
mod condition;
mod evaluate;
mod evaluation;
mod finding;
mod fit;
mod given;
mod jump;
mod models;
mod noise;
mod picture;
mod scale;
mod special;

pub use evaluate::evaluate;
pub use evaluation::{Classical, Evaluation, Fitted, Residual, Tried};
pub use finding::{Because, Change, EndPoint, Outlook, WatchState};
pub use given::{Family, Given, Level, Medium, Shape};
