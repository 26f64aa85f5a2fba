//! The command line as typed.

use super::{command, settings::Places};
use clap::{Parser, Subcommand};

/// Data logger and live end-point detector for titration benches.
///
/// Without a command the dashboard opens on the recorder of the record; it starts one when none runs.
#[derive(Debug, Parser)]
#[command(name = "dropwise", version, max_term_width = 100)]
pub struct Args {
    /// Where things lie.
    #[command(flatten)]
    pub places: Places,
    /// What to do.
    #[command(subcommand)]
    pub command: Option<Command>,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Show a simulated bench: no hardware, no set-up
    Demo(command::demo::DemoArgs),
    /// Titrate one portion
    Run(command::run::RunArgs),
    /// List serial ports; --listen finds the settings of a line by listening
    Ports(command::ports::Ports),
    /// Keep what an instrument sends, with times, in a capture file
    Capture(command::capture::Capture),
    /// Put a capture through the whole path, or print its readings
    Replay(command::replay::ReplayArgs),
    /// Find the end-points of curves in files: the watch point by point, then the final evaluation
    Evaluate(command::evaluate::Evaluate),
    /// Check and explain profiles, and print their schema
    #[command(subcommand)]
    Profile(command::profile::ProfileCommand),
    /// Check, list and print procedures
    #[command(subcommand)]
    Procedure(command::procedure::ProcedureCommand),
    /// Rehearse a portion before anything is weighed: titrant, uncertainty, and what rules it
    Plan(command::plan::PlanArgs),
    /// Compute a result with its budget from typed values; nothing is kept
    Compute(command::compute::ComputeArgs),
    /// Enter and list what the lab measures with
    #[command(subcommand)]
    Equipment(command::equipment::EquipmentCommand),
    /// Check electrodes in buffers, list the checks
    #[command(subcommand)]
    Electrode(command::electrode::ElectrodeCommand),
    /// Standardise titrants, accept factors and list them
    #[command(subcommand)]
    Titrant(command::titrant::TitrantCommand),
    /// Titrate a blank
    Blank(command::titrant::BlankArgs),
    /// List series, judge one, accept what a sample came to
    Series(command::series::SeriesArgs),
    /// List the steps of preparation and care of a series; say which were done or skipped
    Steps(command::steps::StepsArgs),
    /// Show the control samples of a procedure on their chart
    Control(command::control::ControlArgs),
    /// Show what the fits of earlier runs say about electrode and solutions, and what has changed
    Trend(command::trend::TrendArgs),
    /// Write the report of a run, a series, a control chart, or a trend: text, PDF or HTML
    Report(command::report::ReportArgs),
    /// Set a stored run aside, with the reason; it stays in the record and in every list
    SetAside {
        /// The number of the run
        run: i64,
        /// Why
        #[arg(long)]
        reason: String,
    },
    /// List the runs in the record
    List(command::list::ListArgs),
    /// Show one run of the record
    Show(command::list::ShowArgs),
    /// Write runs as tables (CSV, JSON Lines, XLSX, Parquet), whole with everything, or for another system to pick up
    Export(command::export::ExportArgs),
    /// Bring a file of `export --whole` into an empty record
    Import(command::import::ImportArgs),
    /// Copy what the ledger tells of to a PostgreSQL database of many benches
    Push(command::push::PushArgs),
    /// Evaluate stored runs again from their wire; the first evaluation stays
    Reckon(command::reckon::ReckonArgs),
    /// Choose which reckoning of a run its results, series, reports and exports rest on
    Choose(command::choose::ChooseArgs),
    /// Ask for the hand on a run that somebody else steers, give it, or take it
    Hand(command::hand::HandArgs),
    /// Sign a reckoning with a key of your own, or make such a key
    Sign(command::sign::SignArgs),
    /// List what was decided since the last review, and sign that it was reviewed
    Review(command::review::ReviewArgs),
    /// Verify, copy, recover and archive the record
    #[command(subcommand)]
    Record(command::record::RecordCommand),
    /// Run the recorder in the foreground (service units); normally it is started for you
    Recorder(command::recorder::RecorderArgs),
    /// Print a completion script for a shell
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Print the manual page
    Man,
}
