//! `dropwise record archive`.

use super::unwritable;
use crate::cli::attach::own_caller;
use crate::cli::output::Output;
use crate::cli::progress::Progress;
use crate::cli::{Exit, Fault, Settings};
use crate::link::RecordLock;
use crate::store::lay_away;
use clap::Args;
use std::path::PathBuf;

/// Arguments of `record archive`.
///
/// Rows are never deleted from a record; so the whole of it is laid away, and a new one begins in its place.
#[derive(Debug, Args)]
pub struct ArchiveArgs {
    /// Where the record is laid: a new file
    to: PathBuf,
    /// Why
    #[arg(long)]
    why: String,
}

impl ArchiveArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When a recorder runs, somebody reads the record, it is not in order, or the file cannot be written.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let _lock = RecordLock::take(&settings.record, None)?;
        let progress = Progress::new("pages");
        let told = |done, total| progress.tell(done, total);
        let (report, continued) =
            lay_away(&settings.record, &self.to, &own_caller(settings).who(), &self.why, &told)?;
        drop(progress);
        let archive = continued.archive.display();
        output
            .line(&format!("{} rows are laid away in {archive} and verified there", report.rows))
            .map_err(unwritable)?;
        output.line(&continued.anchor.to_string()).map_err(unwritable)?;
        output
            .line(&format!(
                "{} is a new record that goes on with run {} and the documents that hold; `dropwise --record {archive} list` shows the older runs",
                settings.record.display(),
                continued.next.run
            ))
            .map_err(unwritable)?;
        Ok(Exit::Done)
    }
}
