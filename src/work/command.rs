//! What people may ask of the recorder.

use super::{BenchPlan, HandWish, LaneId, Origin, Queued, Role, RunId};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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
        /// A person has seen what the profiles send to the instruments, and wants it.
        confirms_sending: bool,
    },
    /// Starts a run on a lane.
    Start {
        /// The lane.
        lane: LaneId,
        /// What is to be titrated and how.
        plan: Box<RunPlan>,
    },
    /// Hands a lane the portions that the marks of a sample changer in its line begin and end.
    Queue {
        /// The lane.
        lane: LaneId,
        /// The portions in the order of the worklist; none ends the unattended work.
        portions: Vec<Queued>,
    },
    /// Says how much titrant has been added (hand titration).
    Mark {
        /// The lane.
        lane: LaneId,
        /// The volume.
        mark: VolumeMark,
    },
    /// Says at which burette reading an end-point was seen, and what was seen.
    Seen {
        /// The lane.
        lane: LaneId,
        /// Burette reading in mL; where volumes come from the line, the volume.
        reading_ml: f64,
        /// What was seen, in words.
        what: String,
    },
    /// Keeps a note with its time.
    Note {
        /// The lane.
        lane: LaneId,
        /// The text, as typed or scanned.
        text: String,
    },
    /// Reads an instrument with another profile from now on, and its latest lines again.
    Reread {
        /// The lane.
        lane: LaneId,
        /// Which of its instruments, from 0.
        instrument: usize,
        /// File name of the profile, for messages.
        profile_name: String,
        /// Its text.
        profile_text: String,
        /// Why; needed while a run goes on, which otherwise keeps its profile.
        reason: Option<String>,
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
    /// Evaluates a stored run again from its wire; what was found before stays.
    Reckon {
        /// The run.
        run: RunId,
        /// Name and text of a profile that reads the wire instead of that of the run.
        profile: Option<(String, String)>,
        /// Text of a procedure by which end-points are looked for instead of that of the run.
        procedure: Option<String>,
        /// Why.
        why: String,
    },
    /// Asks for the hand on the run of a lane, gives it, or takes it.
    Hand {
        /// The lane.
        lane: LaneId,
        /// What is wished.
        wish: HandWish,
    },
    /// Says who sits at this screen from now on; an empty name: nobody.
    Name {
        /// The name.
        name: String,
        /// What the key of that name makes of the challenge of [`Event::You`](super::Event::You), hexadecimal.
        proof: Option<String>,
    },
    /// Enters a version of a document: master data, a check, a factor, a signature.
    Enter {
        /// The document.
        document: Box<Document>,
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
    /// What the portion is for.
    #[serde(default)]
    pub role: Role,
    /// The series: samples, blanks and controls that are worked together.
    #[serde(default)]
    pub series: String,
    /// Values as typed, by their names in the procedure: `m` = `5.0231 g`.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub values: BTreeMap<String, String>,
    /// Equipment and lots, by kind or by the name in formulae.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub uses: BTreeMap<String, String>,
    /// From which readings of a balance the mass was taken; filled in by the recorder.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weighed: Option<String>,
    /// Why it starts although something is overdue.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// With what it started although something was not as it should be; filled in by the recorder.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
}

/// A document as it is handed to the recorder, which adds who and when.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Document {
    /// What it is: `burette`, `titrant lot`, `factor`, ...
    pub kind: String,
    /// Which one of its kind.
    pub name: String,
    /// JSON.
    pub body: String,
    /// Where it came from.
    pub origin: Origin,
    /// What the ledger says was done: `enter`, `change`, `sign`, ...
    pub verb: String,
    /// Why; empty where there is nothing to say.
    pub why: String,
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
