//! One file for each command.

pub mod capture;
pub mod demo;
pub mod draft;
pub mod evaluate;
pub mod line_options;
pub mod list;
pub mod ports;
pub mod profile;
pub mod reckon;
pub mod recorder;
pub mod replay;
pub mod run;
pub mod stop;
