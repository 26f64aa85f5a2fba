//! End-points: the live watch and the final evaluation.
//!
//! Pure: points in, findings out; no clock, no file.

mod bank;
mod bend;
mod choose;
mod condition;
mod evaluate;
mod evaluation;
mod finding;
mod fit;
mod fitted;
mod given;
mod jump;
mod lagged;
mod models;
mod noise;
mod picture;
mod response;
mod scale;
mod special;

pub use evaluate::evaluate;
pub use evaluation::{Classical, Evaluation, Fitted, Residual, Tried};
pub use finding::{Because, Change, EndPoint, Outlook, WatchState};
pub use given::{Family, Given, Level, Medium, Shape};
