//! `dropwise run`: one portion, in the dashboard or plain.

use super::worklist::{plans, titrate_all};
use crate::cli::attach::{attach_or_start, become_recorder, open_and_start, own_caller, simulator};
use crate::cli::bench::{BenchArgs, ReadyBench, procedure_text};
use crate::cli::output::{Output, complain};
use crate::cli::plain::{Plain, follow};
use crate::cli::screen::show;
use crate::cli::typed::{TypedArgs, check};
use crate::cli::{Exit, Fault, Settings};
use crate::link::RecordLock;
use crate::live::{RecorderOptions, Session};
use crate::work::{Event, LaneId, Procedure, Role, RunPlan};
use clap::Args;
use std::path::PathBuf;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

/// Arguments of `run`.
#[derive(Debug, Args)]
pub struct RunArgs {
    /// The procedure: a name that ships, or a procedure file; without one only the curve is kept
    #[arg(value_name = "PROCEDURE")]
    procedure: Option<String>,
    #[command(flatten)]
    bench: BenchArgs,
    #[command(flatten)]
    pub(super) portion: PortionArgs,
    /// Titrate what this list says, one portion after the other: CSV with sample, procedure and values (needs --plain)
    #[arg(long, value_name = "FILE.csv", requires = "plain", conflicts_with = "procedure")]
    worklist: Option<PathBuf>,
    /// With --worklist: a sample changer begins and ends each portion by marks in the line, nobody is asked
    #[arg(long, requires = "worklist")]
    unattended: bool,
    /// Print lines instead of the dashboard, for scripts, pipes and service units
    #[arg(long)]
    plain: bool,
    /// With --plain: one JSON object a line
    #[arg(long, requires = "plain")]
    json: bool,
}

/// What is titrated.
#[derive(Debug, Clone, Args)]
pub struct PortionArgs {
    /// The sample
    #[arg(long, default_value = "")]
    sample: String,
    /// Which portion of the sample
    #[arg(long, default_value_t = 1)]
    portion: u32,
    /// How many portions are planned
    #[arg(long, default_value_t = 1)]
    portions: u32,
    /// Mass of the portion in g
    #[arg(long, value_name = "G")]
    mass: Option<f64>,
    /// What the portion is for: sample, standardisation, blank or control
    #[arg(long = "as", value_name = "ROLE", default_value = "sample", value_parser = role)]
    role: Role,
    /// The series: samples, blanks and controls worked together; by default the procedure and today's date
    #[arg(long, value_name = "SERIES")]
    series: Option<String>,
    #[command(flatten)]
    typed: TypedArgs,
    /// Why it starts although a check or a factor is overdue
    #[arg(long, value_name = "WHY")]
    reason: Option<String>,
    /// End by itself when the titrant is this far (mL or g) past the last end-point looked for
    #[arg(long, value_name = "AMOUNT")]
    end_past: Option<f64>,
}

fn role(word: &str) -> Result<Role, String> {
    Role::parse(word).ok_or_else(|| "write sample, standardisation, blank or control".to_owned())
}

impl PortionArgs {
    /// The same portion, for something else and with a further lot.
    pub(super) fn becomes(&mut self, role: Role, lot: Option<(&str, &str)>) {
        self.role = role;
        self.typed.uses.extend(lot.map(|(kind, name)| (kind.to_owned(), name.to_owned())));
    }

    /// The plan of the run.
    #[must_use]
    pub fn plan(&self, procedure: String) -> RunPlan {
        RunPlan {
            procedure,
            sample: self.sample.clone(),
            portion: self.portion,
            portions: self.portions.max(self.portion),
            mass_g: self.mass,
            end_past: self.end_past,
            role: self.role,
            series: self.series.clone().unwrap_or_default(),
            values: self.typed.values.iter().cloned().collect(),
            uses: self.typed.uses.iter().cloned().collect(),
            reason: self.reason.clone(),
            warnings: Vec::new(),
            weighed: None,
        }
    }
}

impl RunArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the bench, the procedure, the record or the instrument cannot be used.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        if let Some(list) = &self.worklist {
            let plans = plans(list, &self.portion, settings)?;
            let bench = self.bench.ready(settings)?;
            return titrate_all(settings, bench, plans, self.unattended, self.json, output);
        }
        let procedure = procedure_text(self.procedure.as_deref(), settings)?;
        let plan = self.portion.plan(procedure);
        known_only(&plan)?;
        let bench = self.bench.ready(settings)?;
        if self.plain {
            plain(settings, bench, plan, self.json, output)
        } else {
            show(settings, Some((bench, Some(plan))), false)
        }
    }
}

/// Refuses a plan with values or things that its procedure does not know.
///
/// # Errors
/// Misuse, with every mistake.
pub(super) fn known_only(plan: &RunPlan) -> Result<(), Fault> {
    if plan.procedure.is_empty() {
        return Ok(());
    }
    let definition = |text: String| Fault { text, exit: Exit::Definition };
    let procedure = Procedure::read("of this run", &plan.procedure).map_err(definition)?;
    let mut values = plan.values.clone();
    procedure.name_the_mass(&mut values);
    check(&procedure, &values, &plan.uses)
}

/// One run in this process, or in the recorder that has the record already.
///
/// # Errors
/// When the record or the instrument cannot be used.
pub fn plain(
    settings: &Settings,
    bench: ReadyBench,
    plan: RunPlan,
    json: bool,
    output: &mut Output,
) -> Result<Exit, Fault> {
    let obey_stdin = bench.plan.lines.iter().all(|line| line.port != "stdin");
    let how = Plain { json, obey_stdin };
    with_bench(settings, bench, Some(plan), async |session, lane, seen| {
        follow(session, lane, seen, how, &mut signals(), output).await
    })
}

/// Opens a bench, in this process or in the recorder that has the record already, and does something with it.
///
/// # Errors
/// When the record or the instrument cannot be used, or what is done fails.
pub fn with_bench<T>(
    settings: &Settings,
    bench: ReadyBench,
    start: Option<RunPlan>,
    act: impl AsyncFnOnce(&mut Session, LaneId, Vec<Event>) -> Result<T, Fault>,
) -> Result<T, Fault> {
    runtime()?.block_on(async {
        if RecordLock::holder(&settings.record)?.is_some() {
            let mut session = attach_or_start(settings).await?;
            let (lane, seen) = open_and_start(&mut session, settings, bench, start).await?;
            return act(&mut session, lane, seen).await;
        }
        let options = RecorderOptions {
            ports_must_exist: true,
            simulator: Some(simulator),
            ..RecorderOptions::default()
        };
        let own = become_recorder(settings, options, false)?;
        let mut session = own.recorder.attach(own_caller(settings)).await;
        let done = match open_and_start(&mut session, settings, bench, start).await {
            Ok((lane, seen)) => act(&mut session, lane, seen).await,
            Err(fault) => Err(fault),
        };
        own.recorder.stop();
        drop(session);
        own.recorder.ended().await;
        drop(own.lock);
        done
    })
}

/// The runtime of a command that waits for things.
///
/// # Errors
/// When the system gives no threads.
pub fn runtime() -> Result<tokio::runtime::Runtime, Fault> {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().map_err(|e| Fault {
        text: format!("the program could not start its threads: {e}"),
        exit: Exit::OwnFault,
    })
}

/// What the system or a person told the process.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signal {
    /// Ctrl-C or a request to end.
    End,
    /// The terminal has gone.
    HangUp,
}

/// Yields each signal; the second request to end is answered in words.
#[must_use]
pub fn signals() -> mpsc::Receiver<Signal> {
    let (told, inbox) = mpsc::channel(4);
    let hooks =
        (signal(SignalKind::terminate()), signal(SignalKind::interrupt()), signal(SignalKind::hangup()));
    if let (Ok(mut terminate), Ok(mut interrupt), Ok(mut hangup)) = hooks {
        tokio::spawn(async move {
            let mut ends = 0;
            loop {
                let signal = tokio::select! {
                    _ = interrupt.recv() => Signal::End,
                    _ = terminate.recv() => Signal::End,
                    _ = hangup.recv() => Signal::HangUp,
                };
                ends += u32::from(signal == Signal::End);
                if ends > 1 {
                    complain("dropwise: ending; what was received is being saved");
                }
                if told.send(signal).await.is_err() {
                    return;
                }
            }
        });
    }
    inbox
}
