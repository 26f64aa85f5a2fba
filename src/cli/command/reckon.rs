//! `dropwise reckon`: a stored run is evaluated again from its wire; the first evaluation stays.

use super::run::runtime;
use crate::cli::bench::{parsed, procedure_text, profile_text};
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::detector::{EndPoint, Evaluation};
use crate::link::RecordLock;
use crate::profile::{Decoder, Profile};
use crate::reading::{FrameFate, Stamp};
use crate::source::Clock;
use crate::store::{Commit, Entry, Reader, ReckoningRows, StoredRun, WireChunk, Writer};
use crate::work::{Bench, Expectation, Pairing, Procedure, Run, Step, expected};
use clap::Args;
use serde_json::json;
use std::sync::Arc;

/// Arguments of `reckon`.
#[derive(Debug, Args)]
pub struct ReckonArgs {
    /// The number of the run, as `dropwise list` shows it
    run: i64,
    /// Read the wire with this profile instead of the one of the run (a name that ships, or a file)
    #[arg(long, value_name = "PROFILE")]
    profile: Option<String>,
    /// Evaluate by this procedure instead of the one of the run
    #[arg(long, value_name = "PROCEDURE")]
    procedure: Option<String>,
    /// One JSON object
    #[arg(long)]
    json: bool,
}

/// A decoding that is read again: number, profile text, decoder, wire.
struct Source {
    decoding_id: i64,
    line_id: i64,
    profile_text: String,
    decoder: Decoder,
    chunks: Vec<WireChunk>,
    from_seq: i64,
    to_seq: i64,
}

impl ReckonArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the run, the record, the profile or the procedure cannot be used.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let reader = Reader::open(&settings.record)?;
        let stored = reader.run(self.run)?;
        let _lock = RecordLock::take(&settings.record, None)?;
        let (writer, thread, ids) = Writer::start(&settings.record)?;
        let procedure = match &self.procedure {
            Some(name) => procedure_text(Some(name), settings)?,
            None => stored.head.plan.procedure.clone(),
        };
        let mut sources = self.sources(&reader, &stored, ids.decoding, settings)?;
        let mut run = new_run(&reader, &stored, &procedure)?;
        let mut rows = ReckoningRows::new(ids.reckoning);
        let utc_us = Clock::start().stamp().utc_us;
        let mut entries: Vec<Entry> = sources
            .iter()
            .map(|s| Entry::Decoding {
                decoding_id: s.decoding_id,
                line_id: s.line_id,
                profile_text: s.profile_text.clone(),
                from_seq: 0,
                utc_us,
            })
            .collect();
        let decodings = sources.iter().map(|s| (s.decoding_id, s.from_seq)).collect();
        entries.push(Entry::Reckoning { reckoning_id: ids.reckoning, run: self.run, decodings, utc_us });
        let points = again(&stored, &mut sources, &mut run, &mut rows, &mut entries);
        let evaluation = run.evaluate();
        entries.extend(rows.result(&evaluation.end_points, &evaluation.warnings));
        let saved = runtime()?.block_on(async { writer.write(entries).await.await });
        drop(writer);
        let unsaved = thread.finish();
        if let (Ok(Commit::Waiting(why)), _) | (_, Some(why)) = (saved, unsaved) {
            return Err(Fault {
                text: format!("the reckoning could not be saved: {why}"),
                exit: Exit::Record,
            });
        }
        let text = self.text(&stored, ids.reckoning, points, &evaluation);
        let written = output.line(&text);
        written.map_err(|e| Fault {
            text: format!("the output cannot be written: {e}"),
            exit: Exit::OwnFault,
        })?;
        Ok(Exit::Done)
    }

    fn sources(
        &self,
        reader: &Reader,
        stored: &StoredRun,
        first_id: i64,
        settings: &Settings,
    ) -> Result<Vec<Source>, Fault> {
        let mut sources = Vec::new();
        // A line whose profile was changed during the run stands there twice; its first span counts from the start.
        let mut lines = stored.lines.clone();
        lines.dedup_by_key(|line| line.line_id);
        for (decoding_id, line) in (first_id..).zip(&lines) {
            let (name, text) = match &self.profile {
                Some(name) => profile_text(name, settings)?,
                None => ("of the run".to_owned(), reader.text(&line.profile_hash)?),
            };
            let profile: Profile = parsed(&name, &text)?;
            let mut chunks = Vec::new();
            reader.wire(line.line_id, |chunk| chunks.push(chunk))?;
            let decoder = Decoder::new(Arc::new(profile));
            sources.push(Source {
                decoding_id,
                line_id: line.line_id,
                profile_text: text,
                decoder,
                chunks,
                from_seq: line.from_seq,
                to_seq: line.to_seq.unwrap_or(i64::MAX),
            });
        }
        if sources.len() > 1 && self.profile.is_some() {
            return Err(Fault::misuse(
                "this run read several instruments; a single --profile cannot stand for all of them",
            ));
        }
        Ok(sources)
    }

    fn text(&self, stored: &StoredRun, reckoning: i64, points: usize, evaluation: &Evaluation) -> String {
        let unit = stored.row.titrant.unit().symbol();
        if self.json {
            let numbers = |found: &[EndPoint]| -> Vec<_> {
                found
                    .iter()
                    .map(|e| json!({ format!("titrant_{unit}"): e.titrant, format!("u_{unit}"): e.u, "method": e.method }))
                    .collect()
            };
            return json!({
                "run": self.run,
                "reckoning": reckoning,
                "points": points,
                "end_points": numbers(&evaluation.end_points),
                "first": { "points": stored.points.len(), "end_points": numbers(&stored.findings) },
                "warnings": evaluation.warnings,
            })
            .to_string();
        }
        let mut lines = vec![
            format!("run {} reckoned again (reckoning {reckoning}); the first evaluation stays", self.run),
            format!("points     {points}  first {}", stored.points.len()),
        ];
        let count = evaluation.end_points.len().max(stored.findings.len());
        for i in 0..count {
            let word =
                |e: Option<&EndPoint>| e.map_or("none".to_owned(), |e| format!("{:.4} {unit}", e.titrant));
            let (now, first) = (evaluation.end_points.get(i), stored.findings.get(i));
            let moved = now.zip(first).map(|(now, first)| now.titrant - first.titrant);
            let moved = moved.map_or(String::new(), |d| format!("  moved by {d:+.4} {unit}"));
            lines.push(format!("end-point  {}  first {}{moved}", word(now), word(first)));
        }
        lines.extend(evaluation.warnings.iter().map(|w| format!("warning    {w}")));
        lines.join("\n")
    }
}

fn new_run(reader: &Reader, stored: &StoredRun, procedure: &str) -> Result<Run, Fault> {
    let definition = |text: String| Fault { text, exit: Exit::Definition };
    let given = match procedure {
        "" => crate::detector::Given::default(),
        text => Procedure::parse("of the run", text)
            .and_then(|procedure| procedure.given())
            .map_err(definition)?,
    };
    let (signal, _) = stored
        .head
        .curve
        .signal
        .ok_or_else(|| definition("the run does not say what its signal is".to_owned()))?;
    let bench: Bench = toml::from_str(&stored.bench_text).map_err(|e| {
        definition(format!("the bench of the run cannot be read: {}", e.to_string().trim_end()))
    })?;
    let prior = expected(&reader.earlier_portions(&stored.head)?, stored.head.plan.mass_g);
    let expectation = Expectation { prior, supply: bench.burette };
    Ok(Run::new(Pairing::new(bench.volume, signal, bench.settling, stored.head.at), given, expectation))
}

/// Puts wire and marks through the run in the order in which they came; gives the count of points.
fn again(
    stored: &StoredRun,
    sources: &mut [Source],
    run: &mut Run,
    rows: &mut ReckoningRows,
    entries: &mut Vec<Entry>,
) -> usize {
    let mut order: Vec<(Stamp, usize, usize)> = Vec::new();
    for (source, one) in sources.iter().enumerate() {
        order.extend(one.chunks.iter().enumerate().map(|(seq, chunk)| (chunk.at, source, seq)));
    }
    // One line keeps its own order; several are joined by the wall clock that they share.
    if sources.len() > 1 {
        order.sort_by_key(|(at, _, _)| at.utc_us);
    }
    let mut marks = stored.marks.iter().peekable();
    let mut points = 0;
    let mut keep = |steps: Vec<Step>, entries: &mut Vec<Entry>, rows: &mut ReckoningRows| {
        for step in steps {
            match step {
                Step::Point { n, frame, point } => {
                    points = n;
                    entries.push(rows.point(n, frame, point));
                }
                Step::Change(change) => entries.push(rows.change(change)),
                Step::Redrawn { generation, points, changes } => {
                    entries.extend(rows.redrawn(generation, &points, &changes));
                }
            }
        }
    };
    for (at, source, seq) in order {
        let wire_seq = i64::try_from(seq).unwrap_or(i64::MAX);
        while let Some((mark, _, when)) = marks.next_if(|(_, after, _)| source == 0 && *after < wire_seq) {
            // A mark that was taken live is taken again.
            keep(run.mark(*mark, *when).unwrap_or_default(), entries, rows);
        }
        let one = &mut sources[source];
        let Some(chunk) = one.chunks.get(seq) else { continue };
        let mut decoded = Vec::new();
        if chunk.incoming {
            one.decoder.feed(at, &chunk.bytes, &mut decoded);
        } else {
            one.decoder.sent(at, &chunk.bytes);
        }
        for frame in decoded {
            for (field, reading) in (0..).zip(&frame.readings) {
                let (decoding_id, reading) = (one.decoding_id, reading.clone());
                entries.push(Entry::Reading { decoding_id, field, wire_seq, reading });
            }
            let within = (one.from_seq..=one.to_seq).contains(&wire_seq);
            if within && matches!(frame.frame.fate, FrameFate::Understood { .. }) {
                keep(run.take(&frame.readings), entries, rows);
            }
        }
    }
    for (mark, _, when) in marks {
        keep(run.mark(*mark, *when).unwrap_or_default(), entries, rows);
    }
    keep(run.finish(), entries, rows);
    points
}
