//! All tables as Parquet files, one for each table and month: `points/month=2026-11/part.parquet`.

use super::{Error, ParquetSink, Placed, Sink, TABLES, Table, Value};
use crate::store::ExportedRun;
use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

type Open = (&'static Table, Placed, ParquetSink<BufWriter<File>>);

/// Writes the months one after the other; runs come in the order in which they began.
///
/// A month that is there already is written anew.
pub struct MonthSink {
    folder: PathBuf,
    only: Option<&'static Table>,
    month: String,
    open: Vec<Open>,
}

impl MonthSink {
    /// Writes below that folder: one table, or all.
    #[must_use]
    pub fn new(folder: &Path, only: Option<&'static Table>) -> Self {
        Self { folder: folder.to_owned(), only, month: String::new(), open: Vec::new() }
    }

    fn close(&mut self) -> Result<(), Error> {
        for (_, placed, sink) in self.open.drain(..) {
            sink.close()?;
            placed.place()?;
        }
        Ok(())
    }
}

impl Sink for MonthSink {
    fn begin(&mut self, run: &ExportedRun) -> Result<(), Error> {
        let started = jiff::Timestamp::from_microsecond(run.started_utc_us).unwrap_or_default();
        let month = started.strftime("%Y-%m").to_string();
        if month == self.month {
            return Ok(());
        }
        self.close()?;
        self.month = month;
        for table in TABLES.into_iter().filter(|table| self.only.is_none_or(|only| only == *table)) {
            let folder = self.folder.join(table.name).join(format!("month={}", self.month));
            std::fs::create_dir_all(&folder)
                .map_err(|source| Error::Write { path: folder.clone(), source })?;
            let placed = Placed::begin(&folder.join("part.parquet"), true)?;
            let sink = ParquetSink::new(table, placed.open()?)?;
            self.open.push((table, placed, sink));
        }
        Ok(())
    }

    fn takes(&self, table: &Table) -> bool {
        self.only.is_none_or(|only| only == table)
    }

    fn row(&mut self, table: &'static Table, values: &[Value<'_>]) -> Result<(), Error> {
        match self.open.iter_mut().find(|(open, ..)| *open == table) {
            Some((.., sink)) => sink.row(table, values),
            None => Ok(()),
        }
    }

    fn finish(mut self: Box<Self>) -> Result<(), Error> {
        self.close()
    }
}
