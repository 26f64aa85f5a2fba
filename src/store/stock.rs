//! What the record knows beside runs: equipment, factors, blanks, checks, results, series.

use super::{Datum, Error, Reader};
use crate::work::result::{PortionResult, SeriesPortion};
use crate::work::{
    BlankValue, Equipment, EquipmentKind, Factor, FitRecord, Kept, Origin, RunHead, RunId, StepRecord, Stock,
    kind,
};
use rusqlite::{OptionalExtension, Row};
use serde::de::DeserializeOwned;
use std::collections::BTreeSet;

/// One portion of a series with what it was.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredPortion {
    /// The sample.
    pub sample: String,
    /// Where its data came from.
    pub origin: Origin,
    /// What the run was at its start.
    pub head: RunHead,
    /// The portion.
    pub portion: SeriesPortion,
}

/// One series in a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeriesRow {
    /// Its name.
    pub series: String,
    /// Title of the procedure of its first run.
    pub title: String,
    /// How many runs were started.
    pub runs: u32,
    /// When the first began, microseconds since 1970 UTC.
    pub started_utc_us: i64,
}

impl Reader {
    /// Everything that a result may look up, as it holds now.
    ///
    /// # Errors
    /// What SQLite says, or a document that cannot be read.
    pub fn stock(&self) -> Result<Stock, Error> {
        let mut equipment = Vec::new();
        for kind in EquipmentKind::ALL {
            equipment.extend(self.parsed::<Equipment>(self.datums(kind.word())?)?);
        }
        let aside = self.set_aside_runs()?;
        let mut blanks: Vec<Kept<BlankValue>> = self.parsed(self.all_of_kind(kind::BLANK)?)?;
        // A choice of another evaluation makes a further version of a blank.
        let mut seen = BTreeSet::new();
        blanks.reverse();
        blanks.retain(|b| seen.insert((b.it.procedure.clone(), b.it.find.clone(), b.it.run)));
        blanks.reverse();
        for blank in &mut blanks {
            blank.it.set_aside |= aside.contains(&blank.it.run);
        }
        let mut factors: Vec<Kept<Factor>> = self.parsed(self.all_of_kind(kind::FACTOR)?)?;
        for factor in &mut factors {
            factor.it.origin = self.origin_of_datum(factor.datum, factor.it.origin);
        }
        Ok(Stock { equipment, factors, blanks, checks: self.parsed(self.all_of_kind(kind::CHECK)?)? })
    }

    fn set_aside_runs(&self) -> Result<BTreeSet<RunId>, Error> {
        let fail = self.fail();
        let mut statement = self.connection.prepare_cached("SELECT run_id FROM set_aside").map_err(&fail)?;
        let rows = statement.query_map([], |row| row.get(0)).map_err(&fail)?;
        rows.collect::<Result<_, _>>().map_err(&fail)
    }

    fn parsed<T: DeserializeOwned>(&self, rows: Vec<Datum>) -> Result<Vec<Kept<T>>, Error> {
        rows.into_iter()
            .map(|row| {
                let it = serde_json::from_str(&row.body).map_err(|e| Error::Foreign {
                    path: self.path.clone(),
                    why: format!("document {} ({} {}) cannot be read: {e}", row.id, row.kind, row.name),
                })?;
                Ok(Kept { datum: row.id, utc_us: row.utc_us, who: row.who, it })
            })
            .collect()
    }

    /// The result of a run as it holds, if it has one.
    ///
    /// # Errors
    /// What SQLite says, or a result that cannot be read.
    pub fn result(&self, run: RunId) -> Result<Option<Kept<PortionResult>>, Error> {
        let row = self.latest_datum(kind::RESULT, &format!("run {run}"))?;
        Ok(self.parsed(row.into_iter().collect())?.pop())
    }

    /// What was said about the steps of preparation and care of a series, the oldest first.
    ///
    /// # Errors
    /// What SQLite says, or a document that cannot be read.
    pub fn steps(&self, series: &str) -> Result<Vec<Kept<StepRecord>>, Error> {
        let mut steps: Vec<Kept<StepRecord>> = self.parsed(self.all_of_kind(kind::STEP)?)?;
        steps.retain(|kept| kept.it.series == series);
        Ok(steps)
    }

    /// What the fits of the latest runs found, at most `most`, the oldest first.
    ///
    /// # Errors
    /// What SQLite says, or a document that cannot be read.
    pub fn fits(&self, most: usize) -> Result<Vec<Kept<FitRecord>>, Error> {
        self.parsed(self.latest_of_kind(kind::FIT, most)?)
    }

    /// All portions of a series in the order in which they were started.
    ///
    /// # Errors
    /// What SQLite says, or a row that cannot be read.
    pub fn series(&self, series: &str) -> Result<Vec<StoredPortion>, Error> {
        self.portions("json_extract(head, '$.plan.series') = ?", series)
    }

    /// The portions of control samples worked by the procedure of that title, in the order in which they were started.
    ///
    /// # Errors
    /// As [`Self::series`].
    pub fn controls(&self, title: &str) -> Result<Vec<StoredPortion>, Error> {
        self.portions("run.title = ? AND json_extract(head, '$.plan.role') = 'control'", title)
    }

    /// Portions with their results as they hold, by one question.
    fn portions(&self, which: &str, value: &str) -> Result<Vec<StoredPortion>, Error> {
        let result = if self.is_sealed()? {
            "(SELECT body FROM datum WHERE kind = 'result' AND name = 'run ' || run.run_id
              ORDER BY datum_id DESC LIMIT 1)"
        } else {
            "NULL"
        };
        let sql = format!(
            "SELECT run.run_id, head, set_aside.reason, run_end.why, {result}
             FROM run LEFT JOIN set_aside USING (run_id) LEFT JOIN run_end USING (run_id)
             WHERE {which} ORDER BY run.run_id"
        );
        let fail = self.fail();
        let mut statement = self.connection.prepare_cached(&sql).map_err(&fail)?;
        let mut rows = statement.query([value]).map_err(&fail)?;
        let mut portions = Vec::new();
        while let Some(row) = rows.next().map_err(&fail)? {
            portions.push(self.portion(row).map_err(&fail)??);
        }
        Ok(portions)
    }

    /// One row of [`Self::portions`].
    fn portion(&self, row: &Row<'_>) -> rusqlite::Result<Result<StoredPortion, Error>> {
        let run: RunId = row.get(0)?;
        let (set_aside, ended): (Option<String>, Option<String>) = (row.get(2)?, row.get(3)?);
        let kept: Option<String> = row.get(4)?;
        let unreadable = |what: &str, e: serde_json::Error| Error::Foreign {
            path: self.path.clone(),
            why: format!("the {what} of run {run} cannot be read: {e}"),
        };
        let head = serde_json::from_str(&row.get::<_, String>(1)?).map_err(|e| unreadable("head", e));
        let result = match kept {
            Some(body) => serde_json::from_str(&body).map_err(|e| unreadable("result", e)),
            None => Ok(PortionResult {
                missing: vec!["the run has no result".to_owned()],
                ..PortionResult::default()
            }),
        };
        Ok(head.and_then(|mut head: RunHead| {
            head.origin = self.origin_of_run(run, head.origin);
            Ok(StoredPortion {
                sample: head.plan.sample.clone(),
                origin: head.origin,
                portion: SeriesPortion {
                    run,
                    portion: head.plan.portion,
                    role: head.plan.role,
                    set_aside,
                    going_on: ended.is_none(),
                    result: result?,
                },
                head,
            })
        }))
    }

    /// The series, the latest first, at most `most`.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn series_list(&self, most: usize) -> Result<Vec<SeriesRow>, Error> {
        let fail = self.fail();
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT json_extract(head, '$.plan.series') AS series, min(title), count(*), min(started_utc_us)
                 FROM run WHERE series IS NOT NULL AND series <> ''
                 GROUP BY series ORDER BY max(run_id) DESC LIMIT ?",
            )
            .map_err(&fail)?;
        let rows = statement
            .query_map([i64::try_from(most).unwrap_or(i64::MAX)], |row| {
                Ok(SeriesRow {
                    series: row.get(0)?,
                    title: row.get(1)?,
                    runs: row.get(2)?,
                    started_utc_us: row.get(3)?,
                })
            })
            .map_err(&fail)?;
        rows.collect::<Result<_, _>>().map_err(&fail)
    }

    /// How many portions of a sample were started in a series.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn started_in(&self, series: &str, sample: &str, role: &str) -> Result<u32, Error> {
        let count = self
            .connection
            .query_row(
                "SELECT count(*) FROM run WHERE json_extract(head, '$.plan.series') = ? AND sample = ?
                 AND coalesce(json_extract(head, '$.plan.role'), 'sample') = ?",
                [series, sample, role],
                |row| row.get(0),
            )
            .optional()
            .map_err(self.fail())?;
        Ok(count.unwrap_or(0))
    }
}
