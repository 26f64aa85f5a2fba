//! Exit codes.

use std::process::ExitCode;

/// How the program ended, as a number that scripts may rely on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Exit {
    /// Done.
    Done = 0,
    /// Done, but a result lies outside its limits.
    OutsideLimits = 1,
    /// The command line, or a file that it names, cannot be used.
    Misuse = 2,
    /// A profile or a procedure cannot be used.
    Definition = 3,
    /// An instrument or its line failed.
    Instrument = 4,
    /// The record cannot be opened, or is not what it should be.
    Record = 5,
    /// A fault of the program itself.
    OwnFault = 70,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}
