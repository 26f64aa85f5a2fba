//! `dropwise record backup`.

use super::unwritable;
use crate::cli::output::Output;
use crate::cli::progress::Progress;
use crate::cli::{Exit, Fault, Settings};
use crate::store::backup;
use clap::Args;
use std::path::PathBuf;

/// Arguments of `record backup`.
#[derive(Debug, Args)]
pub struct BackupArgs {
    /// The copy: a new file, best on another disk
    to: PathBuf,
}

impl BackupArgs {
    /// Runs the command; exit code 5 when the copy is not in order.
    ///
    /// # Errors
    /// When the record cannot be read or the copy not be written.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let progress = Progress::new("pages");
        let report = backup(&settings.record, &self.to, &|done, total| progress.tell(done, total))?;
        drop(progress);
        for wrong in &report.faults {
            output.line(&format!("WRONG  {} {}", wrong.row, wrong.what)).map_err(unwritable)?;
        }
        output.line(&format!("{} rows copied to {}", report.rows, self.to.display())).map_err(unwritable)?;
        if let Some(anchor) = &report.anchor {
            output.line(&anchor.to_string()).map_err(unwritable)?;
        }
        if report.faults.is_empty() {
            output.line("the copy is verified: everything is as it was written").map_err(unwritable)?;
            return Ok(Exit::Done);
        }
        output
            .line("NOT everything in the record, and so in the copy, is as it was written")
            .map_err(unwritable)?;
        Ok(Exit::Record)
    }
}
