//! Commands on their way to the recorder.

use crate::work::Command;
use std::time::Duration;

/// A command that waits for its answer.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::dashboard) struct Asked {
    /// Its number.
    pub(in crate::dashboard) id: u64,
    /// What was asked.
    pub(in crate::dashboard) command: Command,
    /// When.
    pub(in crate::dashboard) at: Duration,
}

impl Asked {
    /// What was asked, in words.
    pub(in crate::dashboard) const fn words(&self) -> &'static str {
        match self.command {
            Command::Open { .. } => "open the bench",
            Command::Reread { .. } => "read the profile again",
            Command::Start { .. } => "start",
            Command::Queue { .. } => "hand over the worklist",
            Command::Mark { .. } => "volume",
            Command::Note { .. } => "note",
            Command::Seen { .. } => "what was seen",
            Command::Name { .. } => "who sits here",
            Command::End { .. } => "end the run",
            Command::SetAside { .. } => "set aside",
            Command::Reckon { .. } => "evaluate again",
            Command::Hand { .. } => "the hand on the run",
            Command::Enter { .. } => "enter a document",
            Command::Leave => "end the recorder",
        }
    }
}
