//! `dropwise export`: runs as tables, or whole.

mod target;
mod watch;
mod when;

use crate::cli::output::{Output, complain};
use crate::cli::progress::Progress;
use crate::cli::{Exit, Fault, Settings};
use crate::export::{Error, MonthSink, Placed, RecordName, Sink, export_run, json_schema};
use crate::store::{Fate, Reader, Selection, whole};
use crate::work::Procedure;
use clap::{Args, ValueEnum};
use std::io::Write;
use std::path::{Path, PathBuf};
use target::Target;
pub(in crate::cli) use target::{Format, What};
use when::{from_day, to_day};

impl From<Error> for Fault {
    fn from(error: Error) -> Self {
        let exit = match error {
            Error::Record(_) | Error::HandedOut { .. } => Exit::Record,
            Error::Write { .. } | Error::There { .. } => Exit::Misuse,
            _ => Exit::OwnFault,
        };
        Self { text: error.to_string(), exit }
    }
}

/// Arguments of `export`.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// Numbers of runs; without any all that the options leave
    runs: Vec<i64>,
    /// The file, a new one; its ending says the format; without one CSV and JSON Lines go to standard output
    #[arg(short = 'o', long = "output", value_name = "FILE")]
    to: Option<PathBuf>,
    /// The format
    #[arg(long, value_enum)]
    format: Option<Format>,
    /// The table, where the format holds one (CSV, Parquet: results unless said otherwise), or only this one
    #[arg(long, value_enum)]
    what: Option<What>,
    /// Runs that began then or later: 2026-11-01, or a moment as 2026-11-01T08:00:00Z
    #[arg(long, value_name = "WHEN", value_parser = from_day)]
    since: Option<i64>,
    /// Runs that began before this moment, or up to the end of this day
    #[arg(long, value_name = "WHEN", value_parser = to_day)]
    until: Option<i64>,
    /// Runs by this procedure: its name or its title
    #[arg(long)]
    procedure: Option<String>,
    /// Runs of this sample
    #[arg(long)]
    sample: Option<String>,
    /// Runs of this series
    #[arg(long)]
    series: Option<String>,
    /// Runs that are in this state
    #[arg(long, value_enum)]
    state: Option<State>,
    /// Write over a file that is there
    #[arg(long)]
    replace: bool,
    /// Everything that belongs to the runs (wire, texts, readings, ledger, seals), for `dropwise import`; without a
    /// selection the whole record with its chain
    #[arg(long, conflicts_with_all = ["format", "what", "by_month", "watch"])]
    whole: bool,
    /// Parquet files below this folder, one for each table and month; months that are there are written anew
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["format", "to", "watch"])]
    by_month: Option<PathBuf>,
    /// Stay, and write each run that has ended to a file of its own in this folder, once
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["to", "runs", "until"])]
    watch: Option<PathBuf>,
    /// With --watch: only what ends from now on
    #[arg(long, requires = "watch")]
    from_now: bool,
    /// Print the JSON Schema of the JSON Lines, which describes the tables of every format
    #[arg(long, conflicts_with_all = ["whole", "by_month", "watch", "to", "runs"])]
    schema: bool,
}

/// States as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum State {
    /// It goes on, or was cut off
    GoingOn,
    /// It has ended, and was neither set aside nor accepted
    Ended,
    /// A person set it aside
    SetAside,
    /// The result of its sample was accepted
    Accepted,
}

impl From<State> for Fate {
    fn from(state: State) -> Self {
        match state {
            State::GoingOn => Self::GoingOn,
            State::Ended => Self::Ended,
            State::SetAside => Self::SetAside,
            State::Accepted => Self::Accepted,
        }
    }
}

impl ExportArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the record cannot be read, a run is not there, or the file cannot be written.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        if self.schema {
            output.line(&format!("{:#}", json_schema()))?;
            return Ok(Exit::Done);
        }
        if self.whole {
            return self.whole(settings, output);
        }
        if let Some(folder) = &self.watch {
            return watch::watch(self, folder, settings, output);
        }
        let reader = Reader::open(&settings.record)?;
        if let Some(folder) = &self.by_month {
            let sink = Box::new(MonthSink::new(folder, self.what.map(What::table)));
            let runs = self.export(&reader, sink, settings)?;
            output.line(&format!("{runs} runs are written below {}", folder.display()))?;
            return Ok(Exit::Done);
        }
        let format = self.format()?;
        let Some(path) = &self.to else {
            let sink = target::standard(format, self.what, output)?;
            self.export(&reader, sink, settings)?;
            return Ok(Exit::Done);
        };
        let runs = reader.select(&self.selection(settings))?;
        let placed = Placed::begin(path, self.replace)?;
        let progress = Progress::new("runs");
        let total = runs.len() as u64;
        tables(&reader, &runs, (format, self.what), placed, |done| progress.tell(done, total))?;
        output.line(&format!("{total} runs are written to {}", path.display()))?;
        Ok(Exit::Done)
    }

    /// The format: as it was said, or by the ending of the file, or CSV.
    fn format(&self) -> Result<Format, Fault> {
        match (self.format, &self.to) {
            (Some(format), _) => Ok(format),
            (None, Some(path)) => Format::by_ending(path).ok_or_else(|| {
                Fault::misuse(format!(
                    "the ending of {} is none of csv, jsonl, xlsx, parquet; say --format",
                    path.display()
                ))
            }),
            (None, None) => Ok(Format::Csv),
        }
    }

    fn selection(&self, settings: &Settings) -> Selection {
        Selection {
            runs: self.runs.clone(),
            since_utc_us: self.since,
            until_utc_us: self.until,
            title: self.procedure.as_deref().map(|name| title_of(name, settings)),
            sample: self.sample.clone(),
            series: self.series.clone(),
            fate: self.state.map(Fate::from),
        }
    }

    fn export(
        &self,
        reader: &Reader,
        mut sink: Box<dyn Sink + '_>,
        settings: &Settings,
    ) -> Result<u64, Fault> {
        let runs = reader.select(&self.selection(settings))?;
        let progress = Progress::new("runs");
        let total = runs.len() as u64;
        rows(reader, &runs, &mut *sink, |done| progress.tell(done, total))?;
        sink.finish()?;
        Ok(total)
    }

    fn whole(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let selection = self.selection(settings);
        let runs = match selection == Selection::default() {
            true => None,
            false => Some(Reader::open(&settings.record)?.select(&selection)?),
        };
        let of = runs.as_ref().map_or("the whole record".to_owned(), |runs| format!("{} runs", runs.len()));
        let Some(path) = &self.to else {
            whole(&settings.record, runs.as_deref(), output)?;
            return Ok(Exit::Done);
        };
        let rows = whole_file(settings, runs.as_deref(), Placed::begin(path, self.replace)?)?;
        output.line(&format!("{of} with {rows} rows is written to {}", path.display()))?;
        if let Some(anchor) = Reader::open(&settings.record)?.anchor()? {
            output.line(&anchor.to_string())?;
        }
        Ok(Exit::Done)
    }
}

/// Hands the rows of runs over, one run after the other; `told` hears how many are done.
fn rows(reader: &Reader, runs: &[i64], sink: &mut dyn Sink, mut told: impl FnMut(u64)) -> Result<(), Fault> {
    let record = RecordName::of(reader)?;
    for (run, done) in runs.iter().zip(1..) {
        export_run(reader, &record, *run, sink)?;
        told(done);
    }
    Ok(())
}

/// Writes runs as tables to a file that is there whole or not at all; `told` hears how many are done.
///
/// # Errors
/// When the record cannot be read, or the file cannot be written.
pub(in crate::cli) fn tables(
    reader: &Reader,
    runs: &[i64],
    (format, what): (Format, Option<What>),
    placed: Placed,
    told: impl FnMut(u64),
) -> Result<(), Fault> {
    let Target { mut sink, placed } = Target::begin(format, what, placed)?;
    rows(reader, runs, &mut *sink, told)?;
    sink.finish()?;
    Ok(placed.map_or(Ok(()), Placed::place)?)
}

/// Writes everything that belongs to runs (without any, the whole record) to a file; gives the number of rows.
///
/// # Errors
/// When the record cannot be read, or the file cannot be written.
pub(in crate::cli) fn whole_file(
    settings: &Settings,
    runs: Option<&[i64]>,
    placed: Placed,
) -> Result<u64, Fault> {
    let mut file = placed.open()?;
    let rows = whole(&settings.record, runs, &mut file)?;
    file.flush()?;
    drop(file);
    placed.place()?;
    Ok(rows)
}

/// The title of a procedure that is named; a name that is none is a title.
fn title_of(name: &str, settings: &Settings) -> String {
    let text = Procedure::shipped(name)
        .map(str::to_owned)
        .or_else(|| settings.read_named("procedures", name).ok().map(|(_, text)| text));
    text.and_then(|text| Procedure::parse(name, &text).ok()).map_or_else(|| name.to_owned(), |it| it.title)
}

/// Says that something of less weight went wrong.
fn warn(path: &Path, what: &str) {
    complain(&format!("dropwise: {}: {what}", path.display()));
}
