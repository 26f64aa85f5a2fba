//! The dashboard on a recorder of its own.

use super::attach::{attach_or_start, open_and_start};
use super::bench::{ReadyBench, profile_text};
use super::command::run::runtime;
use super::{Exit, Fault, Settings};
use crate::dashboard::{self, Leave, ProfileReader, RunFate};
use crate::reading::Stamp;
use crate::store::{Reader, RunRow};
use crate::work::{Procedure, RunPlan};
use std::sync::Arc;

/// Runs listed on the screen of stored runs.
const RUNS_LISTED: usize = 1_000;

/// Opens a bench if one is named, starts a run if asked, and shows the dashboard until the operator leaves.
///
/// # Errors
/// When the recorder, the bench or the terminal cannot be used.
pub fn show(
    settings: &Settings,
    bench: Option<(ReadyBench, Option<RunPlan>)>,
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
        let mut options = dashboard::Options::from_environment();
        options.simulated = simulated;
        options.procedures = procedures();
        options.runs = stored_runs(settings)?;
        let own = settings.clone();
        let read =
            move |name: &str| profile_text(name, &own).map(|(_, text)| text).map_err(|fault| fault.text);
        options.profiles = ProfileReader(Arc::new(read));
        let leave = dashboard::show(session.commands, session.events, options)
            .await
            .map_err(|e| Fault::misuse(e.to_string()))?;
        if let Leave::RecorderLeft(why) = leave {
            return Err(Fault { text: format!("the recorder left: {why}"), exit: Exit::Record });
        }
        Ok(Exit::Done)
    })
}

/// The procedures that ship, for the form of the next portion.
fn procedures() -> Vec<dashboard::Procedure> {
    let shipped = Procedure::shipped_names().filter_map(|name| Some((name, Procedure::shipped(name)?)));
    let read = shipped.filter_map(|(name, text)| Some((text, Procedure::parse(name, text).ok()?)));
    read.map(|(text, procedure)| dashboard::Procedure {
        title: procedure.title,
        text: text.to_owned(),
        cautions: procedure.cautions,
    })
    .collect()
}

fn stored_runs(settings: &Settings) -> Result<Vec<dashboard::StoredRun>, Fault> {
    let runs = Reader::open(&settings.record)?.runs(RUNS_LISTED)?;
    Ok(runs.into_iter().map(stored_run).collect())
}

fn stored_run(row: RunRow) -> dashboard::StoredRun {
    let fate = match (row.set_aside, row.ended) {
        (Some(reason), _) => RunFate::SetAside(reason),
        (None, Some(why)) => RunFate::Ended(why),
        (None, None) => RunFate::Interrupted,
    };
    dashboard::StoredRun {
        run: row.run,
        at: Stamp { elapsed_ns: 0, utc_us: row.started_utc_us },
        title: row.title,
        sample: row.sample,
        portion: (row.portion, row.portions),
        origin: row.origin,
        titrant: row.titrant,
        end_points: row.end_points,
        fate,
    }
}
