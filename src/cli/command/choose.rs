//! `dropwise choose`: which evaluation of a run is the reported one.

use crate::cli::enter::enter;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::store::Reader;
use crate::work::choice;
use clap::Args;

/// Arguments of `choose`.
#[derive(Debug, Args)]
pub struct ChooseArgs {
    /// The number of the reckoning, as `dropwise show RUN` lists them
    reckoning: i64,
    /// Why this one is reported; the ledger keeps it
    #[arg(long)]
    why: String,
}

impl ChooseArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When there is no such reckoning, or it may not be chosen.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let reader = Reader::open(&settings.record)?;
        let kept = reader.reckoning(self.reckoning)?;
        let origin = reader.run(kept.run)?.row.origin;
        enter(settings, choice(kept.run, kept.id, origin, &self.why).map_err(Fault::misuse)?)?;
        output.line(&format!(
            "reckoning {} of run {} is the reported one from now on; the others stay",
            kept.id, kept.run
        ))?;
        if let Some(result) = reader.result(kept.run)? {
            for line in crate::cli::outcome::portion_lines(&result.it) {
                output.line(&visible(&line))?;
            }
        }
        Ok(Exit::Done)
    }
}
