//! The rows of each kind of entry, and the decisions among them.

use super::entry::{Entry, LineRow, NewDatum, TextKind, text_hash};
use super::ledger::{Chain, Decision, utc_offset_s};
use super::read_reckoning::{ReckoningSettings, SETTINGS};
use super::seal::Sealing;
use super::table::{self, KeyPart, TABLES, Table, insert_row};
use crate::detector::{Change, EndPoint};
use crate::reading::{Reading, Validity};
use crate::work::{Origin, RECORDER, RunHead, VolumeMark};
use rusqlite::{CachedStatement, Connection, OptionalExtension, ToSql, params};

/// Name and version of the program, written beside what it made.
pub(super) const PROGRAM: &str = concat!("dropwise ", env!("CARGO_PKG_VERSION"));

/// One commit: rows, their seal, the ledger rows that tell of them.
pub(super) struct Writing<'a> {
    connection: &'a Connection,
    /// The statement that inserts a row, for each table that has had one.
    inserts: [Option<CachedStatement<'a>>; TABLES.len()],
    /// The key of the row that is being inserted: kept from row to row, of which there are millions.
    key: Vec<KeyPart>,
    sealing: Sealing,
    decisions: Vec<(Decision, i64)>,
}

impl<'a> Writing<'a> {
    /// Begins within the transaction that is open on `connection`.
    pub(super) fn new(connection: &'a Connection) -> Self {
        Self {
            connection,
            inserts: [const { None }; TABLES.len()],
            key: Vec::new(),
            sealing: Sealing::default(),
            decisions: Vec::new(),
        }
    }

    /// Seals the rows and appends the decisions to the ledger; gives the chain as it stands then.
    pub(super) fn finish(self, chain: &Chain) -> rusqlite::Result<Chain> {
        let seal = self.sealing.finish(self.connection, chain.seal)?;
        let mut chain = Chain { seal, ..chain.clone() };
        for (decision, utc_us) in &self.decisions {
            chain.append(self.connection, decision, *utc_us)?;
        }
        Ok(chain)
    }

    /// Notes a decision that was taken at that time.
    pub(super) fn decide(&mut self, decision: Decision, utc_us: i64) {
        self.decisions.push((decision, utc_us));
    }

    /// Inserts a row as it comes from another record.
    pub(super) fn row(&mut self, table: &'static Table, values: &[&dyn ToSql]) -> rusqlite::Result<()> {
        let insert = match &mut self.inserts[table.at] {
            Some(insert) => insert,
            none => none.insert(self.connection.prepare_cached(table.sql().0)?),
        };
        let hash = insert_row(insert, table, values, &mut self.key)?;
        self.sealing.add(table, &self.key, hash);
        Ok(())
    }

    /// Writes one entry that was handed over at `came_utc_us`.
    ///
    /// # Errors
    /// What SQLite says.
    pub(super) fn entry(&mut self, entry: &Entry, came_utc_us: i64) -> rusqlite::Result<()> {
        let mut decide = |who: &str, verb: &str, subject: String, why: &str| {
            let decision =
                Decision { who: who.to_owned(), verb: verb.to_owned(), subject, why: why.to_owned() };
            self.decisions.push((decision, came_utc_us));
        };
        match entry {
            Entry::Line(row) => self.line(row),
            Entry::LineEvent { line_id, n, at, what, words } => {
                self.row(&table::LINE_EVENT, params![line_id, n, ns(at.elapsed_ns), at.utc_us, what, words])
            }
            Entry::Wire { line_id, seq, direction, at, bytes } => self.row(
                &table::WIRE,
                params![line_id, seq, direction.word(), ns(at.elapsed_ns), at.utc_us, &bytes[..]],
            ),
            Entry::Decoding { decoding_id, line_id, profile_text, from_seq, utc_us } => {
                let hash = self.text(TextKind::Profile, profile_text)?;
                self.row(&table::DECODING, params![decoding_id, line_id, hash, from_seq, utc_us])
            }
            Entry::Confirmation { profile_text, bench, utc_us, who } => {
                let hash = text_hash(profile_text);
                decide(who, "confirm sending", format!("confirmation {hash} {bench}"), "");
                self.text(TextKind::Profile, profile_text)?;
                self.row(&table::CONFIRMATION, params![hash, bench, utc_us, who])
            }
            Entry::Reading { decoding_id, field, wire_seq, reading } => {
                self.reading(*decoding_id, *field, *wire_seq, reading)
            }
            Entry::Run { head, who } => {
                decide(who, "begin", format!("run {}", head.run), "");
                self.run(head, who)
            }
            Entry::Reckoning { reckoning_id, run, decodings, utc_us } => {
                self.row(&table::RECKONING, params![reckoning_id, run, PROGRAM, utc_us])?;
                for (decoding_id, from_seq) in decodings {
                    self.row(&table::RECKONING_DECODING, params![reckoning_id, decoding_id, from_seq])?;
                }
                Ok(())
            }
            Entry::ReckoningDecoding { reckoning_id, decoding_id, from_seq } => {
                self.row(&table::RECKONING_DECODING, params![reckoning_id, decoding_id, from_seq])
            }
            Entry::Reckoned { reckoning_id, who, why, procedure } => {
                let subject = format!("reckoning {reckoning_id}");
                decide(who, "reckon", subject.clone(), why);
                match procedure {
                    Some(procedure) => self.settings(subject, procedure, who, came_utc_us),
                    None => Ok(()),
                }
            }
            Entry::Mark { run, n, mark, after_seq, at, who } => {
                if matches!(mark, VolumeMark::Correction { .. }) {
                    decide(who, "correct", format!("mark {run}/{n}"), "");
                }
                let (kind, reading_ml) = mark_columns(*mark);
                self.row(
                    &table::MARK,
                    params![run, n, kind, reading_ml, after_seq, ns(at.elapsed_ns), at.utc_us, who],
                )
            }
            Entry::Note { run, n, words, at, who } => {
                self.row(&table::NOTE, params![run, n, words, ns(at.elapsed_ns), at.utc_us, who])
            }
            Entry::Point { reckoning_id, generation, n, frame, point } => self.row(
                &table::POINT,
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
                self.change(*reckoning_id, *generation, *n, change)
            }
            Entry::Finding { reckoning_id, n, end_point } => self.finding(*reckoning_id, *n, end_point),
            Entry::Warning { reckoning_id, n, words } => {
                self.row(&table::WARNING, params![reckoning_id, n, words])
            }
            Entry::RunEnd { run, why, lines, at, who } => {
                decide(who, "end", format!("run {run}"), why);
                for (line_id, to_seq) in lines {
                    self.row(&table::RUN_END_LINE, params![run, line_id, to_seq])?;
                }
                self.row(&table::RUN_END, params![run, why, ns(at.elapsed_ns), at.utc_us, who])
            }
            Entry::SetAside { run, reason, utc_us, who } => {
                decide(who, "set aside", format!("run {run}"), reason);
                self.row(&table::SET_ASIDE, params![run, reason, utc_us, who])
            }
            Entry::Decided { who, verb, subject, why } => {
                decide(who, verb, subject.clone(), why);
                Ok(())
            }
            Entry::Datum(datum) => self.datum(datum, came_utc_us),
            Entry::Closed => self.closed(came_utc_us),
        }
    }

    /// Keeps a text once and gives its hash.
    fn text(&mut self, kind: TextKind, body: &str) -> rusqlite::Result<String> {
        let hash = text_hash(body);
        let there: Option<i64> = self
            .connection
            .prepare_cached("SELECT 1 FROM text WHERE hash = ?")?
            .query_row([&hash], |row| row.get(0))
            .optional()?;
        if there.is_none() {
            self.row(&table::TEXT, params![hash, kind.word(), body])?;
        }
        Ok(hash)
    }

    fn line(&mut self, row: &LineRow) -> rusqlite::Result<()> {
        let hash = self.text(TextKind::Bench, &row.bench_text)?;
        self.row(
            &table::LINE,
            params![
                row.line_id,
                row.bench,
                row.instrument,
                row.port,
                row.origin.word(),
                hash,
                row.opened_utc_us,
                row.utc_offset_s,
                PROGRAM
            ],
        )
    }

    fn reading(
        &mut self,
        decoding_id: i64,
        field: i64,
        wire_seq: i64,
        reading: &Reading,
    ) -> rusqlite::Result<()> {
        let not_valid = match &reading.validity {
            Validity::Valid => None,
            Validity::NotValid(reason) => Some(reason.as_str()),
        };
        self.row(
            &table::READING,
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
        )
    }

    fn run(&mut self, head: &RunHead, who: &str) -> rusqlite::Result<()> {
        let procedure = match head.plan.procedure.as_str() {
            "" => None,
            body => Some(self.text(TextKind::Procedure, body)?),
        };
        let json =
            serde_json::to_string(head).map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))?;
        self.row(
            &table::RUN,
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
        )
    }

    fn change(
        &mut self,
        reckoning_id: i64,
        generation: i64,
        n: i64,
        change: &Change,
    ) -> rusqlite::Result<()> {
        self.row(
            &table::WATCH_CHANGE,
            params![
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
            ],
        )
    }

    fn finding(&mut self, reckoning_id: i64, n: i64, end_point: &EndPoint) -> rusqlite::Result<()> {
        self.row(
            &table::FINDING,
            params![
                reckoning_id,
                n,
                end_point.titrant,
                end_point.u,
                end_point.signal,
                end_point.confirmed_at,
                end_point.confirmed_at_point.map(count),
                end_point.method
            ],
        )
    }

    /// Keeps with what an evaluation was made, where that is not what the run began with.
    fn settings(
        &mut self,
        reckoning: String,
        procedure: &str,
        who: &str,
        utc_us: i64,
    ) -> rusqlite::Result<()> {
        let procedure = match procedure {
            "" => String::new(),
            body => self.text(TextKind::Procedure, body)?,
        };
        let body = serde_json::to_string(&ReckoningSettings { procedure })
            .map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))?;
        let datum = NewDatum {
            kind: SETTINGS.to_owned(),
            name: reckoning,
            body,
            utc_us,
            who: who.to_owned(),
            origin: Origin::Keyed,
            verb: "choose".to_owned(),
            why: String::new(),
        };
        self.datum(&datum, utc_us)
    }

    fn datum(&mut self, datum: &NewDatum, came_utc_us: i64) -> rusqlite::Result<()> {
        let sql = "SELECT coalesce(max(datum_id), 0) + 1 FROM datum";
        let id: i64 = self.connection.prepare_cached(sql)?.query_row([], |row| row.get(0))?;
        self.row(
            &table::DATUM,
            params![
                id,
                datum.kind,
                datum.name,
                datum.body,
                datum.utc_us,
                utc_offset_s(datum.utc_us),
                datum.who,
                datum.origin.word()
            ],
        )?;
        let NewDatum { who, verb, why, .. } = datum.clone();
        self.decide(Decision { who, verb, subject: format!("datum {id}"), why }, came_utc_us);
        Ok(())
    }

    /// The ledger takes in the seals made since its last row, so that an anchor covers them.
    fn closed(&mut self, came_utc_us: i64) -> rusqlite::Result<()> {
        let covered = "SELECT coalesce((SELECT max(n) FROM seal), 0) =
            coalesce((SELECT seal_n FROM ledger ORDER BY n DESC LIMIT 1), 0)";
        if !self.connection.query_row(covered, [], |row| row.get::<_, bool>(0))? {
            let decision = Decision {
                who: RECORDER.to_owned(),
                verb: "close".to_owned(),
                subject: "record".to_owned(),
                why: String::new(),
            };
            self.decide(decision, came_utc_us);
        }
        Ok(())
    }
}

/// SQLite's integers are signed; 292 years of nanoseconds fit.
fn ns(elapsed_ns: u64) -> i64 {
    i64::try_from(elapsed_ns).unwrap_or(i64::MAX)
}

fn mark_columns(mark: VolumeMark) -> (&'static str, Option<f64>) {
    match mark {
        VolumeMark::BuretteStart { reading_ml } => ("burette_start", Some(reading_ml)),
        VolumeMark::Burette { reading_ml } => ("burette", Some(reading_ml)),
        VolumeMark::Step => ("step", None),
        VolumeMark::Correction { reading_ml } => ("correction", Some(reading_ml)),
    }
}

fn count(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}
