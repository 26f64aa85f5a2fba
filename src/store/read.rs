//! Questions that are asked of a record.

use super::{Error, Imported, open_for_reading, text_hash};
use crate::detector::{Because, Change, EndPoint, WatchState};
use crate::reading::{Point, Stamp, Titrant};
use crate::work::{EarlierPortion, Origin, RunHead, RunId, VolumeMark};
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// A reading connection to a record; other programs may write meanwhile.
#[derive(Debug)]
pub struct Reader {
    pub(super) path: PathBuf,
    pub(super) connection: Connection,
    /// What was taken from another record, if this one began so.
    pub(super) imported: Option<Imported>,
}

/// One run in a list.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunRow {
    /// Its number.
    pub run: RunId,
    /// When it began, microseconds since 1970 UTC.
    pub started_utc_us: i64,
    /// Title of its procedure.
    pub title: String,
    /// The sample.
    pub sample: String,
    /// Which portion.
    pub portion: u32,
    /// Of how many planned.
    pub portions: u32,
    /// Where the data came from.
    pub origin: Origin,
    /// How the titrant is measured.
    pub titrant: Titrant,
    /// Why it ended; `None`: cut off or still going on.
    pub ended: Option<String>,
    /// Why it was set aside, if it was.
    pub set_aside: Option<String>,
    /// End-points of its reported evaluation with their standard uncertainties (mL or g).
    pub end_points: Vec<(f64, Option<f64>)>,
}

/// Everything kept of one run, but for the wire.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StoredRun {
    /// Its row in the list.
    pub row: RunRow,
    /// What it was at its start.
    pub head: RunHead,
    /// Who started it.
    pub who: String,
    /// The instruments it read.
    pub lines: Vec<StoredLine>,
    /// Points as they hold.
    pub points: Vec<Point>,
    /// Changes of the watch as they hold.
    pub changes: Vec<Change>,
    /// End-points.
    pub findings: Vec<EndPoint>,
    /// Warnings.
    pub warnings: Vec<String>,
    /// Text of the bench file.
    pub bench_text: String,
    /// Volumes told by a person, in their order, each with the chunk of the first instrument read by then.
    #[serde(skip)]
    pub marks: Vec<(VolumeMark, i64, Stamp)>,
    /// Notes with the seconds of the line at which they were made.
    pub notes: Vec<(f64, String)>,
    /// The reported evaluation: what points, changes, end-points and warnings are of; `None`: it has none.
    pub reckoning: Option<i64>,
}

/// One instrument that a run read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StoredLine {
    /// Number of its line.
    pub line_id: i64,
    /// Title of the instrument.
    pub instrument: String,
    /// The port.
    pub port: String,
    /// SHA-256 of the profile text.
    pub profile_hash: String,
    /// The first chunk of its wire that counts for the run.
    pub from_seq: i64,
    /// The last one; `None`: the run was cut off.
    pub to_seq: Option<i64>,
}

/// One chunk of the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WireChunk {
    /// Its number on the line.
    pub seq: i64,
    /// Whether it came from the instrument.
    pub incoming: bool,
    /// When.
    pub at: Stamp,
    /// The bytes.
    pub bytes: Vec<u8>,
}

/// Earlier portions are looked for among so many of the latest runs.
const LATEST_RUNS: usize = 40;

impl Reader {
    /// Opens the record at `path`.
    ///
    /// # Errors
    /// As [`open_for_reading`].
    pub fn open(path: &Path) -> Result<Self, Error> {
        let mut reader = Self { path: path.to_owned(), connection: open_for_reading(path)?, imported: None };
        reader.imported = reader.was_imported()?;
        Ok(reader)
    }

    pub(super) fn fail(&self) -> impl Fn(rusqlite::Error) -> Error + '_ {
        |source| Error::sqlite(&self.path, source)
    }

    /// The latest runs, newest first, at most `most`.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn runs(&self, most: usize) -> Result<Vec<RunRow>, Error> {
        let fail = self.fail();
        let mut statement = self
            .connection
            .prepare_cached(&format!("{RUN_ROW} ORDER BY run.run_id DESC LIMIT ?"))
            .map_err(&fail)?;
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        let rows = statement.query_map([most], |row| self.run_row(row)).map_err(&fail)?;
        let mut runs = rows.collect::<rusqlite::Result<Vec<_>>>().map_err(&fail)?;
        for run in &mut runs {
            run.end_points = self.end_points(run.run)?;
        }
        Ok(runs)
    }

    /// Whether a person has confirmed what a profile sends, for this bench.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn is_confirmed(&self, profile_text: &str, bench: &str) -> Result<bool, Error> {
        let hash = text_hash(profile_text);
        let sql = "SELECT count(*) FROM confirmation WHERE profile_hash = ? AND bench = ?";
        let count = self.connection.query_row(sql, params![hash, bench], |row| row.get::<_, i64>(0));
        count.map(|n| n > 0).map_err(self.fail())
    }

    /// First end-points of the earlier portions of a run's sample by its procedure, the latest first.
    ///
    /// Without a sample there are none; runs that were set aside or have no end-point do not count.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn earlier_portions(&self, head: &RunHead) -> Result<Vec<EarlierPortion>, Error> {
        let mut earlier = Vec::new();
        if head.plan.sample.trim().is_empty() {
            return Ok(earlier);
        }
        let fail = self.fail();
        for row in self.runs(LATEST_RUNS)? {
            let same = row.run < head.run && row.title == head.title && row.sample == head.plan.sample;
            let first = row.end_points.first().filter(|_| same && row.set_aside.is_none());
            let Some((end_point, _)) = first.copied() else { continue };
            let text: String = self
                .connection
                .query_row("SELECT head FROM run WHERE run_id = ?", [row.run], |r| r.get(0))
                .map_err(&fail)?;
            // A head of another version of the program is no earlier portion that could be trusted.
            let Ok(that) = serde_json::from_str::<RunHead>(&text) else { continue };
            if that.plan.procedure == head.plan.procedure && that.curve.titrant == head.curve.titrant {
                earlier.push(EarlierPortion { end_point, mass_g: that.plan.mass_g });
            }
        }
        Ok(earlier)
    }

    fn end_points(&self, run: RunId) -> Result<Vec<(f64, Option<f64>)>, Error> {
        let Some(reckoning) = self.reported(run)? else { return Ok(Vec::new()) };
        let sql = "SELECT titrant, u FROM finding WHERE reckoning_id = ? ORDER BY n";
        self.all(sql, reckoning, |row| Ok((row.get(0)?, row.get(1)?)))
    }

    /// Everything kept of one run.
    ///
    /// # Errors
    /// When there is no such run, or what SQLite says.
    pub fn run(&self, run: RunId) -> Result<StoredRun, Error> {
        let fail = self.fail();
        let row = self
            .connection
            .query_row(&format!("{RUN_ROW} WHERE run.run_id = ?"), [run], |row| self.run_row(row))
            .optional()
            .map_err(&fail)?;
        let Some(row) = row else { return Err(self.no_run(run)) };
        let (head, who): (String, String) = self
            .connection
            .query_row("SELECT head, who FROM run WHERE run_id = ?", [run], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .map_err(&fail)?;
        let mut head: RunHead = serde_json::from_str(&head).map_err(|e| Error::Foreign {
            path: self.path.clone(),
            why: format!("the head of run {run} cannot be read: {e}"),
        })?;
        head.origin = row.origin;
        let first = self.first_reckoning(run)?.unwrap_or(-1);
        let reckoning = self.reported(run)?;
        let id = reckoning.unwrap_or(-1);
        let mut stored = StoredRun {
            head,
            who,
            // What the run read and stood on; a later evaluation may read it with another profile.
            lines: self.lines(first)?,
            bench_text: self.bench_text(first)?,
            marks: self.marks(run)?,
            points: self.points(id)?,
            changes: self.changes(id)?,
            findings: self.findings(id)?,
            warnings: self
                .all("SELECT words FROM warning WHERE reckoning_id = ? ORDER BY n", id, |r| r.get(0))?,
            notes: self.all("SELECT elapsed_ns, words FROM note WHERE run_id = ? ORDER BY n", run, |r| {
                Ok((r.get::<_, i64>(0)? as f64 * 1e-9, r.get(1)?))
            })?,
            reckoning,
            row,
        };
        stored.row.end_points = stored.findings.iter().map(|f| (f.titrant, f.u)).collect();
        Ok(stored)
    }

    /// Why there is no such run.
    pub(super) fn no_run(&self, run: RunId) -> Error {
        match self.continued() {
            Ok(Some(older)) if (1..older.next.run).contains(&run) => {
                Error::LaidAway { run, archive: older.archive }
            }
            _ => Error::NoRun { run },
        }
    }

    pub(super) fn all<T>(
        &self,
        sql: &str,
        id: i64,
        read: impl Fn(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, Error> {
        let fail = self.fail();
        let mut statement = self.connection.prepare_cached(sql).map_err(&fail)?;
        let rows = statement.query_map([id], |row| read(row)).map_err(&fail)?;
        rows.collect::<rusqlite::Result<Vec<_>>>().map_err(&fail)
    }

    fn lines(&self, reckoning: i64) -> Result<Vec<StoredLine>, Error> {
        let sql = "SELECT line_id, instrument, port, profile_hash, reckoning_decoding.from_seq, to_seq
            FROM reckoning_decoding JOIN reckoning USING (reckoning_id)
            JOIN decoding USING (decoding_id) JOIN line USING (line_id)
            LEFT JOIN run_end_line USING (run_id, line_id)
            WHERE reckoning_id = ? ORDER BY line_id, decoding_id";
        self.all(sql, reckoning, |row| {
            Ok(StoredLine {
                line_id: row.get(0)?,
                instrument: row.get(1)?,
                port: row.get(2)?,
                profile_hash: row.get(3)?,
                from_seq: row.get(4)?,
                to_seq: row.get(5)?,
            })
        })
    }

    fn bench_text(&self, reckoning: i64) -> Result<String, Error> {
        let sql =
            "SELECT body FROM reckoning_decoding JOIN decoding USING (decoding_id) JOIN line USING (line_id)
            JOIN text ON text.hash = line.bench_hash WHERE reckoning_id = ? LIMIT 1";
        Ok(self.all(sql, reckoning, |row| row.get(0))?.pop().unwrap_or_default())
    }

    fn marks(&self, run: RunId) -> Result<Vec<(VolumeMark, i64, Stamp)>, Error> {
        let sql =
            "SELECT kind, reading_ml, elapsed_ns, utc_us, after_seq FROM mark WHERE run_id = ? ORDER BY n";
        self.all(sql, run, |row| {
            let reading_ml = row.get::<_, Option<f64>>(1)?.unwrap_or_default();
            let mark = match row.get::<_, String>(0)?.as_str() {
                "burette_start" => VolumeMark::BuretteStart { reading_ml },
                "correction" => VolumeMark::Correction { reading_ml },
                "step" => VolumeMark::Step,
                _ => VolumeMark::Burette { reading_ml },
            };
            let elapsed_ns = row.get::<_, i64>(2)?.try_into().unwrap_or(0);
            Ok((mark, row.get(4)?, Stamp { elapsed_ns, utc_us: row.get(3)? }))
        })
    }

    /// Every evaluation of a run, the first one first: its number and its end-points with their uncertainties.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn reckonings(&self, run: RunId) -> Result<Vec<(i64, Vec<EndPoint>)>, Error> {
        let sql = "SELECT reckoning_id FROM reckoning WHERE run_id = ? ORDER BY reckoning_id";
        let ids: Vec<i64> = self.all(sql, run, |row| row.get(0))?;
        ids.into_iter().map(|id| Ok((id, self.findings(id)?))).collect()
    }

    /// The text kept under a hash.
    ///
    /// # Errors
    /// What SQLite says, also when there is none.
    pub fn text(&self, hash: &str) -> Result<String, Error> {
        let sql = "SELECT body FROM text WHERE hash = ?";
        self.connection.query_row(sql, [hash], |row| row.get(0)).map_err(self.fail())
    }

    fn points(&self, reckoning: i64) -> Result<Vec<Point>, Error> {
        let sql =
            "SELECT titrant, signal, temperature_c, t_s FROM point WHERE reckoning_id = ?1 AND generation =
            (SELECT max(generation) FROM point WHERE reckoning_id = ?1) ORDER BY n";
        self.all(sql, reckoning, |row| {
            Ok(Point {
                titrant: row.get(0)?,
                signal: row.get(1)?,
                temperature_c: row.get(2)?,
                t_s: row.get(3)?,
            })
        })
    }

    fn changes(&self, reckoning: i64) -> Result<Vec<Change>, Error> {
        // The generation that holds is that of the points: a correction may leave the watch without any change.
        let sql = "SELECT point, titrant, state, find, end_point, u, what, figure, limit_value, points
            FROM watch_change WHERE reckoning_id = ?1 AND generation =
            (SELECT max(generation) FROM point WHERE reckoning_id = ?1) ORDER BY n";
        self.all(sql, reckoning, |row| {
            let state: String = row.get(2)?;
            Ok(Change {
                point: row.get::<_, i64>(0)?.try_into().unwrap_or(0),
                titrant: row.get(1)?,
                state: watch_state(&state),
                find: row.get(3)?,
                end_point: row.get(4)?,
                u: row.get(5)?,
                because: Because {
                    what: row.get(6)?,
                    figure: row.get::<_, Option<f64>>(7)?.unwrap_or(f64::NAN),
                    limit: row.get::<_, Option<f64>>(8)?.unwrap_or(f64::NAN),
                    points: row.get::<_, i64>(9)?.try_into().unwrap_or(0),
                },
            })
        })
    }

    pub(super) fn findings(&self, reckoning: i64) -> Result<Vec<EndPoint>, Error> {
        let sql = "SELECT titrant, u, signal, confirmed_at, confirmed_at_point, method
            FROM finding WHERE reckoning_id = ? ORDER BY n";
        self.all(sql, reckoning, |row| {
            Ok(EndPoint {
                titrant: row.get(0)?,
                u: row.get(1)?,
                signal: row.get(2)?,
                confirmed_at: row.get(3)?,
                confirmed_at_point: row.get::<_, Option<i64>>(4)?.and_then(|n| n.try_into().ok()),
                method: row.get(5)?,
            })
        })
    }

    /// The wire of a line, in order, handed to `take` chunk by chunk.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn wire(&self, line_id: i64, mut take: impl FnMut(WireChunk)) -> Result<(), Error> {
        let fail = self.fail();
        let sql = "SELECT direction, elapsed_ns, utc_us, bytes, seq FROM wire
            WHERE line_id = ? ORDER BY seq";
        let mut statement = self.connection.prepare_cached(sql).map_err(&fail)?;
        let mut rows = statement.query(params![line_id]).map_err(&fail)?;
        while let Some(row) = rows.next().map_err(&fail)? {
            let read = |row: &Row<'_>| -> rusqlite::Result<WireChunk> {
                Ok(WireChunk {
                    seq: row.get(4)?,
                    incoming: row.get::<_, String>(0)? == "in",
                    at: Stamp {
                        elapsed_ns: row.get::<_, i64>(1)?.try_into().unwrap_or(0),
                        utc_us: row.get(2)?,
                    },
                    bytes: row.get(3)?,
                })
            };
            take(read(row).map_err(&fail)?);
        }
        Ok(())
    }

    fn run_row(&self, row: &Row<'_>) -> rusqlite::Result<RunRow> {
        let run = row.get(0)?;
        Ok(RunRow {
            run,
            started_utc_us: row.get(1)?,
            title: row.get(2)?,
            sample: row.get(3)?,
            portion: row.get(4)?,
            portions: row.get(5)?,
            // The table's CHECK lets no other word in.
            origin: self
                .origin_of_run(run, Origin::parse(&row.get::<_, String>(6)?).unwrap_or(Origin::Imported)),
            titrant: match row.get::<_, Option<String>>(9)?.as_deref() {
                Some("mass") => Titrant::Mass,
                _ => Titrant::Volume,
            },
            ended: row.get(7)?,
            set_aside: row.get(8)?,
            end_points: Vec::new(),
        })
    }
}

const RUN_ROW: &str =
    "SELECT run.run_id, run.started_utc_us, run.title, run.sample, run.portion, run.portions,
    run.origin, run_end.why, set_aside.reason, json_extract(run.head, '$.curve.titrant')
    FROM run LEFT JOIN run_end USING (run_id) LEFT JOIN set_aside USING (run_id)";

/// The table's CHECK lets no other word in.
fn watch_state(word: &str) -> WatchState {
    [WatchState::Closing, WatchState::Turning, WatchState::Found, WatchState::Withdrawn]
        .into_iter()
        .find(|state| state.word() == word)
        .unwrap_or(WatchState::Far)
}
