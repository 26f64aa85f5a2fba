//! One prepared statement for each kind of entry.

use super::entry::{Entry, LineRow, TextKind, text_hash};
use crate::detector::{Change, EndPoint};
use crate::reading::{Reading, Validity};
use crate::work::{RunHead, VolumeMark};
use rusqlite::{Connection, params};

/// Name and version of the program, written beside what it made.
const PROGRAM: &str = concat!("dropwise ", env!("CARGO_PKG_VERSION"));

const RECKONING_DECODING: &str = "INSERT INTO reckoning_decoding VALUES (?, ?, ?)";

/// Writes one entry within the transaction that is open on `connection`.
///
/// # Errors
/// What SQLite says.
pub(super) fn insert(connection: &Connection, entry: &Entry) -> rusqlite::Result<()> {
    let run = |sql: &str, values: &[&dyn rusqlite::ToSql]| {
        connection.prepare_cached(sql)?.execute(values).map(|_| ())
    };
    match entry {
        Entry::Line(row) => line(connection, row),
        Entry::LineEvent { line_id, n, at, what, words } => run(
            "INSERT INTO line_event VALUES (?, ?, ?, ?, ?, ?)",
            params![line_id, n, ns(at.elapsed_ns), at.utc_us, what, words],
        ),
        Entry::Wire { line_id, seq, direction, at, bytes } => run(
            "INSERT INTO wire VALUES (?, ?, ?, ?, ?, ?)",
            params![line_id, seq, direction.word(), ns(at.elapsed_ns), at.utc_us, &bytes[..]],
        ),
        Entry::Decoding { decoding_id, line_id, profile_text, from_seq, utc_us } => {
            let hash = text(connection, TextKind::Profile, profile_text)?;
            run(
                "INSERT INTO decoding VALUES (?, ?, ?, ?, ?)",
                params![decoding_id, line_id, hash, from_seq, utc_us],
            )
        }
        Entry::Confirmation { profile_text, bench, utc_us, who } => {
            let hash = text(connection, TextKind::Profile, profile_text)?;
            run("INSERT INTO confirmation VALUES (?, ?, ?, ?)", params![hash, bench, utc_us, who])
        }
        Entry::Reading { decoding_id, field, wire_seq, reading } => {
            insert_reading(connection, *decoding_id, *field, *wire_seq, reading)
        }
        Entry::Run { head, who } => insert_run(connection, head, who),
        Entry::Reckoning { reckoning_id, run: run_id, decodings, utc_us } => {
            run("INSERT INTO reckoning VALUES (?, ?, ?, ?)", params![reckoning_id, run_id, PROGRAM, utc_us])?;
            for (decoding_id, from_seq) in decodings {
                run(RECKONING_DECODING, params![reckoning_id, decoding_id, from_seq])?;
            }
            Ok(())
        }
        Entry::ReckoningDecoding { reckoning_id, decoding_id, from_seq } => {
            run(RECKONING_DECODING, params![reckoning_id, decoding_id, from_seq])
        }
        Entry::Mark { run: run_id, n, mark, after_seq, at, who } => {
            let (kind, reading_ml) = mark_columns(*mark);
            run(
                "INSERT INTO mark VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                params![run_id, n, kind, reading_ml, after_seq, ns(at.elapsed_ns), at.utc_us, who],
            )
        }
        Entry::Note { run: run_id, n, words, at, who } => run(
            "INSERT INTO note VALUES (?, ?, ?, ?, ?, ?)",
            params![run_id, n, words, ns(at.elapsed_ns), at.utc_us, who],
        ),
        Entry::Point { reckoning_id, generation, n, frame, point } => run(
            "INSERT INTO point VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            params![
                reckoning_id,
                generation,
                n,
                frame,
                point.titrant,
                point.signal,
                point.temperature_c,
                point.t_s
            ],
        ),
        Entry::Change { reckoning_id, generation, n, change } => {
            insert_change(connection, *reckoning_id, *generation, *n, change)
        }
        Entry::Finding { reckoning_id, n, end_point } => {
            insert_finding(connection, *reckoning_id, *n, end_point)
        }
        Entry::Warning { reckoning_id, n, words } => {
            run("INSERT INTO warning VALUES (?, ?, ?)", params![reckoning_id, n, words])
        }
        Entry::RunEnd { run: run_id, why, lines, at, who } => {
            for (line_id, to_seq) in lines {
                run("INSERT INTO run_end_line VALUES (?, ?, ?)", params![run_id, line_id, to_seq])?;
            }
            run(
                "INSERT INTO run_end VALUES (?, ?, ?, ?, ?)",
                params![run_id, why, ns(at.elapsed_ns), at.utc_us, who],
            )
        }
        Entry::SetAside { run: run_id, reason, utc_us, who } => {
            run("INSERT INTO set_aside VALUES (?, ?, ?, ?)", params![run_id, reason, utc_us, who])
        }
    }
}

/// SQLite's integers are signed; 292 years of nanoseconds fit.
fn ns(elapsed_ns: u64) -> i64 {
    i64::try_from(elapsed_ns).unwrap_or(i64::MAX)
}

/// Keeps a text once and gives its hash.
fn text(connection: &Connection, kind: TextKind, body: &str) -> rusqlite::Result<String> {
    let hash = text_hash(body);
    connection
        .prepare_cached(
            "INSERT INTO text SELECT ?1, ?2, ?3 WHERE NOT EXISTS (SELECT 1 FROM text WHERE hash = ?1)",
        )?
        .execute(params![hash, kind.word(), body])?;
    Ok(hash)
}

fn line(connection: &Connection, row: &LineRow) -> rusqlite::Result<()> {
    let hash = text(connection, TextKind::Bench, &row.bench_text)?;
    connection.prepare_cached("INSERT INTO line VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)")?.execute(params![
        row.line_id,
        row.bench,
        row.instrument,
        row.port,
        row.origin.word(),
        hash,
        row.opened_utc_us,
        row.utc_offset_s,
        PROGRAM
    ])?;
    Ok(())
}

fn insert_reading(
    connection: &Connection,
    decoding_id: i64,
    field: i64,
    wire_seq: i64,
    reading: &Reading,
) -> rusqlite::Result<()> {
    let not_valid = match &reading.validity {
        Validity::Valid => None,
        Validity::NotValid(reason) => Some(reason.as_str()),
    };
    connection.prepare_cached("INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")?.execute(
        params![
            decoding_id,
            ns(reading.frame),
            field,
            wire_seq,
            &*reading.channel,
            reading.quantity.name(),
            reading.value.filter(|v| v.is_finite()),
            reading.unit.symbol(),
            not_valid,
            reading.steady,
            ns(reading.at.elapsed_ns)
        ],
    )?;
    Ok(())
}

fn insert_run(connection: &Connection, head: &RunHead, who: &str) -> rusqlite::Result<()> {
    let procedure = match head.plan.procedure.as_str() {
        "" => None,
        body => Some(text(connection, TextKind::Procedure, body)?),
    };
    let json = serde_json::to_string(head).map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))?;
    connection.prepare_cached("INSERT INTO run VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")?.execute(
        params![
            head.run,
            head.origin.word(),
            procedure,
            head.title,
            head.plan.sample,
            head.plan.portion,
            head.plan.portions,
            head.plan.mass_g,
            json,
            ns(head.at.elapsed_ns),
            head.at.utc_us,
            who
        ],
    )?;
    Ok(())
}

fn mark_columns(mark: VolumeMark) -> (&'static str, Option<f64>) {
    match mark {
        VolumeMark::BuretteStart { reading_ml } => ("burette_start", Some(reading_ml)),
        VolumeMark::Burette { reading_ml } => ("burette", Some(reading_ml)),
        VolumeMark::Step => ("step", None),
        VolumeMark::Correction { reading_ml } => ("correction", Some(reading_ml)),
    }
}

fn insert_change(
    connection: &Connection,
    reckoning_id: i64,
    generation: i64,
    n: i64,
    change: &Change,
) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT INTO watch_change VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")?
        .execute(params![
            reckoning_id,
            generation,
            n,
            count(change.point),
            change.titrant,
            change.state.word(),
            change.find,
            change.end_point,
            change.u,
            change.because.what,
            change.because.figure,
            change.because.limit,
            count(change.because.points)
        ])?;
    Ok(())
}

fn insert_finding(
    connection: &Connection,
    reckoning_id: i64,
    n: i64,
    end_point: &EndPoint,
) -> rusqlite::Result<()> {
    connection.prepare_cached("INSERT INTO finding VALUES (?, ?, ?, ?, ?, ?, ?, ?)")?.execute(params![
        reckoning_id,
        n,
        end_point.titrant,
        end_point.u,
        end_point.signal,
        end_point.confirmed_at,
        end_point.confirmed_at_point.map(count),
        end_point.method
    ])?;
    Ok(())
}

fn count(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}
