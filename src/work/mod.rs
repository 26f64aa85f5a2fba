//! The work at the bench as values: what people may ask for (commands), what happened (events),
//! and the state that follows from the events.
//!
//! Pure: recorder, socket and screens share these types; nothing here waits or stores.

mod bench;
mod command;
mod event;
mod pairing;
mod procedure;
mod run;
mod series;
mod state;

pub use crate::reading::{FrameFate, FrameLine};
pub use bench::{Bench, BenchPlan, Instrument, LinePlan, Settling, VolumeFrom};
pub use command::{Command, RunPlan, VolumeMark};
pub use event::{Event, Health, LaneEvent, Origin, RunEnd, RunHead, StoreHealth};
pub use pairing::{Marked, Paired, Pairing, choose_signal, default_settling, head_of};
pub use procedure::{Caution, DEFAULT_WARN_BEFORE, Find, Procedure, Reagent, Vessel, amount};
pub use run::{Expectation, Run, Step};
pub use series::{EarlierPortion, expected};
pub use state::{BenchState, LaneState, RunState};

/// Number of a lane: one bench on one recorder.
pub type LaneId = u32;

/// Number of a run in the record.
pub type RunId = i64;
