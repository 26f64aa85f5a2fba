//! Chemistry: constants with their sources, equilibria in aqueous solution, titrations, runs with known answers.
//!
//! Pure. Uses `numeric` and `reading` only.

pub mod acid_base;
pub mod activity;
pub mod atomic_weights;
pub mod buffers;
pub mod constants;
pub mod formula_mass;
pub mod generate;
pub mod primary_standards;
pub mod titration;
pub mod volumetry;
pub mod water;
