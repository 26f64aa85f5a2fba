//! `dropwise record`: is the record as it was written, copies of it, and what was saved elsewhere.

mod anchor;
mod archive;
mod backup;
mod recover;
mod report;
mod verify;

use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use clap::Subcommand;

/// What to do with the record.
#[derive(Debug, Subcommand)]
pub enum RecordCommand {
    /// Verify that everything is as it was written, and that what was found follows from the wire; or verify a report
    Verify(verify::VerifyArgs),
    /// Print the anchor: number and hash of the last row of the ledger; keep it away from the record
    Anchor(anchor::AnchorArgs),
    /// Copy the record to a file, also while a run goes on, and verify the copy
    Backup(backup::BackupArgs),
    /// Bring in what the recorder saved elsewhere because the record could not be written
    Recover(recover::RecoverArgs),
    /// Copy old runs into a file of their own that still opens and verifies
    Archive(archive::ArchiveArgs),
}

impl RecordCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// When the record, or a file that is named, cannot be used.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        match self {
            Self::Verify(args) => args.run(settings, output),
            Self::Anchor(args) => args.run(settings, output),
            Self::Backup(args) => args.run(settings, output),
            Self::Recover(args) => args.run(settings, output),
            Self::Archive(args) => args.run(settings, output),
        }
    }
}

fn unwritable(e: std::io::Error) -> Fault {
    Fault { text: format!("the output cannot be written: {e}"), exit: Exit::OwnFault }
}
