//! What a command says when it cannot go on.

use super::Exit;

/// A fault for people: one paragraph that says what, where and how to mend, with the exit code it leads to.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text}")]
pub struct Fault {
    /// The paragraph.
    pub text: String,
    /// What the program ends with.
    pub exit: Exit,
}

impl Fault {
    /// A fault of the command line or of a file that it names.
    #[must_use]
    pub fn misuse(text: impl Into<String>) -> Self {
        Self { text: text.into(), exit: Exit::Misuse }
    }
}
