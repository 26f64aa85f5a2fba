//! Numerical kernels with their sources. Pure.

pub mod line;
