//! What the screen has done by others: work that takes its time or needs files, while keys go on being read.

use crate::work::{RunHead, RunId};
use std::fmt;
use std::sync::Arc;

/// Something to be done outside the screen.
#[derive(Debug, Clone, PartialEq)]
pub enum Errand {
    /// A person's key answers the challenge of the recorder.
    Prove {
        /// Whose key.
        name: String,
        /// What opens it.
        phrase: Phrase,
        /// What it has to answer.
        challenge: String,
    },
    /// The curves of the earlier portions of a run are wanted.
    Earlier(Box<RunHead>),
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub enum Done {
    /// What the key made of the challenge, or in words why nothing.
    Proved {
        /// Whose key.
        name: String,
        /// Hexadecimal.
        proof: Result<String, String>,
    },
    /// Earlier portions.
    Earlier(Vec<EarlierCurve>),
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

/// A pass-phrase, which is never printed.
#[derive(Clone, PartialEq, Eq)]
pub struct Phrase(pub String);

impl fmt::Debug for Phrase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Phrase")
    }
}

/// Does an errand; may take its time.
pub(super) type Run = dyn Fn(&Errand) -> Done + Send + Sync;

/// Whoever does the errands of a screen.
#[derive(Clone)]
pub struct Runner(pub Arc<Run>);

impl Runner {
    /// Nobody: no key opens, and there are no earlier portions.
    #[must_use]
    pub fn nobody() -> Self {
        Self(Arc::new(|errand| match errand {
            Errand::Prove { name, .. } => {
                let proof = Err("keys cannot be opened here".to_owned());
                Done::Proved { name: name.clone(), proof }
            }
            Errand::Earlier(_) => Done::Earlier(Vec::new()),
        }))
    }
}

impl fmt::Debug for Runner {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Runner")
    }
}
