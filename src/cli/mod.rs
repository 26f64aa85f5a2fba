//! The command line.

pub mod args;
pub mod command;
pub mod curve_file;
mod exit;
mod fault;
pub mod output;

pub use args::{Args, Command};
pub use exit::Exit;
pub use fault::Fault;

use clap::Parser;
use output::{Output, complain};
use std::process::ExitCode;

/// Runs the program.
#[must_use]
pub fn run() -> ExitCode {
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(e) => {
            // Help and version come this way too; they go to standard output and are no misuse.
            let exit = if e.use_stderr() { Exit::Misuse } else { Exit::Done };
            drop(e.print());
            return exit.into();
        }
    };
    let mut output = Output::default();
    let done = match args.command {
        Command::Evaluate(evaluate) => evaluate.run(&mut output),
    };
    let exit = done.unwrap_or_else(|fault| {
        complain(&format!("dropwise: {fault}"));
        fault.exit
    });
    match output.flush() {
        Ok(()) => exit.into(),
        Err(e) => {
            complain(&format!("dropwise: standard output cannot be written: {e}; is the disk full?"));
            Exit::OwnFault.into()
        }
    }
}
