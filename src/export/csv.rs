//! One table as comma-separated values.

use super::text::{cell_text, number_text, time_text};
use super::{Error, Sink, Table, Value};
use std::io::Write;

/// Writes one table as CSV (RFC 4180) in UTF-8, with a line of names.
pub struct CsvSink<W: Write> {
    table: &'static Table,
    to: csv::Writer<W>,
    cell: String,
}

impl<W: Write> CsvSink<W> {
    /// Begins with the names of the columns.
    ///
    /// # Errors
    /// When they cannot be written.
    pub fn new(table: &'static Table, to: W) -> Result<Self, Error> {
        let mut to = csv::WriterBuilder::new().buffer_capacity(1 << 16).from_writer(to);
        to.write_record(table.columns.iter().map(|column| column.name)).map_err(plain)?;
        Ok(Self { table, to, cell: String::new() })
    }
}

fn plain(error: csv::Error) -> Error {
    Error::Rows(std::io::Error::other(error))
}

impl<W: Write> Sink for CsvSink<W> {
    fn takes(&self, table: &Table) -> bool {
        table == self.table
    }

    fn row(&mut self, _table: &'static Table, values: &[Value<'_>]) -> Result<(), Error> {
        for value in values {
            self.cell.clear();
            let written = match value {
                Value::Nothing => self.to.write_field(""),
                Value::Text(text) => self.to.write_field(&*cell_text(text)),
                Value::Integer(n) => {
                    self.cell += &n.to_string();
                    self.to.write_field(&self.cell)
                }
                Value::Number(x) => {
                    number_text(*x, &mut self.cell);
                    self.to.write_field(&self.cell)
                }
                Value::Time(utc_us) => {
                    time_text(*utc_us, &mut self.cell);
                    self.to.write_field(&self.cell)
                }
            };
            written.map_err(plain)?;
        }
        self.to.write_record(None::<&[u8]>).map_err(plain)
    }

    fn finish(mut self: Box<Self>) -> Result<(), Error> {
        Ok(self.to.flush()?)
    }
}
