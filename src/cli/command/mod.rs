//! One file for each command.

pub mod demo;
pub mod draft;
pub mod evaluate;
pub mod list;
pub mod recorder;
pub mod replay;
pub mod run;
