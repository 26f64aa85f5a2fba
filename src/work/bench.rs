//! The bench file: which instruments hang on which ports, and where the volume comes from.

use super::People;
use serde::{Deserialize, Serialize};

/// A bench as its file says it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bench {
    /// What people call it.
    pub title: String,
    /// Its instruments; the first that gives a signal is titrated with.
    pub instrument: Vec<Instrument>,
    /// Where the volume comes from.
    #[serde(default)]
    pub volume: VolumeFrom,
    /// What the burette holds in mL (g with a balance), for a warning in time.
    #[serde(default)]
    pub burette: Option<f64>,
    /// When a signal counts as settled; the default follows the quantity.
    #[serde(default)]
    pub settling: Option<Settling>,
    /// Who may look on and command, and how people are known.
    #[serde(default)]
    pub people: People,
    /// A file to which the anchor of the record is appended after each run, best on another machine.
    #[serde(default)]
    pub anchors: Option<String>,
}

/// One instrument on one port.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Instrument {
    /// Name of a shipped profile, or path of a profile file.
    pub profile: String,
    /// The port as people write it: a device, `tcp:host:port`, `file:PATH`, `stdin`, `capture:PATH`.
    pub port: String,
}

/// Where the amount of titrant comes from.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "from", deny_unknown_fields)]
pub enum VolumeFrom {
    /// An instrument sends it.
    #[default]
    Line,
    /// A person keys the burette reading.
    Keyed {
        /// The fixed step that one key adds, in mL.
        #[serde(default)]
        step_ml: Option<f64>,
    },
    /// A pump runs at a constant rate from the start of the run.
    Rate {
        /// In mL per minute.
        ml_per_min: f64,
    },
    /// A balance under the titrant bottle, or under the burette, sends a mass.
    Mass,
}

/// When a signal at one volume counts as settled.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settling {
    /// Largest drift, in the unit of the signal per minute.
    pub drift_per_min: f64,
    /// The drift is taken over this many seconds.
    pub window_s: f64,
    /// The signal is taken as it stands after this many seconds.
    pub longest_s: f64,
}

/// A bench with all its texts, as the recorder needs it: it reads no files of the asker's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BenchPlan {
    /// What the bench file says.
    pub bench: Bench,
    /// Its text as kept in the record.
    pub text: String,
    /// One for each instrument, in their order.
    pub lines: Vec<LinePlan>,
}

/// One instrument with the text of its profile.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LinePlan {
    /// The port as people write it.
    pub port: String,
    /// File name of the profile, for messages.
    pub profile_name: String,
    /// Text of the profile.
    pub profile_text: String,
}
