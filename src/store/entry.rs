//! What is written to the record, one value for one row (or one text).

use crate::detector::{Change, EndPoint};
use crate::reading::{Point, Reading, Stamp};
use crate::work::{Document, Origin, RunHead, RunId, VolumeMark};
use bytes::Bytes;
use sha2::{Digest, Sha256};

/// Direction of a chunk of the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// From the instrument.
    In,
    /// To the instrument.
    Out,
}

impl Direction {
    /// The word in the record.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::In => "in",
            Self::Out => "out",
        }
    }
}

/// Kinds of text that runs depend on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TextKind {
    /// A profile.
    Profile,
    /// A procedure.
    Procedure,
    /// A bench file.
    Bench,
}

impl TextKind {
    /// The word in the record.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Profile => "profile",
            Self::Procedure => "procedure",
            Self::Bench => "bench",
        }
    }
}

/// SHA-256 of a text, hexadecimal: its name in the record.
#[must_use]
pub fn text_hash(body: &str) -> String {
    Sha256::digest(body.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A line that was opened.
#[derive(Debug, Clone, PartialEq)]
pub struct LineRow {
    /// Its number.
    pub line_id: i64,
    /// Title of the bench.
    pub bench: String,
    /// Title of the instrument.
    pub instrument: String,
    /// The port as people write it.
    pub port: String,
    /// Where the bytes come from.
    pub origin: Origin,
    /// Text of the bench file.
    pub bench_text: String,
    /// When it was opened.
    pub opened_utc_us: i64,
    /// Offset of the local time from UTC in seconds.
    pub utc_offset_s: i32,
}

/// A version of a document: master data, a check, a factor, a series, a result, a signature.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewDatum {
    /// What it is: `burette`, `titrant lot`, `factor`, ...
    pub kind: String,
    /// Which one of its kind; the newest version of a kind and name is the one that holds.
    pub name: String,
    /// JSON.
    pub body: String,
    /// When it was made.
    pub utc_us: i64,
    /// Who made it.
    pub who: String,
    /// Where it came from.
    pub origin: Origin,
    /// What the ledger says was done: `enter`, `change`, `check`, `sign`, ...
    pub verb: String,
    /// Why; empty where there is nothing to say.
    pub why: String,
}

impl NewDatum {
    /// A document that somebody handed over.
    #[must_use]
    pub fn new(document: &Document, who: String, utc_us: i64) -> Self {
        let Document { kind, name, body, origin, verb, why } = document.clone();
        Self { kind, name, body, utc_us, who, origin, verb, why }
    }
}

/// One thing to write.
#[derive(Debug, Clone, PartialEq)]
pub enum Entry {
    /// A line was opened.
    Line(Box<LineRow>),
    /// Something happened to a line.
    LineEvent {
        /// The line.
        line_id: i64,
        /// Counted from 0.
        n: i64,
        /// When.
        at: Stamp,
        /// `opened`, `gone`, `over` or `warning`.
        what: &'static str,
        /// In words.
        words: String,
    },
    /// Bytes came or went.
    Wire {
        /// The line.
        line_id: i64,
        /// Chunks of the line, from 0.
        seq: i64,
        /// Which way.
        direction: Direction,
        /// When.
        at: Stamp,
        /// The bytes.
        bytes: Bytes,
    },
    /// The wire of a line is read with a profile.
    Decoding {
        /// Its number.
        decoding_id: i64,
        /// The line.
        line_id: i64,
        /// Text of the profile.
        profile_text: String,
        /// The chunk from which the wire is read.
        from_seq: i64,
        /// When.
        utc_us: i64,
    },
    /// A person confirmed what a profile sends.
    Confirmation {
        /// Text of the profile.
        profile_text: String,
        /// Title of the bench.
        bench: String,
        /// When.
        utc_us: i64,
        /// Who.
        who: String,
    },
    /// One field of a frame.
    Reading {
        /// The decoding.
        decoding_id: i64,
        /// Which field of its frame, from 0.
        field: i64,
        /// The chunk that completed the frame.
        wire_seq: i64,
        /// The reading.
        reading: Reading,
    },
    /// A run began.
    Run {
        /// Its head.
        head: Box<RunHead>,
        /// Who started it.
        who: String,
    },
    /// A run is evaluated.
    Reckoning {
        /// Its number.
        reckoning_id: i64,
        /// The run.
        run: RunId,
        /// The decodings whose readings it takes, each with the first chunk that counts.
        decodings: Vec<(i64, i64)>,
        /// When.
        utc_us: i64,
    },
    /// An evaluation takes the readings of a further decoding.
    ReckoningDecoding {
        /// The evaluation.
        reckoning_id: i64,
        /// The decoding.
        decoding_id: i64,
        /// The first chunk of its wire that counts.
        from_seq: i64,
    },
    /// An evaluation is complete: the ledger takes it in.
    Reckoned {
        /// The evaluation.
        reckoning_id: i64,
        /// Who asked for it.
        who: String,
        /// Why; empty for the one that comes with the run.
        why: String,
        /// Text of its procedure, if that is not the one of the run; empty: none.
        procedure: Option<String>,
    },
    /// A person told a volume.
    Mark {
        /// The run.
        run: RunId,
        /// Counted from 0.
        n: i64,
        /// The volume.
        mark: VolumeMark,
        /// The chunk of the first instrument that had been read by then.
        after_seq: i64,
        /// When.
        at: Stamp,
        /// Who.
        who: String,
    },
    /// A person noted something.
    Note {
        /// The run.
        run: RunId,
        /// Counted from 0.
        n: i64,
        /// The text.
        words: String,
        /// When.
        at: Stamp,
        /// Who.
        who: String,
    },
    /// A point of the curve.
    Point {
        /// The reckoning.
        reckoning_id: i64,
        /// Raised by one at each correction.
        generation: i64,
        /// Counted from 1.
        n: i64,
        /// The frame of the signal.
        frame: Option<i64>,
        /// The point.
        point: Point,
    },
    /// The watch changed its state.
    Change {
        /// The reckoning.
        reckoning_id: i64,
        /// Raised by one at each correction.
        generation: i64,
        /// Counted from 1.
        n: i64,
        /// The change.
        change: Change,
    },
    /// An end-point of the final evaluation.
    Finding {
        /// The reckoning.
        reckoning_id: i64,
        /// Counted from 1.
        n: i64,
        /// The end-point.
        end_point: EndPoint,
    },
    /// A warning of the evaluation.
    Warning {
        /// The reckoning.
        reckoning_id: i64,
        /// Counted from 1.
        n: i64,
        /// In words.
        words: String,
    },
    /// The run ended.
    RunEnd {
        /// The run.
        run: RunId,
        /// Why.
        why: String,
        /// The last chunk of each line that counted: line, chunk.
        lines: Vec<(i64, i64)>,
        /// When.
        at: Stamp,
        /// Who.
        who: String,
    },
    /// A person set a run aside.
    SetAside {
        /// The run.
        run: RunId,
        /// Why.
        reason: String,
        /// When.
        utc_us: i64,
        /// Who.
        who: String,
    },
    /// Something was decided that has no rows of its own.
    Decided {
        /// Who.
        who: String,
        /// What was done.
        verb: String,
        /// To what.
        subject: String,
        /// Why.
        why: String,
    },
    /// A version of a document.
    Datum(Box<NewDatum>),
    /// The recorder leaves: the ledger takes in what it has not yet.
    Closed,
}

impl Entry {
    /// Bytes of the wire in it: what would be lost if it were.
    #[must_use]
    pub fn wire_bytes(&self) -> usize {
        match self {
            Self::Wire { bytes, .. } => bytes.len(),
            _ => 0,
        }
    }
}
