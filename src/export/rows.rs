//! The rows of one run.

use super::model::HEAD;
use super::{Error, POINTS, PORTIONS, RESULTS, Sink, Table, Value};
use crate::reading::Titrant;
use crate::store::{ExportedRun, Reader};

/// Digits of the hash that names a record.
const DIGITS: usize = 16;

/// The name by which rows tell their record from others.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordName(String);

impl RecordName {
    /// The name of a record.
    ///
    /// # Errors
    /// What the record says.
    pub fn of(reader: &Reader) -> Result<Self, Error> {
        let mut name = reader.identity()?.unwrap_or_default();
        name.truncate(DIGITS);
        Ok(Self(name))
    }

    /// The name.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// Hands the rows of a run to the sink, which takes the tables that it wants; `false`: there is no such run.
///
/// # Errors
/// When the record cannot be read or the rows not be written.
pub fn export_run(
    reader: &Reader,
    record: &RecordName,
    run: i64,
    sink: &mut dyn Sink,
) -> Result<bool, Error> {
    let Some(run) = reader.exported(run)? else { return Ok(false) };
    sink.begin(&run)?;
    let head = head(record, &run);
    if sink.takes(&RESULTS) {
        results(&run, &head, sink)?;
    }
    if sink.takes(&PORTIONS) {
        portion(&run, &head, sink)?;
    }
    if sink.takes(&POINTS) {
        points(reader, record, &run, sink)?;
    }
    Ok(true)
}

/// The values of [`HEAD`].
fn head<'a>(record: &'a RecordName, run: &'a ExportedRun) -> [Value<'a>; HEAD.len()] {
    [
        Value::text(&record.0),
        Value::Integer(run.run),
        Value::Text(run.origin.word()),
        Value::Text(run.recorded_origin.word()),
        Value::text(&run.bench),
        Value::text(&run.series),
        Value::text(&run.sample),
        Value::Text(run.role.word()),
        Value::Integer(run.portion),
        Value::text(&run.title),
        Value::Time(run.started_utc_us),
        Value::Text(run.fate.word()),
        Value::some_text(run.set_aside.as_deref()),
    ]
}

fn put(
    sink: &mut dyn Sink,
    table: &'static Table,
    head: &[Value<'_>],
    own: &[Value<'_>],
) -> Result<(), Error> {
    sink.row(table, &[head, own].concat())
}

fn results(run: &ExportedRun, head: &[Value<'_>], sink: &mut dyn Sink) -> Result<(), Error> {
    for value in run.result.iter().flat_map(|kept| &kept.it.results) {
        let own = [
            Value::text(&value.name),
            Value::text(&value.unit),
            Value::number(value.value),
            Value::number(value.u),
            Value::number(value.k),
            Value::number(value.expanded),
            Value::number(value.coverage),
            Value::number(value.degrees),
            Value::text(&value.told),
            Value::text(&value.told_expanded),
            Value::some_text(value.incomplete.as_deref()),
        ];
        put(sink, &RESULTS, head, &own)?;
    }
    Ok(())
}

fn portion(run: &ExportedRun, head: &[Value<'_>], sink: &mut dyn Sink) -> Result<(), Error> {
    let first = run.findings.first();
    let by = |titrant: Titrant, x: Option<f64>| Value::number(x.filter(|_| run.curve.titrant == titrant));
    let missing = run.result.as_ref().map(|kept| kept.it.missing.join("; ")).unwrap_or_default();
    let own = [
        run.ended_utc_us.map_or(Value::Nothing, Value::Time),
        Value::some_text(run.ended.as_deref()),
        Value::text(&run.who),
        Value::text(&run.instruments),
        Value::Integer(run.portions),
        Value::number(run.mass_g),
        Value::some_text(run.procedure_hash.as_deref()),
        run.reckoning.map_or(Value::Nothing, Value::Integer),
        Value::some_text(run.program.as_deref()),
        Value::Integer(run.points),
        Value::Integer(i64::try_from(run.findings.len()).unwrap_or(i64::MAX)),
        by(Titrant::Volume, first.map(|f| f.titrant)),
        by(Titrant::Mass, first.map(|f| f.titrant)),
        by(Titrant::Volume, first.and_then(|f| f.u)),
        by(Titrant::Mass, first.and_then(|f| f.u)),
        Value::number(first.and_then(|f| f.signal)),
        Value::some_text(run.curve.signal.map(|(_, unit)| unit.symbol())),
        Value::some_text(first.map(|f| f.method.as_str())),
        Value::text(&missing),
    ];
    put(sink, &PORTIONS, head, &own)
}

fn points(reader: &Reader, record: &RecordName, run: &ExportedRun, sink: &mut dyn Sink) -> Result<(), Error> {
    let Some(reckoning) = run.reckoning else { return Ok(()) };
    let mut row = [Value::Nothing; POINTS.columns.len()];
    row[..7].copy_from_slice(&[
        Value::text(&record.0),
        Value::Integer(run.run),
        Value::Text(run.origin.word()),
        Value::text(&run.bench),
        Value::text(&run.sample),
        Value::text(&run.title),
        Value::Time(run.started_utc_us),
    ]);
    row[11] = Value::some_text(run.curve.signal.map(|(quantity, _)| quantity.name()));
    row[12] = Value::some_text(run.curve.signal.map(|(_, unit)| unit.symbol()));
    let titrant = if run.curve.titrant == Titrant::Volume { 8 } else { 9 };
    let mut failed = None;
    reader.each_point(reckoning, |n, point| {
        row[7] = Value::Integer(n);
        row[titrant] = Value::number(point.titrant);
        row[10] = Value::number(point.signal);
        row[13] = Value::number(point.temperature_c);
        row[14] = Value::number(point.t_s);
        failed = sink.row(&POINTS, &row).err();
        failed.is_none()
    })?;
    failed.map_or(Ok(()), Err)
}
