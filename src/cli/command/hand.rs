//! `dropwise hand`: who steers a run.

use crate::cli::attach::{ask, own_recorder};
use crate::cli::command::run::runtime;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::work::{BenchState, Command, Event, HandWish, LaneId};
use clap::{Args, Subcommand};

/// Arguments of `hand`.
#[derive(Debug, Args)]
pub struct HandArgs {
    #[command(subcommand)]
    wish: Wish,
    /// The bench, where several are open
    #[arg(long, value_name = "TITLE", global = true)]
    bench: Option<String>,
}

/// What is wished.
#[derive(Debug, Clone, Subcommand)]
enum Wish {
    /// Ask whoever has the hand on the run
    Ask,
    /// Give it to who asked
    Grant,
    /// Keep it although somebody asked
    Keep,
    /// Take it, after having asked in vain for half a minute
    Take {
        /// Why
        #[arg(long)]
        why: String,
    },
}

impl HandArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When no recorder runs, or it refuses.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let wish = match &self.wish {
            Wish::Ask => HandWish::Ask,
            Wish::Grant => HandWish::Grant,
            Wish::Keep => HandWish::Keep,
            Wish::Take { why } => HandWish::Take { reason: why.clone() },
        };
        let gone = || Fault { text: "the recorder has gone".to_owned(), exit: Exit::Record };
        runtime()?.block_on(async {
            let mut session = own_recorder(settings).await?;
            let Some(Event::Snapshot { state }) = session.events.recv().await else { return Err(gone()) };
            let command = Command::Hand { lane: self.lane(&state)?, wish };
            let asked = ask(&mut session, settings, command, &mut Vec::new()).await;
            asked.map(drop).map_err(|fault| Fault { exit: Exit::Record, ..fault })
        })?;
        let done = match self.wish {
            Wish::Ask => "asked; every screen of the bench shows it",
            Wish::Grant => "given",
            Wish::Keep => "kept; every screen of the bench shows it",
            Wish::Take { .. } => "taken; it stands in the ledger with the reason",
        };
        output.line(done).map_err(|e| Fault {
            text: format!("the output cannot be written: {e}"),
            exit: Exit::OwnFault,
        })?;
        Ok(Exit::Done)
    }

    fn lane(&self, state: &BenchState) -> Result<LaneId, Fault> {
        let titles = || state.lanes.iter().map(|lane| lane.title.as_str()).collect::<Vec<_>>().join(", ");
        match (&self.bench, state.lanes.as_slice()) {
            (Some(title), lanes) => {
                lanes.iter().find(|lane| lane.title == *title).map(|lane| lane.id).ok_or_else(|| {
                    Fault::misuse(format!("no bench \"{title}\" is open; these are: {}", titles()))
                })
            }
            (None, [lane]) => Ok(lane.id),
            (None, []) => Err(Fault::misuse("no bench is open")),
            (None, _) => Err(Fault::misuse(format!("say which bench with --bench TITLE: {}", titles()))),
        }
    }
}
