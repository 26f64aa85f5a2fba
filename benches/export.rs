//! Exports beside what the same libraries take for the same values alone.
//!
//!     cargo bench --bench export [-- RUNS POINTS]
//!
//! A record of RUNS runs (10 000) of POINTS points (100) each is exported to CSV and Parquet by the public binary, start of the program and
//! reading of the record included; then the same values, from memory, go through a bare writer of the same library.
//! `-- months RUNS POINTS FOLDER` only writes the files by month, for the queries of `src/push/README.md`.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench that cannot go on stops here, and prints"
)]

#[path = "../tests/stored/mod.rs"]
mod stored;

use parquet::basic::{Compression, ZstdLevel};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};
use stored::many_runs;

/// Rows in one group of the bare columnar writer: as many as the export takes.
const GROUP_ROWS: usize = 65_536;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let mut numbers = words.iter().filter_map(|word| word.parse::<u32>().ok());
    let (runs, points) = (numbers.next().unwrap_or(10_000), numbers.next().unwrap_or(100));
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let record = home.join("record.db");
    many_runs(&record, runs, points);
    let size = std::fs::metadata(&record).unwrap().len();
    println!("record      {runs} runs, {points} points each: {:.0} bytes a run", size as f64 / f64::from(runs));
    if let (Some("months"), Some(to)) = (words.first().map(String::as_str), words.last()) {
        let (took, peak) = export(home, &["--by-month", to]);
        println!("by month    {:.1} s; peak memory {} MiB", took.as_secs_f64(), peak / 1024);
        return;
    }
    let csv = home.join("points.csv");
    let (took, peak) = export(home, &["--what", "points", "-o", csv.to_str().unwrap()]);
    let values = read_back(&csv);
    let bare = bare_csv(&values, &home.join("bare.csv"));
    tell("CSV", took, peak, bare, &csv, values.len(), runs);
    let columns = home.join("points.parquet");
    let (took, peak) = export(home, &["--what", "points", "-o", columns.to_str().unwrap()]);
    let bare = bare_parquet(&values, &home.join("bare.parquet"));
    tell("Parquet", took, peak, bare, &columns, values.len(), runs);
    drop(values);
    let book = home.join("all.xlsx");
    let few: Vec<String> = (1..=runs.min(1_000)).map(|run| run.to_string()).collect();
    let mut arguments: Vec<&str> = few.iter().map(String::as_str).collect();
    arguments.extend(["-o", book.to_str().unwrap()]);
    let (took, peak) = export(home, &arguments);
    println!("XLSX        {} runs: {:.2} s; peak memory {} MiB", few.len(), took.as_secs_f64(), peak / 1024);
    let whole = home.join("whole.jsonl");
    let (took, peak) = export(home, &["--whole", "-o", whole.to_str().unwrap()]);
    let size = std::fs::metadata(&whole).unwrap().len() as f64 / f64::from(runs);
    println!("whole       {:.2} s, {size:.0} bytes a run; peak memory {} MiB", took.as_secs_f64(), peak / 1024);
}

fn tell(what: &str, took: Duration, peak: u64, bare: Duration, file: &Path, rows: usize, runs: u32) {
    let size = std::fs::metadata(file).unwrap().len() as f64 / f64::from(runs);
    let (took, bare) = (took.as_secs_f64(), bare.as_secs_f64());
    println!(
        "{what:<10}  {rows} points: {took:.2} s, {:.0} points/s; bare writer {bare:.2} s; {:.2} times as long; {size:.0} bytes a run; peak memory {} MiB",
        rows as f64 / took,
        took / bare,
        peak / 1024
    );
}

/// Exports by the public binary; gives the time and the most memory it had, in KiB.
fn export(home: &Path, arguments: &[&str]) -> (Duration, u64) {
    let began = Instant::now();
    let mut command = Command::new(env!("CARGO_BIN_EXE_dropwise"));
    command.env("DROPWISE_HOME", home).arg("export").args(arguments).stdin(Stdio::null()).stdout(Stdio::null());
    let mut child = command.spawn().unwrap();
    let mut peak = 0;
    loop {
        if let Some(status) = child.try_wait().unwrap() {
            assert!(status.success());
            return (began.elapsed(), peak);
        }
        let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap_or_default();
        let line = status.lines().find(|l| l.starts_with("VmHWM")).unwrap_or_default();
        peak = peak.max(line.split_whitespace().nth(1).and_then(|n| n.parse().ok()).unwrap_or(0));
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// The values of a row: texts, whole numbers, numbers.
struct Row {
    texts: Vec<String>,
    integers: [i64; 3],
    numbers: Vec<f64>,
}

const TEXTS: [&str; 7] = ["record", "origin", "bench", "sample", "procedure", "signal_quantity", "signal_unit"];
const NUMBERS: [&str; 4] = ["volume_ml", "signal", "temperature_degc", "time_s"];

fn read_back(path: &Path) -> Vec<Row> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let names = reader.headers().unwrap().clone();
    let at = |name: &str| names.iter().position(|n| n == name).unwrap();
    let (texts, numbers) = (TEXTS.map(at), NUMBERS.map(at));
    let (run, point, started) = (at("run"), at("point"), at("started"));
    reader
        .records()
        .map(|row| {
            let row = row.unwrap();
            let moment: jiff::Timestamp = row[started].parse().unwrap();
            Row {
                texts: texts.iter().map(|i| row[*i].to_owned()).collect(),
                integers: [row[run].parse().unwrap(), row[point].parse().unwrap(), moment.as_microsecond()],
                numbers: numbers.iter().map(|i| row[*i].parse().unwrap()).collect(),
            }
        })
        .collect()
}

fn bare_csv(values: &[Row], path: &Path) -> Duration {
    let began = Instant::now();
    let mut writer = csv::Writer::from_path(path).unwrap();
    for row in values {
        for text in &row.texts {
            writer.write_field(text).unwrap();
        }
        for n in row.integers {
            writer.write_field(n.to_string()).unwrap();
        }
        for x in &row.numbers {
            writer.write_field(x.to_string()).unwrap();
        }
        writer.write_record(None::<&[u8]>).unwrap();
    }
    writer.flush().unwrap();
    std::fs::File::open(path).unwrap().sync_all().unwrap();
    began.elapsed()
}

fn bare_parquet(values: &[Row], path: &Path) -> Duration {
    let began = Instant::now();
    let mut message = "message points {".to_owned();
    message += &TEXTS.map(|name| format!(" optional binary {name} (STRING);")).concat();
    message += " optional int64 run; optional int64 point; optional int64 started (TIMESTAMP(MICROS,true));";
    message += &NUMBERS.map(|name| format!(" optional double {name};")).concat();
    let schema = Arc::new(parse_message_type(&(message + " }")).unwrap());
    let mut properties =
        WriterProperties::builder().set_compression(Compression::ZSTD(ZstdLevel::try_new(3).unwrap()));
    for name in NUMBERS {
        properties = properties.set_column_dictionary_enabled(name.into(), false);
    }
    let file = std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    let mut writer = SerializedFileWriter::new(file, schema, Arc::new(properties.build())).unwrap();
    for rows in values.chunks(GROUP_ROWS) {
        let levels = vec![1_i16; rows.len()];
        let mut group = writer.next_row_group().unwrap();
        for i in 0..TEXTS.len() {
            let texts: Vec<ByteArray> = rows.iter().map(|row| ByteArray::from(row.texts[i].as_str())).collect();
            let mut column = group.next_column().unwrap().unwrap();
            column.typed::<ByteArrayType>().write_batch(&texts, Some(&levels), None).unwrap();
            column.close().unwrap();
        }
        for i in 0..3 {
            let integers: Vec<i64> = rows.iter().map(|row| row.integers[i]).collect();
            let mut column = group.next_column().unwrap().unwrap();
            column.typed::<Int64Type>().write_batch(&integers, Some(&levels), None).unwrap();
            column.close().unwrap();
        }
        for i in 0..NUMBERS.len() {
            let numbers: Vec<f64> = rows.iter().map(|row| row.numbers[i]).collect();
            let mut column = group.next_column().unwrap().unwrap();
            column.typed::<DoubleType>().write_batch(&numbers, Some(&levels), None).unwrap();
            column.close().unwrap();
        }
        group.close().unwrap();
    }
    writer.close().unwrap();
    std::fs::File::open(path).unwrap().sync_all().unwrap();
    began.elapsed()
}
