//! Runs as they leave the record: which, and what is told of each.

use super::{Error, Reader};
use crate::detector::EndPoint;
use crate::reading::{CurveHead, Point, Titrant};
use crate::work::result::PortionResult;
use crate::work::{Kept, Origin, Role, RunId, kind};
use rusqlite::types::Value;
use rusqlite::{OptionalExtension, params, params_from_iter};
use serde::Deserialize;

/// What became of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fate {
    /// It goes on, or was cut off.
    GoingOn,
    /// It has ended.
    Ended,
    /// A person set it aside.
    SetAside,
    /// The result of its sample was accepted after it had ended.
    Accepted,
}

impl Fate {
    /// The word in exports.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::GoingOn => "going on",
            Self::Ended => "ended",
            Self::SetAside => "set aside",
            Self::Accepted => "accepted",
        }
    }
}

/// Which runs; what is `None` or empty leaves all.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Selection {
    /// These numbers.
    pub runs: Vec<RunId>,
    /// Begun at this moment or later, microseconds since 1970 UTC.
    pub since_utc_us: Option<i64>,
    /// Begun before this moment.
    pub until_utc_us: Option<i64>,
    /// Title of the procedure.
    pub title: Option<String>,
    /// The sample.
    pub sample: Option<String>,
    /// The series.
    pub series: Option<String>,
    /// What became of them.
    pub fate: Option<Fate>,
}

/// One run as it is exported, without its points.
#[derive(Debug, Clone, PartialEq)]
pub struct ExportedRun {
    /// Its number.
    pub run: RunId,
    /// Where its data came from; what came with another record is imported.
    pub origin: Origin,
    /// Where its data came from when it was recorded.
    pub recorded_origin: Origin,
    /// Title of the bench.
    pub bench: String,
    /// Titles of the instruments.
    pub instruments: String,
    /// The series; empty: none.
    pub series: String,
    /// What the portion was for.
    pub role: Role,
    /// Title of the procedure.
    pub title: String,
    /// SHA-256 of the procedure's text.
    pub procedure_hash: Option<String>,
    /// The sample.
    pub sample: String,
    /// Which portion.
    pub portion: i64,
    /// Of how many planned.
    pub portions: i64,
    /// Mass in g.
    pub mass_g: Option<f64>,
    /// When it began, microseconds since 1970 UTC.
    pub started_utc_us: i64,
    /// When it ended.
    pub ended_utc_us: Option<i64>,
    /// Why it ended.
    pub ended: Option<String>,
    /// Why it was set aside.
    pub set_aside: Option<String>,
    /// What became of it.
    pub fate: Fate,
    /// Who began it.
    pub who: String,
    /// Its reported evaluation.
    pub reckoning: Option<i64>,
    /// The program that made that.
    pub program: Option<String>,
    /// What the numbers of its curve are.
    pub curve: CurveHead,
    /// The end-points of that evaluation.
    pub findings: Vec<EndPoint>,
    /// How many points it has.
    pub points: i64,
    /// The result that holds.
    pub result: Option<Kept<PortionResult>>,
}

/// What is needed of a run's head.
#[derive(Deserialize)]
struct Head {
    plan: Plan,
    curve: CurveHead,
}

#[derive(Deserialize)]
struct Plan {
    #[serde(default)]
    role: Role,
    #[serde(default)]
    series: String,
}

const ONE: &str =
    "SELECT run.run_id, run.origin, title, sample, portion, portions, mass_g, head, started_utc_us,
    run.who, procedure_hash, run_end.why, run_end.utc_us, set_aside.reason, reckoning_id, program
    FROM run LEFT JOIN run_end USING (run_id) LEFT JOIN set_aside USING (run_id)
    LEFT JOIN reckoning ON reckoning_id = ?2 WHERE run.run_id = ?1";

impl Reader {
    /// Numbers of the selected runs in the order in which they began.
    ///
    /// # Errors
    /// When a run that is named is not there, or what SQLite says.
    pub fn select(&self, selection: &Selection) -> Result<Vec<RunId>, Error> {
        let fail = self.fail();
        let mut sql =
            "SELECT run.run_id FROM run LEFT JOIN run_end USING (run_id) LEFT JOIN set_aside USING (run_id)
            WHERE 1 = 1"
                .to_owned();
        let mut values: Vec<Value> = Vec::new();
        let mut condition = |text: &str, value: Option<Value>| {
            if let Some(value) = value {
                sql += " AND ";
                sql += text;
                values.push(value);
            }
        };
        condition("started_utc_us >= ?", selection.since_utc_us.map(Value::Integer));
        condition("started_utc_us < ?", selection.until_utc_us.map(Value::Integer));
        condition("title = ?", selection.title.clone().map(Value::Text));
        condition("sample = ?", selection.sample.clone().map(Value::Text));
        condition("json_extract(head, '$.plan.series') = ?", selection.series.clone().map(Value::Text));
        match selection.fate {
            Some(Fate::GoingOn) => sql += " AND run_end.run_id IS NULL AND reason IS NULL",
            Some(Fate::Ended | Fate::Accepted) => sql += " AND run_end.run_id IS NOT NULL AND reason IS NULL",
            Some(Fate::SetAside) => sql += " AND reason IS NOT NULL",
            None => {}
        }
        sql += " ORDER BY started_utc_us, run.run_id";
        let mut statement = self.connection.prepare(&sql).map_err(&fail)?;
        let rows = statement.query_map(params_from_iter(&values), |row| row.get(0)).map_err(&fail)?;
        let mut runs = rows.collect::<rusqlite::Result<Vec<RunId>>>().map_err(&fail)?;
        if !selection.runs.is_empty() {
            for run in &selection.runs {
                let there = "SELECT count(*) FROM run WHERE run_id = ?";
                let n: i64 = self.connection.query_row(there, [run], |row| row.get(0)).map_err(&fail)?;
                if n == 0 {
                    return Err(self.no_run(*run));
                }
            }
            runs.retain(|run| selection.runs.contains(run));
        }
        if let Some(wanted @ (Fate::Ended | Fate::Accepted)) = selection.fate {
            let mut fitting = Vec::with_capacity(runs.len());
            for run in runs {
                if (wanted == Fate::Accepted) == self.exported(run)?.is_some_and(|r| r.fate == Fate::Accepted)
                {
                    fitting.push(run);
                }
            }
            runs = fitting;
        }
        Ok(runs)
    }

    /// What is exported of a run; `None`: there is no such run.
    ///
    /// # Errors
    /// What SQLite says, or a head or result that cannot be read.
    pub fn exported(&self, run: RunId) -> Result<Option<ExportedRun>, Error> {
        let fail = self.fail();
        let mut statement = self.connection.prepare_cached(ONE).map_err(&fail)?;
        let found = statement
            .query_row(params![run, self.reported(run)?], |row| {
                let head: String = row.get(7)?;
                let recorded = Origin::parse(&row.get::<_, String>(1)?).unwrap_or(Origin::Imported);
                let exported = ExportedRun {
                    run: row.get(0)?,
                    origin: self.origin_of_run(run, recorded),
                    recorded_origin: recorded,
                    bench: String::new(),
                    instruments: String::new(),
                    series: String::new(),
                    role: Role::default(),
                    title: row.get(2)?,
                    procedure_hash: row.get(10)?,
                    sample: row.get(3)?,
                    portion: row.get(4)?,
                    portions: row.get(5)?,
                    mass_g: row.get(6)?,
                    started_utc_us: row.get(8)?,
                    ended_utc_us: row.get(12)?,
                    ended: row.get(11)?,
                    set_aside: row.get(13)?,
                    fate: Fate::GoingOn,
                    who: row.get(9)?,
                    reckoning: row.get(14)?,
                    program: row.get(15)?,
                    curve: CurveHead { titrant: Titrant::Volume, signal: None },
                    findings: Vec::new(),
                    points: 0,
                    result: None,
                };
                Ok((exported, head))
            })
            .optional()
            .map_err(&fail)?;
        let Some((mut exported, head)) = found else { return Ok(None) };
        let head: Head = serde_json::from_str(&head).map_err(|e| Error::Foreign {
            path: self.path.clone(),
            why: format!("the head of run {run} cannot be read: {e}"),
        })?;
        exported.series = head.plan.series;
        exported.role = head.plan.role;
        exported.curve = head.curve;
        if let Some(reckoning) = exported.reckoning {
            let sql = "SELECT bench, instrument FROM reckoning_decoding JOIN decoding USING (decoding_id)
                JOIN line USING (line_id) WHERE reckoning_id = ? ORDER BY line_id";
            let lines: Vec<(String, String)> =
                self.all(sql, reckoning, |row| Ok((row.get(0)?, row.get(1)?)))?;
            let instruments: Vec<&str> = lines.iter().map(|(_, instrument)| instrument.as_str()).collect();
            exported.instruments = instruments.join("; ");
            exported.bench = lines.into_iter().next().map(|(bench, _)| bench).unwrap_or_default();
            exported.findings = self.findings(reckoning)?;
            let sql = "SELECT count(*) FROM point WHERE reckoning_id = ?1 AND generation =
                (SELECT max(generation) FROM point WHERE reckoning_id = ?1)";
            exported.points = self.all(sql, reckoning, |row| row.get(0))?.pop().unwrap_or(0);
        }
        exported.result = self.result(run)?;
        exported.fate = self.fate(&exported)?;
        Ok(Some(exported))
    }

    fn fate(&self, run: &ExportedRun) -> Result<Fate, Error> {
        let Some(ended) = run.ended_utc_us else {
            return Ok(if run.set_aside.is_some() { Fate::SetAside } else { Fate::GoingOn });
        };
        if run.set_aside.is_some() {
            return Ok(Fate::SetAside);
        }
        if run.series.is_empty() || run.role == Role::Blank {
            return Ok(Fate::Ended);
        }
        let name = format!("{} / {}", run.series, run.sample);
        let accepted = self.latest_datum(kind::ACCEPTED, &name)?;
        Ok(if accepted.is_some_and(|datum| datum.utc_us >= ended) { Fate::Accepted } else { Fate::Ended })
    }

    /// The points of an evaluation as they hold, one by one; `take` says whether to go on.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn each_point(&self, reckoning: i64, mut take: impl FnMut(i64, Point) -> bool) -> Result<(), Error> {
        let fail = self.fail();
        let sql = "SELECT n, titrant, signal, temperature_c, t_s FROM point WHERE reckoning_id = ?1 AND generation =
            (SELECT max(generation) FROM point WHERE reckoning_id = ?1) ORDER BY n";
        let mut statement = self.connection.prepare_cached(sql).map_err(&fail)?;
        let mut rows = statement.query([reckoning]).map_err(&fail)?;
        while let Some(row) = rows.next().map_err(&fail)? {
            let read = || -> rusqlite::Result<(i64, Point)> {
                let point = Point {
                    titrant: row.get(1)?,
                    signal: row.get(2)?,
                    temperature_c: row.get(3)?,
                    t_s: row.get(4)?,
                };
                Ok((row.get(0)?, point))
            };
            let (n, point) = read().map_err(&fail)?;
            if !take(n, point) {
                break;
            }
        }
        Ok(())
    }

    /// What tells this record from others: the hash of the first row of its ledger; `None` while that is empty.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn identity(&self) -> Result<Option<String>, Error> {
        Ok(self.sealed_rows("SELECT hash FROM ledger WHERE n = 1", [], |row| row.get(0))?.pop())
    }

    /// A number that changes whenever another program has committed to the record.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn data_version(&self) -> Result<i64, Error> {
        self.connection.pragma_query_value(None, "data_version", |row| row.get(0)).map_err(self.fail())
    }
}
