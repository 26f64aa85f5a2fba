//! Numerical kernels with their sources. Uses nothing of the other folders.

pub mod distribution;
pub mod levenberg;
pub mod line;
mod root;

pub use root::{find_root, find_root_near};
