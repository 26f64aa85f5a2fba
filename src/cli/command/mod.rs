//! One file or folder a command: its arguments and what it does.

pub(super) mod capture;
pub mod evaluate;
mod line_options;
pub(super) mod ports;
