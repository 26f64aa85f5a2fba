//! A document goes into the record: through the recorder that runs, or as the recorder for a moment.

use super::attach::obey;
use super::command::run::runtime;
use super::{Exit, Fault, Settings};
use crate::work::{Command, Document};

/// Enters a document and waits until it is committed.
///
/// # Errors
/// When the recorder refuses it, or the record cannot be written.
pub fn enter(settings: &Settings, document: Document) -> Result<(), Fault> {
    let refused = |why: String| Fault { text: format!("it could not be entered: {why}"), exit: Exit::Record };
    let command = Command::Enter { document: Box::new(document) };
    runtime()?.block_on(obey(settings, command, refused))
}
