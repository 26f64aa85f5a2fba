//! (being written)

pub mod simulate;
