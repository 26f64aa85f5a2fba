//! `dropwise record recover`.

use super::unwritable;
use crate::cli::attach::own_caller;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::link::RecordLock;
use crate::store::recover;
use clap::Args;
use std::path::PathBuf;

/// Arguments of `record recover`.
#[derive(Debug, Args)]
pub struct RecoverArgs {
    /// The file that the recorder named when it had to leave
    from: PathBuf,
}

impl RecoverArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the file is not the unsaved part of this record, or the record cannot be written.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let _lock = RecordLock::take(&settings.record, None)?;
        let recovered = recover(&settings.record, &self.from, &own_caller(settings).who())?;
        output
            .line(&format!(
                "{} rows and {} rows of the ledger are brought in from {}; the file may go now",
                recovered.rows,
                recovered.decisions,
                self.from.display()
            ))
            .map_err(unwritable)?;
        Ok(Exit::Done)
    }
}
