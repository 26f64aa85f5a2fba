//! One file for each command.

pub mod capture;
mod compare;
pub mod compute;
pub mod control;
pub mod demo;
pub mod draft;
pub mod electrode;
pub mod equipment;
pub mod evaluate;
pub mod hand;
pub mod line_options;
pub mod list;
pub mod plan;
pub mod ports;
pub mod procedure;
pub mod profile;
pub mod reckon;
pub mod record;
pub mod recorder;
pub mod replay;
pub mod review;
pub mod run;
pub mod series;
pub mod sign;
pub mod stop;
pub mod titrant;
mod worklist;
