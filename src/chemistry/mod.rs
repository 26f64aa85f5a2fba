//! Chemistry: constants with their sources, equilibria in aqueous solution, electrodes.
//!
//! Pure. Uses `numeric` and `reading` only.

pub mod acid_base;
pub mod activity;
pub mod constants;
pub mod water;
