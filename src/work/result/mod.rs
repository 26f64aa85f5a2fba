//! From a run to a result that can be defended: inputs with their sources, the result of a portion, the series.

mod assemble;
mod input;
mod portion;
mod series;
pub mod words;

pub use assemble::{
    Assembled, PortionFacts, WATER_EXPANSION_PER_K, match_finds, titrant_per_signal, typed_titrant,
    typed_with_unit,
};
pub use input::{Input, InputSource, scope_of};
pub use portion::{
    BudgetLine, PortionResult, REPEATABILITY, ResultValue, evaluate_portion, numbers_of, repeats,
};
pub use series::{Finding, NextStep, SeriesPortion, SeriesResult, SeriesValue, judge, mean_sources, means};
