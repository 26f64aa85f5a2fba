//! The dashboard on a recorder of its own.

use super::attach::{attach_or_start, open_and_start};
use super::command::run::runtime;
use super::{Exit, Fault, Settings};
use crate::dashboard;
use crate::store::Reader;
use crate::work::{BenchPlan, RunPlan};

/// Runs listed on the screen of stored runs.
const RUNS_LISTED: usize = 1_000;

/// Opens a bench if one is named, starts a run if asked, and shows the dashboard until the operator leaves.
///
/// # Errors
/// When the recorder, the bench or the terminal cannot be used.
pub fn show(
    settings: &Settings,
    bench: Option<(BenchPlan, Option<RunPlan>)>,
    simulated: bool,
) -> Result<Exit, Fault> {
    use std::io::IsTerminal;
    if !std::io::stdout().is_terminal() {
        return Err(Fault::misuse(
            "the dashboard needs a terminal; use --plain for scripts and pipes (`dropwise run --plain`, `dropwise demo --plain`)",
        ));
    }
    runtime()?.block_on(async {
        if let Some((bench, start)) = bench {
            let mut session = attach_or_start(settings).await?;
            open_and_start(&mut session, bench, start).await?;
        }
        let session = attach_or_start(settings).await?;
        let record = settings.record.clone();
        todo_show(session, simulated, record).await
    })
}
