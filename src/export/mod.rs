//! What leaves the record as tables: results, portions, points; and how they are written.
//!
//! One description of the tables ([`TABLES`]) serves every format; rows pass one by one, so that no export is held in
//! memory. `README.md` beside this file says what the columns mean and what a large site needs.

mod csv;
mod error;
mod hand_out;
mod jsonl;
mod model;
mod months;
mod parquet;
mod place;
mod rows;
mod schema;
mod sheet;
mod text;

pub use csv::CsvSink;
pub use error::Error;
pub use hand_out::HandOut;
pub use jsonl::JsonSink;
pub use model::{Column, Kind, POINTS, PORTIONS, RESULTS, SCHEMA_VERSION, TABLES, Table, Value};
pub use months::MonthSink;
pub use parquet::ParquetSink;
pub use place::Placed;
pub use rows::{RecordName, export_run};
pub use schema::json_schema;
pub use sheet::SheetSink;
pub use text::{cell_text, json_text};

use crate::store::ExportedRun;

/// Takes the rows of the tables in the order of the runs.
pub trait Sink {
    /// The rows of this run follow.
    ///
    /// # Errors
    /// When a file cannot be begun.
    fn begin(&mut self, _run: &ExportedRun) -> Result<(), Error> {
        Ok(())
    }

    /// Whether it takes rows of this table.
    fn takes(&self, table: &Table) -> bool;

    /// The next row of a table: one value for each of its columns.
    ///
    /// # Errors
    /// When it cannot be written.
    fn row(&mut self, table: &'static Table, values: &[Value<'_>]) -> Result<(), Error>;

    /// All rows have come.
    ///
    /// # Errors
    /// When what is left cannot be written.
    fn finish(self: Box<Self>) -> Result<(), Error>;
}
