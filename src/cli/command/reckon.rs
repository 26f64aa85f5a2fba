//! `dropwise reckon`: stored runs are evaluated again from their wire; what was found before stays.

use super::run::runtime;
use crate::cli::attach::own_caller;
use crate::cli::bench::{parsed, procedure_text, profile_text};
use crate::cli::output::{Output, complain};
use crate::cli::progress::Progress;
use crate::cli::{Exit, Fault, Settings};
use crate::detector::{EndPoint, Evaluation};
use crate::link::RecordLock;
use crate::live::{Counted, ReadLine, evaluate_again, read_line};
use crate::profile::Profile;
use crate::source::Clock;
use crate::store::{
    Commit, Entry, NextIds, Reader, ReckoningRows, StoredReckoning, StoredRun, Writer, text_hash,
};
use crate::work::{RunId, Step};
use clap::Args;
use serde_json::json;
use std::sync::Arc;

/// Lines whose readings are kept for the next run: runs of one bench lie on the same lines.
const LINES_KEPT: usize = 4;

/// Arguments of `reckon`.
#[derive(Debug, Args)]
pub struct ReckonArgs {
    /// The runs: numbers as `dropwise list` shows them, ranges such as 5-90, or `all`
    #[arg(required = true, value_name = "RUN")]
    runs: Vec<String>,
    /// Read the wire with this profile instead of the one of the run (a name that ships, or a file)
    #[arg(long, value_name = "PROFILE")]
    profile: Option<String>,
    /// Evaluate by this procedure instead of the one of the run
    #[arg(long, value_name = "PROCEDURE")]
    procedure: Option<String>,
    /// Why it is evaluated again
    #[arg(long, default_value = "")]
    why: String,
    /// Leave out runs that were reckoned again with the same settings before: goes on where a batch was cut off
    #[arg(long)]
    resume: bool,
    /// One JSON object a run
    #[arg(long)]
    json: bool,
}

/// The wire of a line that has been read with a profile, under a decoding of this command.
struct ReadDecoding {
    line_id: i64,
    profile_hash: String,
    decoding_id: i64,
    line: ReadLine,
    /// What has to be written before an evaluation can tell of it.
    entries: Vec<Entry>,
}

/// What the command keeps while it goes from run to run.
struct Batch<'a> {
    args: &'a ReckonArgs,
    who: String,
    reader: Reader,
    writer: Writer,
    ids: NextIds,
    profile: Option<(String, String)>,
    procedure: Option<String>,
    read: Vec<ReadDecoding>,
}

impl ReckonArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When a run, the record, the profile or the procedure cannot be used.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let reader = Reader::open(&settings.record)?;
        let runs = self.wanted(&reader)?;
        let _lock = RecordLock::take(&settings.record, None)?;
        let profile = self.profile.as_deref().map(|name| profile_text(name, settings)).transpose()?;
        let procedure =
            self.procedure.as_deref().map(|name| procedure_text(Some(name), settings)).transpose()?;
        let (writer, thread, ids) = Writer::start(&settings.record)?;
        let who = own_caller(settings).who();
        let mut batch = Batch { args: self, who, reader, writer, ids, profile, procedure, read: Vec::new() };
        let done = batch.all(&runs, output);
        drop(batch);
        if let (Ok(_), Some(why)) = (&done, thread.finish()) {
            return Err(unsaved(&why));
        }
        done
    }

    /// The runs as numbers, those of one line together.
    fn wanted(&self, reader: &Reader) -> Result<Vec<RunId>, Fault> {
        let mut runs = Vec::new();
        for text in &self.runs {
            let wrong = || Fault::misuse(format!("\"{text}\" names no run; write a number, 5-90, or all"));
            let number = |text: &str| text.trim().parse::<RunId>().map_err(|_| wrong());
            match text.split_once('-') {
                None if text == "all" => runs.extend(reader.ended_runs(0)?.into_iter().map(|(run, _)| run)),
                None => runs.push(number(text)?),
                Some((from, to)) => {
                    let span = number(from)?..=number(to)?;
                    runs.extend(
                        reader
                            .ended_runs(0)?
                            .into_iter()
                            .map(|(run, _)| run)
                            .filter(|run| span.contains(run)),
                    );
                }
            }
        }
        let mut seen = std::collections::BTreeSet::new();
        runs.retain(|run| seen.insert(*run));
        Ok(runs)
    }
}

fn unsaved(why: &str) -> Fault {
    Fault { text: format!("the reckoning could not be saved: {why}"), exit: Exit::Record }
}

impl Batch<'_> {
    /// Every run; one that cannot be evaluated is told and holds up no other.
    fn all(&mut self, runs: &[RunId], output: &mut Output) -> Result<Exit, Fault> {
        let progress = Progress::new("runs");
        let mut failed = 0;
        let mut left_out = 0;
        for (done, run) in (1..).zip(runs) {
            if self.args.resume && self.is_done(*run)? {
                left_out += 1;
            } else {
                match self.one(*run) {
                    Ok(text) => output.line(&text).map_err(|e| Fault {
                        text: format!("the output cannot be written: {e}"),
                        exit: Exit::OwnFault,
                    })?,
                    Err(fault) if runs.len() > 1 && fault.exit != Exit::Record => {
                        complain(&format!("dropwise: run {run} is not reckoned: {fault}"));
                        failed += 1;
                    }
                    Err(fault) => return Err(fault),
                }
            }
            if runs.len() > 1 {
                progress.tell(done, runs.len() as u64);
            }
        }
        drop(progress);
        if left_out > 0 {
            complain(&format!("dropwise: {left_out} runs were reckoned so before and are left out"));
        }
        Ok(if failed > 0 { Exit::Definition } else { Exit::Done })
    }

    /// Whether the run was reckoned again to the end, by this program, with these settings and for this reason.
    fn is_done(&self, run: RunId) -> Result<bool, Fault> {
        for id in self.reader.reckoning_ids(run)?.into_iter().skip(1) {
            let stored = self.reader.reckoning(id)?;
            let first = self.reader.reckoning_ids(run)?.first().map(|id| self.reader.reckoning(*id));
            let first = first.transpose()?;
            let profile = self.profile.as_ref().map(|(_, text)| text_hash(text));
            let profile_fits = stored.decodings.iter().all(|taken| match (&profile, &first) {
                (Some(hash), _) => taken.profile_hash == *hash,
                (None, Some(first)) => first
                    .decodings
                    .iter()
                    .any(|d| d.line_id == taken.line_id && d.profile_hash == taken.profile_hash),
                (None, None) => false,
            });
            let procedure_fits = match &self.procedure {
                Some(text) => stored.procedure_hash.as_deref() == Some(text_hash(text).as_str()),
                None => first.is_some_and(|first| first.procedure_hash == stored.procedure_hash),
            };
            let program = concat!("dropwise ", env!("CARGO_PKG_VERSION"));
            let complete = stored.ledger.as_ref().is_some_and(|row| row.why == self.args.why);
            if profile_fits && procedure_fits && complete && stored.program == program {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Evaluates one run again and gives what is to be printed.
    fn one(&mut self, run: RunId) -> Result<String, Fault> {
        let stored = self.reader.run(run)?;
        let taken = self.lines(&stored)?;
        let procedure = self.procedure.clone().unwrap_or_else(|| stored.head.plan.procedure.clone());
        let reckoning_id = self.ids.reckoning;
        let utc_us = Clock::start().stamp().utc_us;
        let mut rows = ReckoningRows::new(reckoning_id);
        let mut entries: Vec<Entry> =
            self.read.iter_mut().flat_map(|d| std::mem::take(&mut d.entries)).collect();
        let decodings =
            taken.iter().map(|(at, from_seq, _)| (self.read[*at].decoding_id, *from_seq)).collect();
        entries.push(Entry::Reckoning { reckoning_id, run, decodings, utc_us });
        let counted: Vec<Counted<'_>> = taken
            .iter()
            .map(|(at, from_seq, to_seq)| Counted {
                line: &self.read[*at].line,
                from_seq: *from_seq,
                to_seq: *to_seq,
            })
            .collect();
        let mut points = 0;
        let evaluation = evaluate_again(&stored, &counted, &procedure, |step| match step {
            Step::Point { n, frame, point } => {
                points = n;
                entries.push(rows.point(n, frame, point));
            }
            Step::Change(change) => entries.push(rows.change(change)),
            Step::Redrawn { generation, points, changes } => {
                entries.extend(rows.redrawn(generation, &points, &changes));
            }
        })
        .map_err(|text| Fault { text, exit: Exit::Definition })?;
        entries.extend(rows.result(&evaluation.end_points, &evaluation.warnings));
        entries.push(rows.reckoned(self.who.clone(), self.args.why.clone(), self.procedure.clone()));
        let saved = runtime()?.block_on(async { self.writer.write(entries).await.await });
        match saved {
            Ok(Commit::Saved) => {}
            Ok(Commit::Waiting(why)) => return Err(unsaved(&why)),
            Err(_) => return Err(unsaved("the writer of the record has gone")),
        }
        self.ids.reckoning += 1;
        let kept =
            self.reader.reckoning_ids(run)?.first().map(|id| self.reader.reckoning(*id)).transpose()?;
        Ok(self.args.text(&stored, kept.as_ref(), reckoning_id, points, &evaluation))
    }

    /// The lines of a run as they are to be read: index of the reading, first and last chunk that count.
    fn lines(&mut self, stored: &StoredRun) -> Result<Vec<(usize, i64, i64)>, Fault> {
        // A line whose profile was changed during the run stands there twice; its first span counts from the start.
        let mut lines = stored.lines.clone();
        lines.dedup_by_key(|line| line.line_id);
        if lines.len() > 1 && self.profile.is_some() {
            return Err(Fault::misuse(
                "this run read several instruments; a single --profile cannot stand for all of them",
            ));
        }
        if self.read.len() + lines.len() > LINES_KEPT.max(lines.len()) {
            // What was read for runs before, and is written: it can go.
            self.read.clear();
        }
        let mut taken = Vec::new();
        for line in &lines {
            let (name, text) = match &self.profile {
                Some(named) => named.clone(),
                None => ("of the run".to_owned(), self.reader.text(&line.profile_hash)?),
            };
            let hash = text_hash(&text);
            let known = self.read.iter().position(|d| d.line_id == line.line_id && d.profile_hash == hash);
            let at = match known {
                Some(at) => at,
                None => {
                    self.read_line(line.line_id, &name, text, hash)?;
                    self.read.len() - 1
                }
            };
            taken.push((at, line.from_seq, line.to_seq.unwrap_or(i64::MAX)));
        }
        Ok(taken)
    }

    /// Reads the whole wire of a line once; its readings serve every run on it.
    fn read_line(&mut self, line_id: i64, name: &str, text: String, hash: String) -> Result<(), Fault> {
        let profile: Profile = parsed(name, &text)?;
        let line = read_line(&self.reader, line_id, Arc::new(profile))?;
        let decoding_id = self.ids.decoding;
        self.ids.decoding += 1;
        let utc_us = Clock::start().stamp().utc_us;
        let mut entries =
            vec![Entry::Decoding { decoding_id, line_id, profile_text: text, from_seq: 0, utc_us }];
        let last = line.chunks.last().map_or(0, |chunk| chunk.seq);
        let frames = line.chunks.iter().flat_map(|c| c.frames.iter().map(move |frame| (c.seq, frame)));
        for (wire_seq, frame) in frames.chain(line.rest.iter().map(|frame| (last, frame))) {
            for (field, reading) in (0..).zip(&frame.readings) {
                entries.push(Entry::Reading { decoding_id, field, wire_seq, reading: reading.clone() });
            }
        }
        self.read.push(ReadDecoding { line_id, profile_hash: hash, decoding_id, line, entries });
        Ok(())
    }
}

impl ReckonArgs {
    fn text(
        &self,
        stored: &StoredRun,
        first: Option<&StoredReckoning>,
        reckoning: i64,
        points: usize,
        evaluation: &Evaluation,
    ) -> String {
        let unit = stored.row.titrant.unit().symbol();
        let run = stored.row.run;
        let found = first.map(|first| first.findings.as_slice()).unwrap_or_default();
        if self.json {
            let numbers = |found: &[EndPoint]| -> Vec<_> {
                found
                    .iter()
                    .map(|e| json!({ format!("titrant_{unit}"): e.titrant, format!("u_{unit}"): e.u, "method": e.method }))
                    .collect()
            };
            return json!({
                "run": run,
                "reckoning": reckoning,
                "points": points,
                "end_points": numbers(&evaluation.end_points),
                "first": { "points": stored.points.len(), "end_points": numbers(found) },
                "warnings": evaluation.warnings,
            })
            .to_string();
        }
        let mut lines = vec![
            format!("run {run} reckoned again (reckoning {reckoning}); the first evaluation stays"),
            format!("points     {points}  first {}", stored.points.len()),
        ];
        let count = evaluation.end_points.len().max(found.len());
        for i in 0..count {
            let word =
                |e: Option<&EndPoint>| e.map_or("none".to_owned(), |e| format!("{:.4} {unit}", e.titrant));
            let (now, first) = (evaluation.end_points.get(i), found.get(i));
            let moved = now.zip(first).map(|(now, first)| now.titrant - first.titrant);
            let moved = moved.map_or(String::new(), |d| format!("  moved by {d:+.4} {unit}"));
            lines.push(format!("end-point  {}  first {}{moved}", word(now), word(first)));
        }
        lines.extend(evaluation.warnings.iter().map(|w| format!("warning    {w}")));
        lines.join("\n")
    }
}
