//! Numerical kernels with their sources. Uses nothing of the other folders.

pub mod distribution;
mod dual;
pub mod levenberg;
pub mod line;
mod root;

pub use dual::Dual;
pub use root::{find_root, find_root_near};
