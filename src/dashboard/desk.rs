//! What a screen asks of the record and of this place, and what it is told.
//!
//! The dashboard opens no record and no port: whoever shows it lends it a [`Desk`]. Questions only read the
//! record; whatever is to be written there comes back as a document, which goes to the recorder like every other command.
//! Files that a person takes out are written by the desk.

mod asked;
mod file;
mod told;

pub use asked::{NewBench, OtherSettings, Piece, Secret, Signable, Signing};
pub use file::{FileKind, FileOf, FileWish};
pub use told::{
    Decision, Decisions, Drafted, EarlierCurve, EndPoints, Group, Heard, LineChart, Lot, Place, Readied,
    Reckoned, RunFile, SeriesLine,
};

use super::options::StoredRun;
use crate::work::{BenchPlan, Command, RunHead, RunId, RunPlan, StepLine, StepRecord, Stock};

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
    /// Writes a report, a picture or tables.
    File(FileWish),
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
    /// A file is written: what and where, in words.
    Written(String),
}
