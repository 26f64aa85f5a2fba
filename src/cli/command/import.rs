//! `dropwise import`: runs with everything come into an empty record.

use crate::cli::attach::own_caller;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::link::RecordLock;
use crate::store::bring_in;
use clap::Args;
use std::io::BufReader;
use std::path::PathBuf;

/// Arguments of `import`.
#[derive(Debug, Args)]
pub struct ImportArgs {
    /// A file that `dropwise export --whole` wrote
    from: PathBuf,
}

impl ImportArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the record is not empty, or the file is not as it was written.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let unreadable =
            |e: std::io::Error| Fault::misuse(format!("{} cannot be read: {e}", self.from.display()));
        let file = std::fs::File::open(&self.from).map_err(unreadable)?;
        if let Some(folder) = settings.record.parent() {
            std::fs::create_dir_all(folder).map_err(|e| Fault {
                text: format!("{} cannot be made: {e}", folder.display()),
                exit: Exit::Record,
            })?;
        }
        let _lock = RecordLock::take(&settings.record, None)?;
        let name = self.from.file_name().unwrap_or_default().to_string_lossy();
        let mut lines = BufReader::with_capacity(1 << 18, file);
        let who = own_caller(settings).who();
        let (imported, rows) = bring_in(&settings.record, &name, &mut lines, &who)?;
        output.line(&format!("{rows} rows are brought into {} and verified there", settings.record.display()))?;
        if let Some(anchor) = &imported.anchor {
            output.line(&format!("imported from {}, {anchor}", visible(&imported.from)))?;
        }
        output.line("these runs are imported: none can be accepted or signed as the result of a sample")?;
        Ok(Exit::Done)
    }
}
