//! `dropwise hand`: who steers a run.

use crate::cli::attach::own_recorder;
use crate::cli::command::run::runtime;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::work::{BenchState, Command, Event, HandWish, LaneId};
use clap::{Args, Subcommand};

/// Number of the one command that is sent.
const ONLY: u64 = 1;

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
            Wish::Take { why } => HandWish::Take { reason: why.clone() },
        };
        let refused = |text: String| Fault { text, exit: Exit::Record };
        runtime()?.block_on(async {
            let mut session = own_recorder(settings).await?;
            while let Some(event) = session.events.recv().await {
                match event {
                    Event::Snapshot { state } => {
                        let lane = self.lane(&state)?;
                        let command = Command::Hand { lane, wish: wish.clone() };
                        // A recorder that has gone shows as the end of the events.
                        let _gone = session.commands.send((ONLY, command)).await;
                    }
                    Event::Answer { id: ONLY, refused: why, .. } => {
                        return why.map_or(Ok(()), |why| Err(refused(why)));
                    }
                    _ => {}
                }
            }
            Err(refused("the recorder has gone".to_owned()))
        })?;
        let done = match self.wish {
            Wish::Ask => "asked; every screen of the bench shows it",
            Wish::Grant => "given",
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
