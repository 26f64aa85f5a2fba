//! `dropwise record verify`.

use super::anchor::named_anchors;
use super::unwritable;
use crate::cli::output::{Output, complain};
use crate::cli::progress::Progress;
use crate::cli::{Exit, Fault, Settings};
use crate::live::{Counted, ReadLine, Repeated, compare, evaluate_again, read_line};
use crate::profile::Profile;
use crate::store::{Error, Reader, StoredReckoning, StoredRun, Verified, WrongRow, verify};
use crate::work::result::repeats;
use crate::work::{Procedure, RunId, Step};
use clap::Args;
use rayon::prelude::*;
use serde_json::json;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Arguments of `record verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// A report (PDF or HTML) instead of the record: what it carries is checked, and its numbers are computed again
    #[arg(value_name = "REPORT", conflicts_with_all = ["new", "all"])]
    report: Option<PathBuf>,
    /// Only what was added since the last verification that found nothing wrong
    #[arg(long)]
    new: bool,
    /// Everything; this is what happens without an option
    #[arg(long, conflicts_with = "new")]
    all: bool,
    /// Compare with anchors that were kept elsewhere: a file, or the text of one
    #[arg(long, value_name = "FILE|TEXT")]
    anchor: Vec<String>,
    /// Hashes and chains only: do not find the end-points again from the wire
    #[arg(long)]
    hashes_only: bool,
    /// One JSON object
    #[arg(long)]
    json: bool,
}

/// Where it is kept how far a record was verified: beside it.
fn state_path(record: &Path) -> PathBuf {
    let mut name = record.file_name().unwrap_or_default().to_owned();
    name.push(".verified");
    record.with_file_name(name)
}

impl VerifyArgs {
    /// Runs the command; exit code 5 when something is not as it was written.
    ///
    /// # Errors
    /// When the record cannot be opened, or an anchor not be understood.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        if let Some(report) = &self.report {
            return super::report::verify_report(report, &self.anchor, self.json, output);
        }
        let record = &settings.record;
        let mut anchors = Vec::new();
        for text in &self.anchor {
            anchors.extend(named_anchors(text)?);
        }
        let since = if self.new { Some(last_verified(record)?) } else { None };
        let progress = Progress::new("seals");
        let report = match verify(record, since.as_ref(), &anchors, &|done, total| progress.tell(done, total))
        {
            // A file that cannot even be opened as a database is a finding, not a mishap.
            Err(error @ (Error::Missing { .. } | Error::Newer { .. })) => return Err(error.into()),
            other => other?,
        };
        drop(progress);
        let mut faults = report.faults.clone();
        let mut again = Again::default();
        if !self.hashes_only {
            let after = since.as_ref().map_or(0, |since| since.anchor.n);
            again = repeat_all(record, after)?;
            faults.append(&mut again.faults);
        }
        faults.append(&mut Reader::open(record)?.wrong_signatures()?);
        if let (true, Some(verified)) = (faults.is_empty(), &report.verified) {
            keep(record, verified);
        }
        if self.json {
            let text = json!({
                "record": record.display().to_string(), "schema": report.schema, "in_order": faults.is_empty(),
                "rows": report.rows, "seals": report.seals, "ledger_rows": report.ledger_rows,
                "anchors": report.anchors, "reckonings": again.same, "not_repeated": again.remarks,
                "anchor": report.anchor, "faults": faults,
            });
            output.line(&text.to_string()).map_err(unwritable)?;
        } else {
            for WrongRow { row, what } in &faults {
                output.line(&format!("WRONG  {row} {what}")).map_err(unwritable)?;
            }
            for remark in &again.remarks {
                output.line(&format!("remark {remark}")).map_err(unwritable)?;
            }
            output.line(&format!(
                "{} rows under {} seals, {} rows of the ledger, {} anchors, {} reckonings found again from the wire",
                report.rows, report.seals, report.ledger_rows, report.anchors, again.same
            )).map_err(unwritable)?;
            if let Some(anchor) = &report.anchor {
                output.line(&anchor.to_string()).map_err(unwritable)?;
            }
            let verdict = if faults.is_empty() {
                "everything is as it was written"
            } else {
                "NOT everything is as it was written: keep this file as it is, and compare it with a backup"
            };
            output.line(verdict).map_err(unwritable)?;
        }
        Ok(if faults.is_empty() { Exit::Done } else { Exit::Record })
    }
}

fn last_verified(record: &Path) -> Result<Verified, Fault> {
    let path = state_path(record);
    let text = std::fs::read_to_string(&path).map_err(|_| {
        Fault::misuse("this record has not been verified whole yet; do that once without --new")
    })?;
    serde_json::from_str(&text).map_err(|e| {
        Fault::misuse(format!("{} cannot be understood ({e}); verify the whole record", path.display()))
    })
}

/// The next `--new` goes on from here; a folder that cannot be written only costs that.
fn keep(record: &Path, verified: &Verified) {
    let written = serde_json::to_string(verified)
        .map_err(std::io::Error::from)
        .and_then(|text| std::fs::write(state_path(record), text));
    if let Err(error) = written {
        complain(&format!(
            "dropwise: how far it was verified could not be kept ({error}); --new will not know it"
        ));
    }
}

/// What came of the evaluations that were made again.
#[derive(Debug, Default)]
pub(super) struct Again {
    pub(super) same: u64,
    pub(super) faults: Vec<WrongRow>,
    pub(super) remarks: Vec<String>,
}

impl Again {
    fn join(mut self, mut other: Self) -> Self {
        self.same += other.same;
        self.faults.append(&mut other.faults);
        self.remarks.append(&mut other.remarks);
        self
    }
}

/// Makes every evaluation of the ended runs again, the lines side by side.
pub(super) fn repeat_all(record: &Path, after: i64) -> Result<Again, Fault> {
    let runs = Reader::open(record)?.ended_runs(after)?;
    let total = runs.len() as u64;
    let progress = Progress::new("runs");
    let done = AtomicU64::new(0);
    let lines: Vec<&[(RunId, i64)]> = runs.chunk_by(|a, b| a.1 == b.1).collect();
    let again = lines
        .par_iter()
        .map(|runs| {
            let mut again = Again::default();
            let mut line = LineRuns { reader: Reader::open(record)?, read: Vec::new() };
            for (run, _) in *runs {
                line.repeat(*run, &mut again)?;
                progress.tell(done.fetch_add(1, Ordering::Relaxed) + 1, total);
            }
            Ok(again)
        })
        .try_reduce(Again::default, |a, b| Ok(a.join(b)))
        .map_err(|e: Error| Fault::from(e))?;
    Ok(again)
}

/// The runs on one line; what was read of it serves all of them.
struct LineRuns {
    reader: Reader,
    read: Vec<((i64, String), ReadLine)>,
}

impl LineRuns {
    fn repeat(&mut self, run: RunId, again: &mut Again) -> Result<(), Error> {
        let Ok(stored) = self.reader.run(run) else {
            let row = format!("run (run_id {run})");
            again.faults.push(WrongRow { row, what: "cannot be read any more".to_owned() });
            return Ok(());
        };
        let mut other_program = None;
        for id in self.reader.reckoning_ids(run)? {
            let kept = self.reader.reckoning(id)?;
            if stored.reckoning == Some(id) && kept.program != own_program() {
                other_program = Some(kept.program.clone());
            }
            match self.repeat_one(&stored, &kept)? {
                Repeated::Same => again.same += 1,
                Repeated::Other(what) if kept.program == own_program() && kept.decodings.len() == 1 => {
                    let row = format!("reckoning (reckoning_id {id})");
                    again
                        .faults
                        .push(WrongRow { row, what: format!("does not follow from its wire: {what}") });
                }
                Repeated::Other(what) => {
                    let why = if kept.program == own_program() {
                        "several instruments were joined by the clock".to_owned()
                    } else {
                        format!("{} made it, this is {}", kept.program, own_program())
                    };
                    again.remarks.push(format!("reckoning {id} of run {run}: {what} ({why})"));
                }
                Repeated::NotRepeated(why) => {
                    again.remarks.push(format!("reckoning {id} of run {run} was not found again: {why}"));
                }
            }
        }
        self.result_of(run, &stored.head.plan.procedure, other_program.as_deref(), again)
    }

    /// The result of a run must follow from its inputs by the procedure that the run kept.
    fn result_of(
        &mut self,
        run: RunId,
        procedure: &str,
        other_program: Option<&str>,
        again: &mut Again,
    ) -> Result<(), Error> {
        let Some(kept) = self.reader.result(run)? else { return Ok(()) };
        let row = format!("datum (datum_id {})", kept.datum);
        match Procedure::read("of the run", procedure).and_then(|procedure| repeats(&procedure, &kept.it)) {
            Ok(None) => again.same += 1,
            // Another version may compute otherwise.
            Ok(Some(what)) if other_program.is_some() => {
                let made = other_program.unwrap_or_default();
                again
                    .remarks
                    .push(format!("result of run {run}: {what} ({made} made it, this is {})", own_program()));
            }
            Ok(Some(what)) => {
                again.faults.push(WrongRow { row, what: format!("does not follow from its inputs: {what}") });
            }
            Err(why) => again.remarks.push(format!("the result of run {run} was not computed again: {why}")),
        }
        Ok(())
    }

    fn repeat_one(&mut self, stored: &StoredRun, kept: &StoredReckoning) -> Result<Repeated, Error> {
        if kept.ledger.is_none() && kept.findings.is_empty() && kept.points > 0 {
            return Ok(Repeated::NotRepeated("it was cut off, or its evaluation is not kept".to_owned()));
        }
        if kept.decodings.windows(2).any(|pair| pair[0].line_id == pair[1].line_id) {
            return Ok(Repeated::NotRepeated("the profile was changed while the run went on".to_owned()));
        }
        let procedure = match &kept.procedure_hash {
            Some(hash) => self.reader.text(hash)?,
            None => String::new(),
        };
        for taken in &kept.decodings {
            let key = (taken.line_id, taken.profile_hash.clone());
            if !self.read.iter().any(|(known, _)| *known == key) {
                let profile = match Profile::parse("kept", &self.reader.text(&taken.profile_hash)?) {
                    Ok(profile) => profile,
                    Err(_) => {
                        let why = "this program does not understand its profile any more".to_owned();
                        return Ok(Repeated::NotRepeated(why));
                    }
                };
                self.read.push((key, read_line(&self.reader, taken.line_id, Arc::new(profile))?));
            }
        }
        let counted: Vec<Counted<'_>> = kept
            .decodings
            .iter()
            .filter_map(|taken| {
                let key = (taken.line_id, &taken.profile_hash);
                let (_, line) = self.read.iter().find(|((line, hash), _)| (*line, hash) == key)?;
                Some(Counted { line, from_seq: taken.from_seq, to_seq: taken.to_seq.unwrap_or(i64::MAX) })
            })
            .collect();
        let mut points = 0;
        let evaluated = evaluate_again(stored, &counted, &procedure, |step| match step {
            Step::Point { n, .. } => points = n,
            Step::Redrawn { points: redrawn, .. } => points = redrawn.len(),
            Step::Change(_) => {}
        });
        Ok(match evaluated {
            Ok(evaluation) => compare(kept, &evaluation, points),
            Err(why) => Repeated::NotRepeated(why),
        })
    }
}

const fn own_program() -> &'static str {
    concat!("dropwise ", env!("CARGO_PKG_VERSION"))
}
