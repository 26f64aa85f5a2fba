//! The dashboard on a recorder of its own.

use super::attach::{attach_or_start, open_and_start};
use super::bench::{ReadyBench, configured, profile_text};
use super::command::run::runtime;
use super::desk::OwnDesk;
use super::output::complain;
use super::{Exit, Fault, Settings};
use crate::dashboard::{self, DeskHandle, Leave, ProfileReader, RunFate};
use crate::live::Session;
use crate::reading::Stamp;
use crate::store::{Reader, RunRow};
use crate::work::{Event, Procedure, RunPlan};
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
    let bench_named = bench.is_some();
    runtime()?.block_on(async {
        if let Some((bench, start)) = bench {
            let mut session = attach_or_start(settings).await?;
            open_and_start(&mut session, settings, bench, start).await?;
        }
        let mut session = attach_or_start(settings).await?;
        let mut options = dashboard::Options::from_environment();
        if bench_named {
            options.notice = None;
        } else {
            options.notice = open_configured(&mut session, settings).await?;
            session = attach_or_start(settings).await?;
        }
        options.desk = DeskHandle(Arc::new(OwnDesk::new(settings.clone())));
        options.simulated = simulated;
        options.folder = std::env::current_dir().map(|here| here.display().to_string()).unwrap_or_default();
        options.procedures = procedures(settings);
        options.runs = stored_runs(settings)?;
        let own = settings.clone();
        let read =
            move |name: &str| profile_text(name, &own).map(|(_, text)| text).map_err(|fault| fault.text);
        options.profiles = ProfileReader(Arc::new(read));
        dress(settings, &mut options);
        let leave = dashboard::show(session.commands, session.events, options)
            .await
            .map_err(|e| Fault::misuse(e.to_string()))?;
        if let Leave::RecorderLeft(why) = leave {
            return Err(Fault { text: format!("the recorder left: {why}"), exit: Exit::Record });
        }
        Ok(Exit::Done)
    })
}

/// Opens the benches of the configuration where nothing is open yet; gives what is to be said about them.
async fn open_configured(session: &mut Session, settings: &Settings) -> Result<Option<String>, Fault> {
    let Some(Event::Snapshot { state }) = session.events.recv().await else { return Ok(None) };
    if !state.lanes.is_empty() {
        return Ok(None);
    }
    let mut said = None;
    for bench in configured(settings) {
        let opened = match bench {
            Ok(bench) => open_and_start(session, settings, bench, None).await.map(drop),
            Err(fault) => Err(fault),
        };
        if let Err(fault) = opened {
            said.get_or_insert(format!("a bench is not opened: {}", fault.text));
        }
    }
    Ok(said)
}

/// Colours and alarms as the theme file of the configuration says; its mistakes are told and change nothing.
fn dress(settings: &Settings, options: &mut dashboard::Options) {
    let path = settings.configuration.join("theme.toml");
    let Ok(text) = std::fs::read_to_string(&path) else { return };
    match dashboard::read_theme(&path.display().to_string(), &text) {
        Ok(screening) => {
            options.theme.palette = screening.palette;
            options.notify = screening.notify;
            options.bell = screening.bell;
            options.mouse = screening.mouse;
        }
        Err(mistakes) => {
            for mistake in &mistakes {
                complain(&mistake.to_string());
            }
            let first = mistakes.first().map_or(String::new(), |m| format!("line {}: {}", m.line, m.message));
            options.notice.get_or_insert(format!("theme.toml is not used: {first}"));
        }
    }
}

/// The procedures of the lab and those that ship, for the form of the next portion.
pub(super) fn procedures(settings: &Settings) -> Vec<dashboard::Procedure> {
    let mut texts: Vec<String> = std::fs::read_dir(settings.configuration.join("procedures"))
        .map(|folder| {
            let mut paths: Vec<_> = folder.filter_map(|entry| Some(entry.ok()?.path())).collect();
            paths.sort();
            paths
                .into_iter()
                .filter(|path| path.extension().is_some_and(|e| e == "toml"))
                .filter_map(|path| std::fs::read_to_string(path).ok())
                .collect()
        })
        .unwrap_or_default();
    texts.extend(Procedure::shipped_names().filter_map(Procedure::shipped).map(str::to_owned));
    let read = texts.into_iter().filter_map(|text| {
        let procedure = Procedure::parse("offered", &text).ok()?;
        Some(dashboard::Procedure { title: procedure.title, text, cautions: procedure.cautions })
    });
    read.collect()
}

pub(super) fn stored_runs(settings: &Settings) -> Result<Vec<dashboard::StoredRun>, Fault> {
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
