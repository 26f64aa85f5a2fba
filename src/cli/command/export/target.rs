//! Formats, and where their rows go.

use crate::cli::Fault;
use crate::cli::output::Output;
use crate::export::{
    CsvSink, Error, JsonSink, POINTS, PORTIONS, ParquetSink, Placed, RESULTS, SheetSink, Sink, Table,
};
use clap::ValueEnum;
use std::path::Path;

/// Formats as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum Format {
    /// Comma-separated values, one table
    Csv,
    /// One JSON object a row
    Jsonl,
    /// A spreadsheet, a sheet for each table
    Xlsx,
    /// Columns for engines that read them, one table
    Parquet,
}

impl Format {
    pub(super) const fn ending(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Jsonl => "jsonl",
            Self::Xlsx => "xlsx",
            Self::Parquet => "parquet",
        }
    }

    pub(super) fn by_ending(path: &Path) -> Option<Self> {
        let ending = path.extension()?.to_str()?.to_ascii_lowercase();
        [Self::Csv, Self::Jsonl, Self::Xlsx, Self::Parquet]
            .into_iter()
            .find(|format| format.ending() == ending)
    }
}

/// Tables as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum What {
    /// One row for each result of a run
    Results,
    /// One row for each run
    Portions,
    /// One row for each point of the curves
    Points,
}

impl What {
    pub(super) const fn table(self) -> &'static Table {
        match self {
            Self::Results => &RESULTS,
            Self::Portions => &PORTIONS,
            Self::Points => &POINTS,
        }
    }
}

/// A file that is being written.
pub(super) struct Target {
    pub(super) sink: Box<dyn Sink>,
    /// Moved to its place when the sink has finished; a spreadsheet does so itself.
    pub(super) placed: Option<Placed>,
}

impl Target {
    /// Begins a file of that format.
    pub(super) fn begin(format: Format, what: Option<What>, placed: Placed) -> Result<Self, Error> {
        let one = what.map_or(&RESULTS, What::table);
        let only = what.map(What::table);
        let sink: Box<dyn Sink> = match format {
            Format::Xlsx => {
                return Ok(Self { sink: Box::new(SheetSink::new(placed, only)?), placed: None });
            }
            Format::Csv => Box::new(CsvSink::new(one, placed.open()?)?),
            Format::Jsonl => Box::new(JsonSink::new(only, placed.open()?)),
            Format::Parquet => Box::new(ParquetSink::new(one, placed.open()?)?),
        };
        Ok(Self { sink, placed: Some(placed) })
    }
}

/// Rows to standard output.
pub(super) fn standard<'a>(
    format: Format,
    what: Option<What>,
    output: &'a mut Output,
) -> Result<Box<dyn Sink + 'a>, Fault> {
    match format {
        Format::Csv => Ok(Box::new(CsvSink::new(what.map_or(&RESULTS, What::table), output)?)),
        Format::Jsonl => Ok(Box::new(JsonSink::new(what.map(What::table), output))),
        Format::Xlsx | Format::Parquet => Err(Fault::misuse(format!(
            "{} is not for a terminal; name a file with -o FILE.{}",
            format.ending(),
            format.ending()
        ))),
    }
}
