//! The work at the bench as values: what people may ask for (commands), what happened (events),
//! and the state that follows from the events.
//!
//! Pure: recorder, socket and screens share these types; nothing here waits or stores.

mod accept;
mod bench;
mod changer;
mod check;
mod command;
mod convert;
mod dips;
mod equipment;
mod event;
mod identity;
mod lookout;
mod pairing;
mod people;
mod posted;
mod procedure;
mod ready;
pub mod rehearsal;
mod reported;
pub mod result;
mod role;
mod run;
mod seen;
mod series;
mod state;
mod steps;
mod stock;
mod trend;
mod weighing;
mod worklist;
mod written;

pub use crate::reading::{FrameFate, FrameLine};
pub use accept::{acceptance, factor_of};
pub use bench::{Bench, BenchPlan, Instrument, LinePlan, Settling, VolumeFrom};
pub use changer::{Beginning, Queued, begins};
pub use check::Checking;
pub use command::{Command, Document, RunPlan, VolumeMark};
pub use convert::{PhFromPotential, USUAL_ISOPOTENTIAL_PH};
pub use dips::{Dip, DipRules, Dips, Wait};
pub use equipment::{Equipment, EquipmentKind, equipment_schema, read_equipment};
pub use event::{Event, Health, LaneEvent, Origin, RunEnd, RunHead, StoreHealth};
pub use identity::{RECORDER, how_known, named, with_key};
pub use pairing::{Marked, Paired, Pairing, choose_signal, default_settling};
pub use people::{Caller, HandWish, Identity, People, WANTS_KEY};
pub use posted::{LockAfter, Posted};
pub use procedure::*;
pub use ready::{CheckPoint, Readiness, checklist, decide, steps_not_told};
pub use reported::{Reported, choice};
pub use role::Role;
pub use run::{Expectation, Run, Step};
pub use seen::{next_seen, seen_in, seen_note};
pub use series::{EarlierPortion, expected};
pub use state::{BenchState, LaneState, RunState};
pub use steps::{StepLine, StepRecord, steps_of};
pub use stock::{BlankValue, BufferRecord, CheckRecord, Factor, Kept, Stock, is_computed, kind};
pub use trend::{FitGroup, FitRecord, Trend, newly_changed, trends};
pub use weighing::{FROM_BALANCE, Weighed, Weighing};
pub use worklist::{WorklistRow, read_worklist};

/// Number of a lane: one bench on one recorder.
pub type LaneId = u32;

/// Number of a run in the record.
pub type RunId = i64;
