//! Tables as JSON Lines: one object a row.

use super::text::{json_text, number_text, time_text};
use super::{Error, SCHEMA_VERSION, Sink, Table, Value};
use std::io::Write;

/// Writes rows as objects; each says its table and the version of the tables.
pub struct JsonSink<W: Write> {
    /// One table; `None`: all of them.
    only: Option<&'static Table>,
    to: W,
    line: String,
}

impl<W: Write> JsonSink<W> {
    /// Takes one table, or all.
    pub const fn new(only: Option<&'static Table>, to: W) -> Self {
        Self { only, to, line: String::new() }
    }
}

impl<W: Write> Sink for JsonSink<W> {
    fn takes(&self, table: &Table) -> bool {
        self.only.is_none_or(|only| only == table)
    }

    fn row(&mut self, table: &'static Table, values: &[Value<'_>]) -> Result<(), Error> {
        self.line.clear();
        self.line += "{\"table\":\"";
        self.line += table.name;
        self.line += "\",\"schema\":";
        self.line += &SCHEMA_VERSION.to_string();
        for (column, value) in table.columns.iter().zip(values) {
            self.line += ",\"";
            self.line += column.name;
            self.line += "\":";
            match value {
                Value::Nothing => self.line += "null",
                Value::Text(text) => json_text(text, &mut self.line),
                Value::Integer(n) => self.line += &n.to_string(),
                Value::Number(x) => number_text(*x, &mut self.line),
                Value::Time(utc_us) => {
                    self.line.push('"');
                    time_text(*utc_us, &mut self.line);
                    self.line.push('"');
                }
            }
        }
        self.line += "}\n";
        Ok(self.to.write_all(self.line.as_bytes())?)
    }

    fn finish(mut self: Box<Self>) -> Result<(), Error> {
        Ok(self.to.flush()?)
    }
}
