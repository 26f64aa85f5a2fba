//! Numerical kernels with their sources. Pure.

pub mod levenberg;
pub mod line;
mod root;

pub use root::{find_root, find_root_near};
