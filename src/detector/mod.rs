//! End-points: the live watch and the final evaluation.
//!
//! Pure: points in, findings out; no clock, no file.
//!
//! A published table, 2.433 mmol of chloride with 0.1000 mol/L silver nitrate, so that the equivalence point lies at
//! 24.33 mL (D. A. Skoog, D. M. West, F. J. Holler, Fundamentals of Analytical Chemistry):
//!
//! ```
//! use dropwise::detector::{Given, evaluate};
//! use dropwise::reading::{Curve, CurveHead, Point, Quantity, Titrant, Unit};
//!
//! let table = [
//!     (5.00, 0.062), (15.00, 0.085), (20.00, 0.107), (22.00, 0.123), (23.00, 0.138), (23.50, 0.146),
//!     (23.80, 0.161), (24.00, 0.174), (24.10, 0.183), (24.20, 0.194), (24.30, 0.233), (24.40, 0.316),
//!     (24.50, 0.340), (24.60, 0.351), (24.70, 0.358), (25.00, 0.373), (25.50, 0.385), (26.00, 0.396),
//!     (28.00, 0.426),
//! ];
//! let points = table
//!     .into_iter()
//!     .map(|(titrant, signal)| Point { titrant, signal, temperature_c: None, t_s: None })
//!     .collect();
//! let head = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Emf, Unit::Volt)) };
//! let evaluation = evaluate(&Curve { head, points }, &Given::default());
//!
//! let end_point = &evaluation.end_points[0];
//! assert!((24.3..24.4).contains(&end_point.titrant), "{end_point:?}");
//! assert!(end_point.u.is_some_and(|u| u < 0.05));
//! // The classical estimates stand beside it: the steepest difference lies between 24.30 and 24.40 mL.
//! assert!((evaluation.classical[0].value - 24.35).abs() < 1e-9);
//! ```

mod arms;
mod bank;
mod bend;
mod choose;
mod classical;
mod complexes;
mod condition;
mod confirm;
mod contest;
mod diagnosis;
mod evaluate;
mod evaluation;
mod finding;
mod fit;
mod fitted;
mod forecast;
mod frame;
mod given;
mod jump;
mod lagged;
mod mark;
mod models;
mod moving;
mod noise;
mod physical;
mod picture;
mod portray;
mod prior;
mod response;
mod robust;
mod scale;
mod scatter;
mod special;
mod stretch;
mod voltage;
mod watch;

pub use confirm::confirm;
pub use evaluate::evaluate;
pub use evaluation::{Classical, Evaluation, Fitted, Residual, Tried};
pub use finding::{Because, Change, EndPoint, Outlook, WatchState};
pub use forecast::Prior;
pub use given::{Family, Given, Level, Medium, Shape};
pub use watch::Watch;
