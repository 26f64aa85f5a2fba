//! Numerical kernels with their sources. Pure.

pub mod levenberg;
pub mod line;
