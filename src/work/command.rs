//! What people may ask of the recorder.

use super::{BenchPlan, LaneId, RunId};
use serde::{Deserialize, Serialize};

/// One wish; the recorder answers each with done or a reason.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "do")]
pub enum Command {
    /// Opens a bench as a further lane; the answer carries the lane's number.
    Open {
        /// The bench, with the texts of its profiles.
        bench: Box<BenchPlan>,
        /// A run that starts with the first thing its line says, so that it misses nothing.
        start: Option<Box<RunPlan>>,
    },
    /// Starts a run on a lane.
    Start {
        /// The lane.
        lane: LaneId,
        /// What is to be titrated and how.
        plan: Box<RunPlan>,
    },
    /// Says how much titrant has been added (hand titration).
    Mark {
        /// The lane.
        lane: LaneId,
        /// The volume.
        mark: VolumeMark,
    },
    /// Keeps a note with its time.
    Note {
        /// The lane.
        lane: LaneId,
        /// The text, as typed or scanned.
        text: String,
    },
    /// Ends the run of a lane.
    End {
        /// The lane.
        lane: LaneId,
        /// Why, if there is something to say.
        reason: Option<String>,
    },
    /// Sets a stored run aside; it is never deleted.
    SetAside {
        /// The run.
        run: RunId,
        /// Why: never empty.
        reason: String,
    },
    /// Ends the recorder once no run is going on; refused otherwise.
    Leave,
}

/// What a run is to be.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct RunPlan {
    /// Text of the procedure file, empty for none.
    pub procedure: String,
    /// The sample, as typed or scanned.
    pub sample: String,
    /// Which portion of its series, from 1.
    pub portion: u32,
    /// How many portions are planned.
    pub portions: u32,
    /// Mass of the portion in g, if known.
    pub mass_g: Option<f64>,
    /// The run ends by itself when the titrant is this far (mL or g) past the last end-point looked for.
    #[serde(default)]
    pub end_past: Option<f64>,
}

/// A volume told by a person.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum VolumeMark {
    /// The burette reading at the start; volumes count from here.
    BuretteStart {
        /// Burette reading in mL.
        reading_ml: f64,
    },
    /// The burette reading now.
    Burette {
        /// Burette reading in mL.
        reading_ml: f64,
    },
    /// The fixed step of the bench was added once more.
    Step,
    /// The last volume was mistyped; this is what was meant.
    Correction {
        /// Burette reading in mL that replaces the last one.
        reading_ml: f64,
    },
}
