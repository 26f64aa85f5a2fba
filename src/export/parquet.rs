//! One table as a Parquet file: columns compressed by zstd, units and meanings in its metadata.

use super::{Error, Kind, SCHEMA_VERSION, Sink, Table, Value};
use parquet::basic::{Compression, ZstdLevel};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{WriterProperties, WriterPropertiesPtr};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use parquet::schema::types::{ColumnPath, TypePtr};
use serde_json::{Map, json};
use std::io::Write;
use std::sync::Arc;

/// Rows that are gathered before they are written: what an export holds in memory.
const GROUP_ROWS: usize = 65_536;

/// The values of one column of a group, and which rows have one.
enum Gathered {
    Texts(Vec<ByteArray>),
    Integers(Vec<i64>),
    Numbers(Vec<f64>),
}

/// Writes one table.
pub struct ParquetSink<W: Write + Send> {
    table: &'static Table,
    writer: SerializedFileWriter<W>,
    columns: Vec<(Gathered, Vec<i16>)>,
    rows: usize,
}

impl<W: Write + Send> ParquetSink<W> {
    /// Begins a file.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn new(table: &'static Table, to: W) -> Result<Self, Error> {
        let writer = SerializedFileWriter::new(to, parquet_schema(table)?, parquet_properties(table)?)?;
        let columns = table
            .columns
            .iter()
            .map(|column| {
                let gathered = match column.kind {
                    Kind::Text => Gathered::Texts(Vec::new()),
                    Kind::Integer | Kind::Time => Gathered::Integers(Vec::new()),
                    Kind::Number => Gathered::Numbers(Vec::new()),
                };
                (gathered, Vec::new())
            })
            .collect();
        Ok(Self { table, writer, columns, rows: 0 })
    }

    fn write_group(&mut self) -> Result<(), Error> {
        if self.rows == 0 {
            return Ok(());
        }
        let mut group = self.writer.next_row_group()?;
        for (gathered, levels) in &mut self.columns {
            let Some(mut column) = group.next_column()? else { break };
            match gathered {
                Gathered::Texts(values) => {
                    column.typed::<ByteArrayType>().write_batch(values, Some(levels), None)?;
                    values.clear();
                }
                Gathered::Integers(values) => {
                    column.typed::<Int64Type>().write_batch(values, Some(levels), None)?;
                    values.clear();
                }
                Gathered::Numbers(values) => {
                    column.typed::<DoubleType>().write_batch(values, Some(levels), None)?;
                    values.clear();
                }
            }
            levels.clear();
            column.close()?;
        }
        group.close()?;
        self.rows = 0;
        Ok(())
    }

    /// Writes what is left and the end of the file.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn close(mut self) -> Result<(), Error> {
        self.write_group()?;
        self.writer.close()?;
        Ok(())
    }
}

/// The columns, all of which may be without a value.
fn parquet_schema(table: &Table) -> Result<TypePtr, Error> {
    let mut message = format!("message {} {{", table.name);
    for column in table.columns {
        message += &match column.kind {
            Kind::Text => format!(" optional binary {} (STRING);", column.name),
            Kind::Integer => format!(" optional int64 {};", column.name),
            Kind::Number => format!(" optional double {};", column.name),
            Kind::Time => format!(" optional int64 {} (TIMESTAMP(MICROS,true));", column.name),
        };
    }
    Ok(Arc::new(parse_message_type(&(message + " }"))?))
}

fn parquet_properties(table: &Table) -> Result<WriterPropertiesPtr, Error> {
    let pairs = |of: fn(&super::Column) -> &'static str| {
        let known = table.columns.iter().filter(|column| !of(column).is_empty());
        json!(known.map(|column| (column.name.to_owned(), json!(of(column)))).collect::<Map<_, _>>()).to_string()
    };
    let metadata = vec![
        KeyValue::new("dropwise.schema".to_owned(), SCHEMA_VERSION.to_string()),
        KeyValue::new("dropwise.table".to_owned(), table.name.to_owned()),
        KeyValue::new("dropwise.units".to_owned(), pairs(|column| column.unit)),
        KeyValue::new("dropwise.meanings".to_owned(), pairs(|column| column.meaning)),
    ];
    let mut properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
        .set_created_by(concat!("dropwise ", env!("CARGO_PKG_VERSION")).to_owned())
        .set_key_value_metadata(Some(metadata));
    // Numbers rarely repeat; texts and run numbers nearly always do.
    for column in table.columns.iter().filter(|column| column.kind == Kind::Number) {
        properties = properties.set_column_dictionary_enabled(ColumnPath::from(column.name), false);
    }
    Ok(Arc::new(properties.build()))
}

impl<W: Write + Send> Sink for ParquetSink<W> {
    fn takes(&self, table: &Table) -> bool {
        table == self.table
    }

    fn row(&mut self, _table: &'static Table, values: &[Value<'_>]) -> Result<(), Error> {
        for ((gathered, levels), value) in self.columns.iter_mut().zip(values) {
            let level = match (gathered, value) {
                (Gathered::Texts(texts), Value::Text(text)) => {
                    // Most texts are those of the row before: they are shared, not copied.
                    let same = texts.last().filter(|last| last.data() == text.as_bytes()).cloned();
                    texts.push(same.unwrap_or_else(|| ByteArray::from(text.as_bytes().to_vec())));
                    1
                }
                (Gathered::Integers(integers), Value::Integer(n) | Value::Time(n)) => {
                    integers.push(*n);
                    1
                }
                (Gathered::Numbers(numbers), Value::Number(x)) => {
                    numbers.push(*x);
                    1
                }
                _ => 0,
            };
            levels.push(level);
        }
        self.rows += 1;
        if self.rows >= GROUP_ROWS { self.write_group() } else { Ok(()) }
    }

    fn finish(self: Box<Self>) -> Result<(), Error> {
        self.close()
    }
}
