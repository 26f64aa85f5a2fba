//! The command line.

use std::process::ExitCode;

/// Runs the program.
#[must_use]
pub fn run() -> ExitCode {
    ExitCode::SUCCESS
}
