//! The command line as typed.

use super::command;
use clap::{Parser, Subcommand};

/// Data logger and live end-point detector for titration benches.
#[derive(Debug, Parser)]
#[command(name = "dropwise", version, about, max_term_width = 100, arg_required_else_help = true)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Find the end-points of curves in files: the watch point by point, then the final evaluation
    Evaluate(command::evaluate::Evaluate),
}
