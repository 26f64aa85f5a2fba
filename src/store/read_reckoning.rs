//! Questions about evaluations, and what is needed to make one again.

use super::{Error, LedgerRow, Reader};
use crate::detector::EndPoint;
use crate::work::{Reported, RunId, kind};
use rusqlite::OptionalExtension;
use serde::{Deserialize, Serialize};

/// With what an evaluation was made, where that differs from what the run began with.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct ReckoningSettings {
    /// SHA-256 of the text of its procedure; empty: none.
    pub procedure: String,
}

/// A decoding whose readings an evaluation takes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TakenDecoding {
    /// The decoding.
    pub decoding_id: i64,
    /// The line whose wire it reads.
    pub line_id: i64,
    /// SHA-256 of the profile text.
    pub profile_hash: String,
    /// The first chunk that counts for the run.
    pub from_seq: i64,
    /// The last one; `None`: the run was cut off.
    pub to_seq: Option<i64>,
}

/// One evaluation of a run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StoredReckoning {
    /// Its number.
    pub id: i64,
    /// The run.
    pub run: RunId,
    /// Name and version of the program that made it.
    pub program: String,
    /// When, microseconds since 1970 UTC.
    pub utc_us: i64,
    /// What it reads.
    pub decodings: Vec<TakenDecoding>,
    /// SHA-256 of its procedure's text; `None`: it had none.
    pub procedure_hash: Option<String>,
    /// Its row in the ledger; `None`: it was cut off, or an older program made it.
    pub ledger: Option<LedgerRow>,
    /// How many points its curve has.
    pub points: i64,
    /// Its end-points.
    pub findings: Vec<EndPoint>,
    /// Its warnings.
    pub warnings: Vec<String>,
}

/// Which evaluation of a run is the reported one by a person's choice.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Choice {
    /// The evaluation.
    pub reckoning: i64,
    /// Who chose it.
    pub who: String,
    /// When, microseconds since 1970 UTC.
    pub utc_us: i64,
    /// Local time minus UTC in seconds.
    pub utc_offset_s: i32,
    /// Why, as the ledger has it: the number of the evaluation goes before the words.
    pub why: String,
}

/// Kind of the documents that hold [`ReckoningSettings`]; they are named after their reckoning.
pub(super) const SETTINGS: &str = "settings";

impl Reader {
    /// One evaluation.
    ///
    /// # Errors
    /// When there is none of that number, or what SQLite says.
    pub fn reckoning(&self, id: i64) -> Result<StoredReckoning, Error> {
        let fail = self.fail();
        let sql = "SELECT run_id, program, reckoning.utc_us, procedure_hash,
            (SELECT count(*) FROM point WHERE point.reckoning_id = reckoning.reckoning_id AND generation =
                (SELECT max(generation) FROM point AS p WHERE p.reckoning_id = reckoning.reckoning_id))
            FROM reckoning JOIN run USING (run_id) WHERE reckoning_id = ?";
        let head = self
            .connection
            .query_row(sql, [id], |row| {
                Ok((
                    row.get::<_, i64>(0)?,
                    row.get::<_, String>(1)?,
                    row.get::<_, i64>(2)?,
                    row.get::<_, Option<String>>(3)?,
                    row.get::<_, i64>(4)?,
                ))
            })
            .optional()
            .map_err(&fail)?;
        let (run, program, utc_us, of_run, points) = head.ok_or(Error::NoReckoning { id })?;
        let subject = format!("reckoning {id}");
        let settings = self.latest_datum(SETTINGS, &subject)?;
        let settings: Option<ReckoningSettings> =
            settings.and_then(|datum| serde_json::from_str(&datum.body).ok());
        let procedure_hash = match settings {
            Some(settings) => Some(settings.procedure).filter(|hash| !hash.is_empty()),
            None => of_run,
        };
        Ok(StoredReckoning {
            id,
            run,
            program,
            utc_us,
            decodings: self.taken_decodings(id)?,
            procedure_hash,
            ledger: self.ledger_of(&subject)?.pop(),
            points,
            findings: self.findings(id)?,
            warnings: self
                .all("SELECT words FROM warning WHERE reckoning_id = ? ORDER BY n", id, |row| row.get(0))?,
        })
    }

    /// The reported evaluation of a run: the one that was chosen last, else the first; `None`: it has none.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn reported(&self, run: RunId) -> Result<Option<i64>, Error> {
        match self.choice_of_reckoning(run)? {
            Some(choice) => Ok(Some(choice.reckoning)),
            None => self.first_reckoning(run),
        }
    }

    /// The evaluation that the recorder made when the run ended.
    pub(super) fn first_reckoning(&self, run: RunId) -> Result<Option<i64>, Error> {
        let sql = "SELECT min(reckoning_id) FROM reckoning WHERE run_id = ?";
        self.connection.query_row(sql, [run], |row| row.get(0)).map_err(self.fail())
    }

    /// Which evaluation of a run somebody has chosen to be the reported one, if anybody has.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn choice_of_reckoning(&self, run: RunId) -> Result<Option<Choice>, Error> {
        let Some(datum) = self.latest_datum(kind::REPORTED, &format!("run {run}"))? else { return Ok(None) };
        // A choice that cannot be read is none; the verification tells of rows that were changed.
        let Ok(Reported { reckoning }) = serde_json::from_str(&datum.body) else { return Ok(None) };
        let why = self.ledger_of(&format!("datum {}", datum.id))?.pop().map(|row| row.why);
        Ok(Some(Choice {
            reckoning,
            who: datum.who,
            utc_us: datum.utc_us,
            utc_offset_s: datum.utc_offset_s,
            why: why.unwrap_or_default(),
        }))
    }

    /// Numbers of the evaluations of a run, the first one first.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn reckoning_ids(&self, run: RunId) -> Result<Vec<i64>, Error> {
        self.all("SELECT reckoning_id FROM reckoning WHERE run_id = ? ORDER BY reckoning_id", run, |row| {
            row.get(0)
        })
    }

    fn taken_decodings(&self, reckoning: i64) -> Result<Vec<TakenDecoding>, Error> {
        let sql = "SELECT decoding_id, line_id, profile_hash, reckoning_decoding.from_seq, to_seq
            FROM reckoning_decoding JOIN reckoning USING (reckoning_id)
            JOIN decoding USING (decoding_id) LEFT JOIN run_end_line USING (run_id, line_id)
            WHERE reckoning_id = ? ORDER BY line_id, decoding_id";
        self.all(sql, reckoning, |row| {
            Ok(TakenDecoding {
                decoding_id: row.get(0)?,
                line_id: row.get(1)?,
                profile_hash: row.get(2)?,
                from_seq: row.get(3)?,
                to_seq: row.get(4)?,
            })
        })
    }

    /// Runs that have ended, each with the line its first evaluation reads, in the order of their lines;
    /// those whose end stands in the ledger after row `after`, or all for 0.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn ended_runs(&self, after: i64) -> Result<Vec<(RunId, i64)>, Error> {
        let mut sql = "SELECT run_id, coalesce((SELECT min(line_id) FROM run_end_line AS l
            WHERE l.run_id = run_end.run_id), 0) AS line FROM run_end"
            .to_owned();
        if after > 0 {
            sql += " WHERE 'run ' || run_id IN (SELECT subject FROM ledger WHERE verb = 'end' AND n > ?1)";
        } else {
            sql += " WHERE ?1 = 0";
        }
        sql += " ORDER BY line, run_id";
        self.all(&sql, after, |row| Ok((row.get(0)?, row.get(1)?)))
    }

    /// When a line was opened again after it had gone, by its own clock in nanoseconds.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn reopenings(&self, line_id: i64) -> Result<Vec<u64>, Error> {
        let sql =
            "SELECT elapsed_ns FROM line_event WHERE line_id = ? AND what = 'opened' AND n > 0 ORDER BY n";
        self.all(sql, line_id, |row| Ok(row.get::<_, i64>(0)?.try_into().unwrap_or(0)))
    }
}
