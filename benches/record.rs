//! The record at its limits, beside what SQLite alone would take.
//!
//!     cargo bench --bench record [-- LINES RUNS]
//!
//! A capture of LINES lines (1 000 000) goes through the whole path to the disk, with the watch on; then the same rows go into
//! a bare SQLite file by prepared statements with the same durability and commits of the same size. What the path adds is
//! told by part: references and triggers of the schema, the writer with hashes and seals, the decoder. A record of RUNS runs
//! (100 000) is listed, shown and verified.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench that cannot go on stops here, and prints"
)]

use dropwise::detector::EndPoint;
use dropwise::profile::{Decoder, Profile};
use dropwise::reading::{CurveHead, Point, Quantity, Stamp, Titrant, Unit};
use dropwise::store::{
    Commit, Direction, Entry, LineRow, Reader, ReckoningRows, Writer, open_for_writing, verify,
};
use dropwise::work::{Origin, RunHead, RunPlan};
use rusqlite::types::Value;
use rusqlite::{Connection, TransactionBehavior, params_from_iter};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Rows in one commit of the bare inserts: as many as one commit of the recorder takes.
const GROUP: usize = 4_096;

/// Points of each run in the record of many runs.
const POINTS: usize = 20;

fn main() {
    // `cargo bench` passes --bench.
    let mut numbers = std::env::args().skip(1).filter_map(|a| a.parse::<usize>().ok());
    let (lines, runs) = (numbers.next().unwrap_or(1_000_000), numbers.next().unwrap_or(100_000));
    let folder = tempfile::tempdir_in(std::env::temp_dir()).unwrap();
    replay(folder.path(), lines);
    many_runs(folder.path(), runs);
}

fn program(home: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_dropwise"));
    command.env("DROPWISE_HOME", home).stdin(Stdio::null()).stdout(Stdio::null());
    command
}

fn replay(folder: &Path, lines: usize) {
    let capture = folder.join("long.txt");
    let mut file = std::io::BufWriter::new(std::fs::File::create(&capture).unwrap());
    for i in 0..lines {
        // Forty lines to a volume, as a meter that sends ten times a second beside a slow burette.
        let volume = (i / 40) as f64 * 40.0 / lines as f64;
        let ph =
            7.0 + 3.5 * ((volume - 27.0) * 4.0).tanh() + 0.003 * f64::from(u32::try_from(i % 7).unwrap());
        write!(file, "{volume:.3} mL, {ph:.3} pH, 24.9 C, S\r\n").unwrap();
    }
    file.flush().unwrap();
    drop(file);
    let began = Instant::now();
    let arguments = ["replay", "--profile", "demo-bench"];
    let mut child = program(folder).args(arguments).arg(&capture).spawn().unwrap();
    let mut peak_kib = 0;
    loop {
        if let Some(status) = child.try_wait().unwrap() {
            assert!(status.success());
            break;
        }
        peak_kib = peak_kib.max(peak(child.id()));
        std::thread::sleep(Duration::from_millis(20));
    }
    let whole = began.elapsed();
    let record = folder.join("record.db");
    let (rows, bare) = bare_inserts(&record, &folder.join("bare.db"), false);
    let (_, guarded) = bare_inserts(&record, &folder.join("guarded.db"), true);
    let (decoder, writer) = parts(&capture, &folder.join("parts.db"));
    let points: i64 = one(&record, "SELECT count(*) FROM point");
    println!(
        "replay      {lines} lines, {rows} rows, {points} points: {:.1} s, {:.0} lines/s, {:.0} rows/s; peak memory {} MiB",
        whole.as_secs_f64(),
        lines as f64 / whole.as_secs_f64(),
        rows as f64 / whole.as_secs_f64(),
        peak_kib / 1024
    );
    println!(
        "bare        the same {rows} rows: {:.1} s, {:.0} rows/s; the whole path takes {:.2} times as long",
        bare.as_secs_f64(),
        rows as f64 / bare.as_secs_f64(),
        whole.as_secs_f64() / bare.as_secs_f64()
    );
    let times = |part: Duration| part.as_secs_f64() / bare.as_secs_f64();
    println!(
        "by part     bare 1; with references and triggers {:.2}; the writer alone, with hashes and seals, {:.2}; the decoder alone {:.2}",
        times(guarded),
        times(writer),
        times(decoder)
    );
    let began = Instant::now();
    let report = verify(&record, None, &[], &|_, _| {}).unwrap();
    assert_eq!(report.faults, []);
    println!(
        "verify      {} rows: {:.2} s, {:.0} rows/s (hashes, structure, chain)",
        report.rows,
        began.elapsed().as_secs_f64(),
        report.rows as f64 / began.elapsed().as_secs_f64()
    );
}

fn one(record: &Path, sql: &str) -> i64 {
    Connection::open(record).unwrap().query_row(sql, [], |row| row.get(0)).unwrap()
}

fn peak(pid: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with("VmHWM")).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|n| n.parse().ok()).unwrap_or(0)
}

/// The rows of wire, readings and points, from memory into a file of the same tables without anything else; `guarded`: with
/// references and triggers, and the rows that are referred to.
fn bare_inserts(record: &Path, path: &Path, guarded: bool) -> (usize, Duration) {
    let source = Connection::open(record).unwrap();
    let mut target = if guarded { open_for_writing(path).unwrap() } else { Connection::open(path).unwrap() };
    target.pragma_update(None, "journal_mode", "WAL").unwrap();
    target.pragma_update(None, "synchronous", "FULL").unwrap();
    if guarded {
        target.execute("ATTACH ? AS source", [record.to_str().unwrap()]).unwrap();
        for table in ["text", "line", "decoding", "run", "reckoning"] {
            target.execute_batch(&format!("INSERT INTO {table} SELECT * FROM source.{table}")).unwrap();
        }
    }
    let (mut rows, mut took) = (0, Duration::ZERO);
    for table in ["wire", "reading", "point", "watch_change"] {
        let sql: String = source
            .query_row("SELECT sql FROM sqlite_schema WHERE name = ?", [table], |row| row.get(0))
            .unwrap();
        let without_references = sql
            .split(" REFERENCES ")
            .enumerate()
            .map(
                |(i, part)| {
                    if i == 0 { part.to_owned() } else { part[part.find(')').unwrap() + 1..].to_owned() }
                },
            )
            .collect::<String>();
        if !guarded {
            target.execute_batch(&without_references).unwrap();
        }
        let mut statement = source.prepare(&format!("SELECT * FROM {table}")).unwrap();
        let columns = statement.column_count();
        let insert = format!("INSERT INTO {table} VALUES ({})", vec!["?"; columns].join(", "));
        let mut found = statement.query([]).unwrap();
        loop {
            let mut group: Vec<Vec<Value>> = Vec::with_capacity(GROUP);
            while let Some(row) = if group.len() < GROUP { found.next().unwrap() } else { None } {
                group.push((0..columns).map(|i| row.get(i).unwrap()).collect());
            }
            if group.is_empty() {
                break;
            }
            rows += group.len();
            let began = Instant::now();
            let transaction = target.transaction_with_behavior(TransactionBehavior::Immediate).unwrap();
            {
                let mut insert = transaction.prepare_cached(&insert).unwrap();
                for row in &group {
                    insert.execute(params_from_iter(row)).unwrap();
                }
            }
            transaction.commit().unwrap();
            took += began.elapsed();
        }
    }
    (rows, took)
}

/// How long the decoder takes for the capture, and the writer for what comes of it; neither waits for the other.
fn parts(capture: &Path, path: &Path) -> (Duration, Duration) {
    let profile = Profile::shipped("demo-bench").unwrap();
    let text = profile.text.clone();
    let mut decoder = Decoder::new(Arc::new(profile));
    let (writer, thread, _) = Writer::start(path).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let (mut decoding, mut writing) = (Duration::ZERO, Duration::ZERO);
    let mut entries = vec![
        line(),
        Entry::Decoding { decoding_id: 1, line_id: 1, profile_text: text, from_seq: 0, utc_us: 1 },
    ];
    let bytes = bytes::Bytes::from(std::fs::read(capture).unwrap());
    let mut write = |entries: &mut Vec<Entry>| {
        let began = Instant::now();
        let answer = runtime.block_on(async { writer.write(std::mem::take(entries)).await.await });
        assert_eq!(answer, Ok(Commit::Saved));
        writing += began.elapsed();
    };
    for (seq, from) in (0..).zip((0..bytes.len()).step_by(4_096)) {
        let chunk = bytes.slice(from..bytes.len().min(from + 4_096));
        let at = Stamp { elapsed_ns: from as u64 * 1_000, utc_us: 1 };
        let mut decoded = Vec::new();
        let began = Instant::now();
        decoder.feed(at, &chunk, &mut decoded);
        decoding += began.elapsed();
        entries.push(Entry::Wire { line_id: 1, seq, direction: Direction::In, at, bytes: chunk });
        for one in decoded {
            let readings = (0..).zip(one.readings);
            entries.extend(readings.map(|(field, reading)| Entry::Reading {
                decoding_id: 1,
                field,
                wire_seq: seq,
                reading,
            }));
        }
        if entries.len() >= GROUP {
            write(&mut entries);
        }
    }
    write(&mut entries);
    drop(writer);
    assert_eq!(thread.finish(), None);
    (decoding, writing)
}

fn line() -> Entry {
    Entry::Line(Box::new(LineRow {
        line_id: 1,
        bench: "window bench".to_owned(),
        instrument: "meter".to_owned(),
        port: "/dev/ttyS9".to_owned(),
        origin: Origin::Serial,
        bench_text: "title = \"window bench\"".to_owned(),
        opened_utc_us: 1,
        utc_offset_s: 0,
    }))
}

fn many_runs(folder: &Path, runs: usize) {
    let home = folder.join("many");
    std::fs::create_dir(&home).unwrap();
    let record = home.join("record.db");
    let (writer, thread, _) = Writer::start(&record).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let began = Instant::now();
    runtime.block_on(async {
        let decoding = Entry::Decoding {
            decoding_id: 1,
            line_id: 1,
            profile_text: "title = \"meter\"".to_owned(),
            from_seq: 0,
            utc_us: 1,
        };
        writer.write_and_go_on(vec![line(), decoding]).await;
        for run in 1..=i64::try_from(runs).unwrap() {
            writer.write_and_go_on(one_run(run)).await;
        }
        assert_eq!(writer.write(Vec::new()).await.await, Ok(Commit::Saved));
    });
    drop(writer);
    assert_eq!(thread.finish(), None);
    println!("runs        {runs} runs of {POINTS} points written in {:.1} s", began.elapsed().as_secs_f64());
    let reader = Reader::open(&record).unwrap();
    let best = |what: &dyn Fn()| {
        (0..15)
            .map(|_| {
                let began = Instant::now();
                what();
                began.elapsed()
            })
            .min()
            .unwrap()
            .as_secs_f64()
            * 1e3
    };
    let middle = i64::try_from(runs / 2).unwrap();
    let list = best(&|| drop(reader.runs(50).unwrap()));
    let show = best(&|| drop(reader.run(middle).unwrap()));
    let list_command = best(&|| assert!(program(&home).arg("list").status().unwrap().success()));
    let number = middle.to_string();
    let show_command = best(&|| assert!(program(&home).args(["show", &number]).status().unwrap().success()));
    println!("list        {list:.2} ms; as a command {list_command:.1} ms");
    println!("show        {show:.2} ms; as a command {show_command:.1} ms");
    let began = Instant::now();
    let report = verify(&record, None, &[], &|_, _| {}).unwrap();
    assert_eq!(report.faults, []);
    println!(
        "verify      {} rows, {} of the ledger: {:.2} s, {:.0} rows/s",
        report.rows,
        report.ledger_rows,
        began.elapsed().as_secs_f64(),
        report.rows as f64 / began.elapsed().as_secs_f64()
    );
}

fn one_run(run: i64) -> Vec<Entry> {
    let at = Stamp { elapsed_ns: run.unsigned_abs() * 1_000_000_000, utc_us: 1_770_000_000_000_000 + run };
    let curve = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) };
    let plan = RunPlan { sample: format!("sample {run}"), portion: 1, portions: 1, ..RunPlan::default() };
    let head = RunHead {
        run,
        plan,
        title: "vinegar acidity".to_owned(),
        origin: Origin::Serial,
        curve,
        warn_before: 0.5,
        cautions: Vec::new(),
        expectation: dropwise::work::Expectation::default(),
        at,
    };
    let rows = ReckoningRows::new(run);
    let who = "bench7".to_owned();
    let mut entries = vec![
        Entry::Run { head: Box::new(head), who: who.clone() },
        Entry::Reckoning { reckoning_id: run, run, decodings: vec![(1, 0)], utc_us: at.utc_us },
    ];
    for n in 1..=POINTS {
        let titrant = n as f64 * 0.5;
        let point =
            Point { titrant, signal: 3.0 + titrant * 0.7, temperature_c: Some(24.9), t_s: Some(n as f64) };
        entries.push(rows.point(n, n as u64, point));
    }
    let end_point = EndPoint {
        titrant: 5.25,
        u: Some(0.004),
        signal: Some(8.2),
        confirmed_at: Some(6.0),
        confirmed_at_point: Some(12),
        method: "acid-base (weak)".to_owned(),
    };
    entries.extend(rows.result(&[end_point], &[]));
    entries.push(rows.reckoned(who.clone(), String::new(), None));
    entries.push(Entry::RunEnd { run, why: "ended by hand".to_owned(), lines: vec![(1, run)], at, who });
    entries
}
