//! What happened: the recorder says it, screens and the plain printer show it.

use super::result::PortionResult;
use super::{BenchState, Expectation, LaneId, LaneState, RunId, RunPlan};
use crate::detector::{Change, EndPoint, Outlook};
use crate::reading::{CurveHead, FrameLine, Point, Reading, Stamp};
use serde::{Deserialize, Serialize};

/// Where the data of a run came from; shown wherever the run is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// A serial port.
    Serial,
    /// A network socket.
    Network,
    /// A growing file or standard input.
    File,
    /// Keyed by a person.
    Keyed,
    /// A capture played again.
    Capture,
    /// The simulator.
    Simulator,
    /// Taken from another record.
    Imported,
}

impl Origin {
    /// The word used in the record, on screens and reports.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Serial => "serial",
            Self::Network => "network",
            Self::File => "file",
            Self::Keyed => "keyed",
            Self::Capture => "capture",
            Self::Simulator => "simulator",
            Self::Imported => "imported",
        }
    }

    /// The origin with this word.
    #[must_use]
    pub fn parse(word: &str) -> Option<Self> {
        let all = [
            Self::Serial,
            Self::Network,
            Self::File,
            Self::Keyed,
            Self::Capture,
            Self::Simulator,
            Self::Imported,
        ];
        all.into_iter().find(|origin| origin.word() == word)
    }

    /// Whether a run of this origin may stand as the result of a real sample.
    #[must_use]
    pub const fn is_real(self) -> bool {
        matches!(self, Self::Serial | Self::Network | Self::File | Self::Keyed)
    }
}

/// Everything that the recorder tells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "event")]
pub enum Event {
    /// The whole state; the first event after attaching.
    Snapshot {
        /// The state.
        state: Box<BenchState>,
    },
    /// A bench was opened as a further lane.
    Opened {
        /// The lane as it begins.
        lane: Box<LaneState>,
    },
    /// A lane whose line was at its end gave way to a new one of the same bench.
    Closed {
        /// The lane.
        lane: LaneId,
    },
    /// Something happened on a lane.
    Lane {
        /// The lane.
        lane: LaneId,
        /// What happened.
        what: LaneEvent,
    },
    /// How far the record is safe.
    Store {
        /// The figures.
        health: StoreHealth,
    },
    /// The answer to a command.
    Answer {
        /// The number that came with the command.
        id: u64,
        /// `None` when done, else why not, in words.
        refused: Option<String>,
        /// The lane that was opened, if one was asked for.
        lane: Option<LaneId>,
    },
    /// How the recorder knows whoever sits at this screen; told to that screen alone.
    You {
        /// As the record calls the person.
        who: String,
        /// What a key has to sign to prove whose it is; new each time.
        challenge: String,
    },
    /// The recorder leaves; nothing follows.
    Leaving {
        /// Why, in words.
        why: String,
    },
}

/// What happens on one lane.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "is")]
pub enum LaneEvent {
    /// The instrument's line changed: opened, gone, back.
    Line {
        /// How the line is now.
        health: Health,
    },
    /// A frame came and was read as far as the profile could.
    Frame {
        /// The frame.
        frame: FrameLine,
    },
    /// An instrument is read with another profile: its latest frames as they are understood now.
    Reread {
        /// Title of the instruments.
        instrument: String,
        /// The frames, oldest first.
        frames: Vec<FrameLine>,
    },
    /// Readings of one frame.
    Readings {
        /// The readings.
        readings: Vec<Reading>,
    },
    /// A run began.
    Started {
        /// Its head.
        head: Box<RunHead>,
    },
    /// A point joined the curve.
    Point {
        /// The point.
        point: Point,
    },
    /// A mistyped volume was corrected: the whole curve and watch as they are now.
    Redrawn {
        /// All points.
        points: Vec<Point>,
        /// All changes of the watch.
        changes: Vec<Change>,
    },
    /// The watch changed its state.
    Watch {
        /// The change.
        change: Change,
    },
    /// What the watch expects next.
    Outlook {
        /// The outlook.
        outlook: Outlook,
    },
    /// A note was kept.
    Note {
        /// When.
        at: Stamp,
        /// The text.
        text: String,
    },
    /// The curve of the final fit, thinned for the screen, as titrant and signal.
    Fit {
        /// The points, in the order of their titrant.
        points: Vec<(f64, f64)>,
    },
    /// The run ended.
    Ended {
        /// How, and what came of it.
        end: Box<RunEnd>,
    },
    /// What the run comes to: the result of its portion.
    Result {
        /// The run.
        run: RunId,
        /// The result.
        result: Box<PortionResult>,
    },
    /// Who has the hand on the run, and who asks for it.
    Hand {
        /// Who has it, as the record calls that person.
        holder: Option<String>,
        /// Who asks for it.
        asks: Option<String>,
    },
    /// Something a person should know.
    Warning {
        /// In words.
        text: String,
    },
}

/// How the line to an instrument is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "line")]
pub enum Health {
    /// Not opened yet.
    Opening,
    /// Open; differences between asked and read-back settings in words.
    Open {
        /// Things to know, in words; usually empty.
        remarks: Vec<String>,
    },
    /// Gone; reopening by itself.
    Gone {
        /// Why, in words.
        why: String,
    },
    /// At its end: nothing more will come.
    Over {
        /// Why, in words.
        why: String,
    },
    /// Cannot be used: nothing will come.
    Failed {
        /// Why and how to mend, in words.
        why: String,
    },
}

/// What a run is: fixed at its start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunHead {
    /// Its number in the record.
    pub run: RunId,
    /// The wish it came from.
    pub plan: RunPlan,
    /// Title of the procedure, or of the ad hoc run.
    pub title: String,
    /// Where its data come from.
    pub origin: Origin,
    /// What the numbers of its curve are.
    pub curve: CurveHead,
    /// Warn when this much titrant (mL or g) is left to the expected end-point.
    pub warn_before: f64,
    /// Cautions of the procedure.
    pub cautions: Vec<String>,
    /// When it began.
    pub at: Stamp,
    /// What was known of it besides the procedure.
    #[serde(default)]
    pub expectation: Expectation,
}

/// How a run ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunEnd {
    /// The run.
    pub run: RunId,
    /// Why it ended, in words.
    pub why: String,
    /// End-points of the final evaluation.
    pub end_points: Vec<EndPoint>,
    /// Warnings of the final evaluation.
    pub warnings: Vec<String>,
    /// When.
    pub at: Stamp,
}

/// How far the record is safe.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct StoreHealth {
    /// Frames (lines) whose bytes are committed, over all lanes.
    pub saved_lines: u64,
    /// Chunks that wait for the disk.
    pub unsaved_chunks: u64,
    /// Bytes that wait for the disk.
    pub unsaved_bytes: u64,
    /// Age of the oldest waiting byte in milliseconds.
    pub oldest_unsaved_ms: u64,
    /// Why the record cannot be written, in words, while that is so.
    pub trouble: Option<String>,
}
