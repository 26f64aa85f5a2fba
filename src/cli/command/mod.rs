//! One file or folder a command: its arguments and what it does.

pub mod evaluate;
