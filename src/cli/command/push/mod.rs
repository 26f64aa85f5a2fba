//! `dropwise push`: what the ledger tells of goes to a database of many benches.

mod server;

use clap::Args;
use std::path::PathBuf;

/// Arguments of `push`.
#[derive(Debug, Args)]
pub struct PushArgs {
    /// The database: postgresql://USER@HOST/NAME, or "host=... user=... dbname=..."; the password comes from
    /// PGPASSWORD or the pass file, never from here
    #[arg(long, value_name = "DATABASE", env = "DROPWISE_PUSH")]
    pub(super) to: String,
    /// Certificate of who vouches for the server, PEM [default: ~/.postgresql/root.crt]
    #[arg(long, value_name = "FILE")]
    pub(super) root: Option<PathBuf>,
    /// Send without encryption over a network; within this machine that needs no word
    #[arg(long, conflicts_with = "root")]
    pub(super) unencrypted: bool,
    /// Make the tables, or bring them to this version; for their owner. --writer says who may add rows
    #[arg(long)]
    pub(super) prepare: bool,
    /// With --prepare: the role that pushes; it may add rows, and change or remove none
    #[arg(long, value_name = "ROLE", requires = "prepare")]
    pub(super) writer: Option<String>,
    /// Verify the chain of every bench in the database, and what it tells of
    #[arg(long, conflicts_with = "prepare")]
    pub(super) verify: bool,
    /// Try again, ever more rarely, until the database can be reached, and stay to push what comes
    #[arg(long, conflicts_with_all = ["prepare", "verify"])]
    pub(super) keep_trying: bool,
    /// One JSON object
    #[arg(long)]
    pub(super) json: bool,
}
