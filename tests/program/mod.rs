//! What the tests through the public binary share.

use std::path::Path;
use std::process::{Command, Stdio};

/// The program with everything under `home`, and nothing of the caller's environment that could change its words.
pub(crate) fn dropwise(home: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_dropwise"));
    command.env("DROPWISE_HOME", home).env_remove("DROPWISE_RECORD").env("LC_ALL", "C.UTF-8");
    command.stdin(Stdio::null());
    command
}
