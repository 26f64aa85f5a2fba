//! What a screen asks of the record and of this place, and what it is told.
//!
//! The dashboard opens no record and no port: whoever shows it lends it a [`Desk`]. Questions only read; whatever is to
//! be written comes back as a document, which goes to the recorder like every other command.

use super::options::StoredRun;
use crate::detector::EndPoint;
use crate::reading::{CurveHead, Point};
use crate::work::result::{PortionResult, SeriesPortion, SeriesResult};
use crate::work::{
    BenchPlan, CheckPoint, Command, Equipment, EquipmentKind, Factor, Kept, Origin, OtherLook, Role, RunHead,
    RunId, RunPlan, StepLine, StepRecord, Stock, read_equipment,
};

/// Answers the questions of a screen; may take its time, the screen goes on meanwhile.
pub trait Desk: Send + Sync {
    /// The answer, or in words why there is none.
    ///
    /// # Errors
    /// In words, what is wrong and how to mend it.
    fn answer(&self, question: &Question) -> Result<Answer, String>;
}

/// A desk where nobody sits: every question is refused in words.
#[derive(Debug, Clone, Copy)]
pub struct NoDesk;

impl Desk for NoDesk {
    fn answer(&self, _: &Question) -> Result<Answer, String> {
        Err("the record cannot be asked from here".to_owned())
    }
}

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub enum Question {
    /// Is everything there for this portion?
    Readiness {
        /// The portion.
        plan: Box<RunPlan>,
        /// Its data would come from a real instrument.
        real: bool,
    },
    /// Equipment, factors, blanks and checks.
    Stock,
    /// The lots of titrants with their factors and standardisations.
    Lots,
    /// The series, the latest first.
    SeriesList,
    /// What a series comes to.
    Series(String),
    /// The stored runs, the newest first.
    Runs,
    /// Everything about one run.
    Run(RunId),
    /// Another evaluation of a run.
    Reckon(Box<OtherSettings>),
    /// The choice of the reported evaluation.
    Choose {
        /// The run.
        run: RunId,
        /// The evaluation.
        reckoning: i64,
        /// Why.
        why: String,
    },
    /// What was decided: everything, or since the last review.
    Decisions {
        /// Everything.
        all: bool,
    },
    /// Charts of control samples, and trends of electrode and solutions.
    Charts,
    /// The steps of preparation and care of a portion.
    Steps(Box<RunPlan>),
    /// A step is ticked or skipped.
    Step(Box<StepRecord>),
    /// The acceptance of a sample in a series.
    AcceptSeries {
        /// The series.
        series: String,
        /// The sample.
        sample: String,
        /// A remark.
        why: String,
    },
    /// The acceptance of a factor.
    AcceptFactor {
        /// The lot.
        lot: String,
        /// The series of standardisations.
        series: String,
        /// A remark.
        why: String,
    },
    /// A signature, or a new key.
    Sign(Signing),
    /// A person's key answers the challenge of the recorder.
    Prove {
        /// Whose key.
        name: String,
        /// What opens it.
        phrase: Secret,
        /// What it has to answer.
        challenge: String,
    },
    /// The curves of the portions before a run.
    Earlier(Box<RunHead>),
    /// A piece of equipment as typed.
    Equipment(Piece),
    /// The practice bench with the next beaker under the electrode.
    Practice {
        /// The bench as it stands: title, profile and port.
        bench: (String, String, String),
        /// The portion; none for the buffers of a check.
        plan: Option<Box<RunPlan>>,
    },
    /// The places that may be listened to.
    Places,
    /// Listens at a place, with permission.
    Listen(String),
    /// What was heard as a profile, with the answers given so far.
    Draft {
        /// The place.
        port: String,
        /// Number of the question, and what was said.
        answers: Vec<(usize, String)>,
    },
    /// Writes the files of a new bench and checks them.
    NewBench(NewBench),
}

/// What is told.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// The checklist.
    Ready(Readied),
    /// The stock, and the time at which it was read (microseconds since 1970 UTC).
    Stock(Box<Stock>, i64),
    /// The lots, and the time.
    Lots(Vec<Lot>, i64),
    /// The series.
    SeriesList(Vec<SeriesLine>),
    /// One series by what its portions are for and by sample.
    Series(Vec<Group>),
    /// The stored runs.
    Runs(Vec<StoredRun>),
    /// One run.
    Run(Box<RunFile>),
    /// Commands for the recorder; what follows is told when they are done.
    Asks(Vec<Command>, String),
    /// What was decided.
    Decisions(Decisions),
    /// The charts.
    Charts(Vec<LineChart>),
    /// The steps, and the portion that they are of.
    Steps(Box<RunPlan>, Vec<StepLine>),
    /// What the key made of the challenge, hexadecimal.
    Proof(String),
    /// Earlier portions, the latest first.
    Earlier(Vec<EarlierCurve>),
    /// A bench to be opened, and a run to start on it.
    Bench(Box<BenchPlan>, Option<Box<RunPlan>>),
    /// Places that may be listened to.
    Places(Vec<Place>),
    /// What was heard.
    Heard(Heard),
    /// What was understood.
    Drafted(Drafted),
}

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

/// With what a run is evaluated again; what is empty stays as the run has it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct OtherSettings {
    /// The run.
    pub run: RunId,
    /// Name of a profile.
    pub profile: String,
    /// Text of a procedure.
    pub procedure: Option<String>,
    /// Another way to look for end-points.
    pub look: OtherLook,
    /// Why.
    pub why: String,
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

/// What somebody signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signable {
    /// Nothing yet: a key is made.
    NewKey,
    /// An evaluation.
    Reckoning(i64),
    /// Rows of the ledger, gone through: the first and the last.
    Ledger(i64, i64),
}

/// What somebody signs with.
#[derive(Debug, Clone, PartialEq)]
pub struct Signing {
    /// What is signed.
    pub what: Signable,
    /// Whose key.
    pub name: String,
    /// What it means: performed, reviewed, approved.
    pub meaning: String,
    /// The pass-phrase.
    pub phrase: Secret,
    /// Anything to say with it.
    pub why: String,
}

/// Text that is never shown.
#[derive(Clone, PartialEq, Eq, Default)]
pub struct Secret(pub String);

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("(not shown)")
    }
}

/// A piece of equipment as it is typed; the texts as in an equipment file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Piece {
    /// Its kind.
    pub kind: EquipmentKind,
    /// Its name.
    pub name: String,
    /// What stands in the file, by its key; what is empty is left out.
    pub fields: Vec<(&'static str, String)>,
}

impl Piece {
    /// The piece as the record has it.
    ///
    /// # Errors
    /// In words, what is wrong first.
    pub fn entries(&self) -> Result<Vec<Equipment>, String> {
        let filled = self.fields.iter().filter(|(_, text)| !text.is_empty());
        let mut item: toml::Table =
            filled.map(|(key, text)| ((*key).to_owned(), toml::Value::String(text.clone()))).collect();
        item.insert("name".to_owned(), toml::Value::String(self.name.clone()));
        if item.contains_key("within") && self.kind == EquipmentKind::Burette {
            item.insert("distribution".to_owned(), toml::Value::String("triangular".to_owned()));
        }
        let list = toml::Value::Array(vec![toml::Value::Table(item)]);
        let table: toml::Table = [(self.kind.word().to_owned(), list)].into_iter().collect();
        read_equipment("as typed", &table.to_string())
            .map_err(|faults| faults.first().map(|fault| fault.message.clone()).unwrap_or_default())
    }
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

/// A bench to be written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewBench {
    /// What people call it.
    pub title: String,
    /// Where its instrument hangs.
    pub port: String,
    /// The profile: its text, or the name of one that ships.
    pub profile: Result<String, String>,
    /// Whether volumes are keyed by a person.
    pub keyed: bool,
}
