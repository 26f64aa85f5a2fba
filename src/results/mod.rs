//! Results: from measured volumes and masses to a number with unit and uncertainty.
//!
//! Pure. Uses `chemistry` and `numeric` only. The path of a number:
//! a [`Quantity`] (value, unit) enters with its [`Source`]s of uncertainty and becomes an [`Uncertain`]; a [`Formula`]
//! is checked for dimensions before a run starts and evaluated together with its derivatives.
//!
//! ```
//! use dropwise::results::{Formula, Kind, Scope, Source, Sources, Unit};
//!
//! let mut sources = Sources::default();
//! let mut scope = Scope::default();
//! let burette = sources.add(Source::triangular("burette", 0.03, "mL", Kind::CalibrationOfVolume)?)?;
//! scope.set("V", sources.quantity(&"18.64 mL".parse()?, &[burette])?);
//! let weighing = sources.add(Source::normal("weighing", 0.13, "mg", Kind::CalibrationOfMass)?)?;
//! scope.set("m", sources.quantity(&"0.3888 g".parse()?, &[weighing])?);
//! scope.set("M", sources.exact(&"204.2212 g/mol".parse()?));
//!
//! let formula = Formula::parse("m / (M * V)")?;
//! let c = formula.evaluate(&scope)?;
//! let unit = Unit::parse("mol/L")?;
//! assert_eq!(format!("{:.5}", unit.from_coherent(c.value)), "0.10214");
//! assert_eq!(format!("{:.6}", unit.difference_from_coherent(sources.u(&c))), "0.000075");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod budget;
pub mod control;
mod degrees;
mod dimension;
pub mod electrode;
mod formula;
mod limits;
mod quantity;
mod rounding;
mod series;
mod simulate;
mod source;
mod sources;
pub mod statistics;
mod uncertain;
mod unit;

pub use budget::{Budget, Coverage, Line, USUAL};
pub use dimension::Dimension;
pub use formula::{Fault, Formula, FormulaError, Formulae, Scope, Span};
pub use limits::{BadLimits, Compare, Decision, Limits, Verdict};
pub use quantity::{NotAQuantity, Quantity};
pub use rounding::{BadRounding, Rounded, Rounding, Tie, To};
pub use series::{Scatter, SeriesMean, mean_of_portions};
pub use simulate::{Simulated, Simulation, simulate};
pub use source::{BadSource, Distribution, Extent, Kind, Source};
pub use sources::{SourceId, Sources};
pub use uncertain::Uncertain;
pub use unit::{NotAUnit, Unit};
