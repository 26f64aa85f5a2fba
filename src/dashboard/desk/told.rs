//! What a desk tells: checklists, series, lots, runs, charts, what was heard.

use super::FileOf;
use crate::detector::EndPoint;
use crate::reading::{CurveHead, Point};
use crate::work::result::{PortionResult, SeriesPortion, SeriesResult};
use crate::work::{CheckPoint, Factor, Kept, Origin, Role, RunId, RunPlan};

/// The checklist of a portion, and what to expect.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Readied {
    /// The points of the record.
    pub points: Vec<CheckPoint>,
    /// Expected titrant with its standard uncertainty (mL or g), from earlier portions.
    pub expected: Option<(f64, f64)>,
    /// The burette, and how much it holds in mL.
    pub holds: Option<(String, f64)>,
    /// The titrant is weighed.
    pub by_mass: bool,
}

/// Rows of the ledger, as they are gone through.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Decisions {
    /// From the first row on, not only since the last review.
    pub all: bool,
    /// The rows.
    pub rows: Vec<Decision>,
    /// Rows before these that are not shown.
    pub left_out: i64,
    /// First and last row since the last review.
    pub since: Option<(i64, i64)>,
}

/// One row of the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decision {
    /// Its number.
    pub n: i64,
    /// When, microseconds since 1970 UTC.
    pub utc_us: i64,
    /// Who.
    pub who: String,
    /// What was done to what.
    pub what: String,
    /// Why.
    pub why: String,
}

/// Values one after the other, with the lines that they are judged by.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LineChart {
    /// What they are.
    pub title: String,
    /// What a file of the chart is of.
    pub of: Option<FileOf>,
    /// Their unit.
    pub unit: String,
    /// The oldest first: what each is of, its value, and what is to be said of it.
    pub points: Vec<(String, f64, Option<String>)>,
    /// Action and warning below, centre, warning and action above.
    pub lines: Option<[f64; 5]>,
    /// What holds about the whole; `true`: it asks for a look.
    pub words: Vec<(bool, String)>,
}

/// The curve of an earlier portion.
#[derive(Debug, Clone, PartialEq)]
pub struct EarlierCurve {
    /// Its run.
    pub run: RunId,
    /// Which portion it was.
    pub portion: u32,
    /// Titrant (mL or g) and signal, at most a few hundred.
    pub points: Vec<(f64, f64)>,
    /// Its first end-point.
    pub end_point: Option<f64>,
}

/// One lot of a titrant.
#[derive(Debug, Clone, PartialEq)]
pub struct Lot {
    /// Its name.
    pub name: String,
    /// What it is.
    pub what: String,
    /// Nominal strength with its unit.
    pub nominal: Option<(f64, String)>,
    /// Why it may not be used today.
    pub why_not: Option<String>,
    /// Its factors, the oldest first.
    pub factors: Vec<Kept<Factor>>,
    /// The latest series of standardisations.
    pub series: Option<Group>,
    /// Text of a procedure that standardises it, if one is known.
    pub procedure: Option<String>,
}

/// One series in the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeriesLine {
    /// Its name.
    pub series: String,
    /// Title of the procedure of its first run.
    pub title: String,
    /// How many runs were started.
    pub runs: u32,
    /// When the first began, microseconds since 1970 UTC.
    pub started_utc_us: i64,
}

/// End-points with their standard uncertainties, in mL or g.
pub type EndPoints = Vec<(f64, Option<f64>)>;

/// The portions of a series that belong together.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// The series.
    pub series: String,
    /// What they are for.
    pub role: Role,
    /// The sample.
    pub sample: String,
    /// Title of the procedure.
    pub title: String,
    /// Where their data came from: the first that is not real, else that of the first.
    pub origin: Origin,
    /// The plan of the latest portion.
    pub plan: RunPlan,
    /// The portions in the order of their start, each with its end-points and their uncertainties (mL or g).
    pub portions: Vec<(SeriesPortion, EndPoints)>,
    /// What they come to; none for blanks.
    pub result: Option<SeriesResult>,
    /// Why nothing was computed.
    pub trouble: Option<String>,
    /// Who accepted it last.
    pub accepted: Option<String>,
}

/// One run as it is looked through.
#[derive(Debug, Clone, PartialEq)]
pub struct RunFile {
    /// Its number.
    pub run: RunId,
    /// What its curve is.
    pub curve: CurveHead,
    /// The points.
    pub points: Vec<Point>,
    /// Who started it.
    pub who: String,
    /// The plan that it followed.
    pub plan: RunPlan,
    /// Its result.
    pub result: Option<PortionResult>,
    /// Its evaluations, the first of them first.
    pub reckonings: Vec<Reckoned>,
    /// The reported one.
    pub reported: Option<i64>,
    /// Who chose that, and why; `None`: it is the first, nobody chose.
    pub choice: Option<(String, String)>,
    /// Notes with their seconds.
    pub notes: Vec<(f64, String)>,
    /// Warnings of the first evaluation.
    pub warnings: Vec<String>,
}

/// One evaluation.
#[derive(Debug, Clone, PartialEq)]
pub struct Reckoned {
    /// Its number.
    pub id: i64,
    /// Name and version of the program.
    pub program: String,
    /// When, microseconds since 1970 UTC.
    pub utc_us: i64,
    /// Who had it made, and why.
    pub who_why: Option<(String, String)>,
    /// What it was made with that the first was not, in words.
    pub differs: Vec<String>,
    /// Points that count.
    pub points: i64,
    /// End-points.
    pub end_points: Vec<EndPoint>,
    /// Who signed it and as what.
    pub signatures: Vec<String>,
}

/// A place where an instrument may hang.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// As a bench file names it.
    pub port: String,
    /// In words.
    pub words: String,
    /// The simulated bench: nothing has to be listened to.
    pub simulated: bool,
}

/// What came in while somebody listened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// Where.
    pub port: String,
    /// The settings of the line that gave text, in words.
    pub line: String,
    /// Bytes that came.
    pub bytes: usize,
    /// The beginning, line by line.
    pub sample: Vec<String>,
}

/// A profile as it was understood from what was heard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drafted {
    /// Each column in words.
    pub columns: Vec<String>,
    /// What is not sure: number, question with examples, choices (the first is the guess).
    pub questions: Vec<(usize, Vec<String>, Vec<String>)>,
    /// An answer that was not understood.
    pub not_understood: Option<String>,
    /// The text of the profile.
    pub profile_text: String,
    /// Whether an amount of titrant comes from the line.
    pub sends_volume: bool,
}
