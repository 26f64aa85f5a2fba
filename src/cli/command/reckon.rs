//! `dropwise reckon`: stored runs are evaluated again from their wire; what was found before stays.

use super::run::runtime;
use crate::cli::attach::{obey, own_caller};
use crate::cli::bench::{parsed, procedure_text, profile_text};
use crate::cli::output::{Output, complain};
use crate::cli::progress::Progress;
use crate::cli::{Exit, Fault, Settings};
use crate::detector::EndPoint;
use crate::link::RecordLock;
use crate::live::{ReckonError, ReckonSettings, Reckoner};
use crate::store::{Commit, NextIds, Reader, StoredReckoning, StoredRun, Writer, text_hash};
use crate::work::{Command, OtherLook, RunId};
use clap::Args;
use serde_json::json;

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
    /// Look for end-points of this shape instead: jump, bend, level, peak
    #[arg(long, value_name = "SHAPE")]
    shape: Option<String>,
    /// Fit this model, by the beginning of its name
    #[arg(long, value_name = "MODEL")]
    model: Option<String>,
    /// Look for the end-point between these: "5 mL,18 mL"
    #[arg(long, value_name = "FROM,TO", value_delimiter = ',', num_args = 1)]
    window: Vec<String>,
    /// With the shape level: what is crossed, as "8.2 pH"
    #[arg(long, value_name = "LEVEL")]
    level: Option<String>,
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

/// What the command keeps while it goes from run to run.
struct Batch<'a> {
    args: &'a ReckonArgs,
    settings: ReckonSettings,
    look: OtherLook,
    reader: Reader,
    by: By<'a>,
}

/// Who writes.
#[expect(clippy::large_enum_variant, reason = "one lives at a time, as long as the command")]
enum By<'a> {
    /// The recorder that runs.
    Recorder(&'a Settings),
    /// This process, which holds the lock.
    Own { reckoner: Reckoner, writer: Writer, ids: NextIds },
}

impl ReckonArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When a run, the record, the profile or the procedure cannot be used.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let reader = Reader::open(&settings.record)?;
        let runs = self.wanted(&reader)?;
        let profile = self.profile.as_deref().map(|name| profile_text(name, settings)).transpose()?;
        if let Some((name, text)) = &profile {
            parsed(name, text)?;
        }
        let procedure =
            self.procedure.as_deref().map(|name| procedure_text(Some(name), settings)).transpose()?;
        let look = self.look()?;
        let how =
            ReckonSettings { profile, procedure, who: own_caller(settings).who(), why: self.why.clone() };
        if RecordLock::holder(&settings.record)?.is_some() {
            let by = By::Recorder(settings);
            return Batch { args: self, settings: how, look, reader, by }.all(&runs, output);
        }
        let _lock = RecordLock::take(&settings.record, None)?;
        let (writer, thread, ids) = Writer::start(&settings.record)?;
        let by = By::Own { reckoner: Reckoner::open(&settings.record)?, writer, ids };
        let mut batch = Batch { args: self, settings: how, look, reader, by };
        let done = batch.all(&runs, output);
        drop(batch);
        if let (Ok(_), Some(why)) = (&done, thread.finish()) {
            return Err(unsaved(&why));
        }
        done
    }

    /// Another way to look for end-points, as the arguments have it.
    fn look(&self) -> Result<OtherLook, Fault> {
        let window = match self.window.as_slice() {
            [] => None,
            [from, to] => Some((from.clone(), to.clone())),
            _ => {
                return Err(Fault::misuse(
                    "a window has two ends, each with its unit: --window \"5 mL,18 mL\"",
                ));
            }
        };
        let text = |given: &Option<String>| given.clone().unwrap_or_default();
        Ok(OtherLook { shape: text(&self.shape), model: text(&self.model), level: text(&self.level), window })
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

fn definition(text: String) -> Fault {
    Fault { text, exit: Exit::Definition }
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
            let profile = self.settings.profile.as_ref().map(|(_, text)| text_hash(text));
            let procedure = self.procedure_of(&self.reader.run(run)?)?;
            let profile_fits = stored.decodings.iter().all(|taken| match (&profile, &first) {
                (Some(hash), _) => taken.profile_hash == *hash,
                (None, Some(first)) => first
                    .decodings
                    .iter()
                    .any(|d| d.line_id == taken.line_id && d.profile_hash == taken.profile_hash),
                (None, None) => false,
            });
            let procedure_fits = match &procedure {
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

    /// The procedure by which a run is evaluated, where it is not its own.
    fn procedure_of(&self, stored: &StoredRun) -> Result<Option<String>, Fault> {
        let named = self.settings.procedure.as_ref();
        if self.look.is_none() {
            return Ok(named.cloned());
        }
        let text = named.unwrap_or(&stored.head.plan.procedure);
        self.look.applied(text).map(Some).map_err(definition)
    }

    /// Evaluates one run again and gives what is to be printed.
    fn one(&mut self, run: RunId) -> Result<String, Fault> {
        let stored = self.reader.run(run)?;
        let how = ReckonSettings { procedure: self.procedure_of(&stored)?, ..self.settings.clone() };
        let id = match &mut self.by {
            By::Recorder(settings) => {
                let ReckonSettings { profile, procedure, why, .. } = how;
                let command = Command::Reckon { run, profile, procedure, why };
                runtime()?.block_on(obey(settings, command, definition))?;
                self.reader.reckoning_ids(run)?.last().copied().unwrap_or_default()
            }
            By::Own { reckoner, writer, ids } => {
                let id = ids.reckoning;
                let mut decoding = || {
                    ids.decoding += 1;
                    ids.decoding - 1
                };
                let entries = reckoner.make(run, &how, id, &mut decoding).map_err(|error| match error {
                    ReckonError::Record(error) => error.into(),
                    ReckonError::Words(text) => definition(text),
                })?;
                let saved = runtime()?.block_on(async { writer.write(entries).await.await });
                match saved {
                    Ok(Commit::Saved) => {}
                    Ok(Commit::Waiting(why)) => return Err(unsaved(&why)),
                    Err(_) => return Err(unsaved("the writer of the record has gone")),
                }
                ids.reckoning += 1;
                id
            }
        };
        let first = self.reader.reckoning_ids(run)?.first().map(|id| self.reader.reckoning(*id));
        let made = self.reader.reckoning(id)?;
        Ok(self.args.text(&stored, first.transpose()?.as_ref(), &made))
    }
}

impl ReckonArgs {
    fn text(&self, stored: &StoredRun, first: Option<&StoredReckoning>, made: &StoredReckoning) -> String {
        let unit = stored.row.titrant.unit().symbol();
        let run = stored.row.run;
        let found = first.map(|first| first.findings.as_slice()).unwrap_or_default();
        let first_points = first.map_or(0, |first| first.points);
        if self.json {
            let numbers = |found: &[EndPoint]| -> Vec<_> {
                found
                    .iter()
                    .map(|e| json!({ format!("titrant_{unit}"): e.titrant, format!("u_{unit}"): e.u, "method": e.method }))
                    .collect()
            };
            return json!({
                "run": run,
                "reckoning": made.id,
                "points": made.points,
                "end_points": numbers(&made.findings),
                "first": { "points": first_points, "end_points": numbers(found) },
                "warnings": made.warnings,
            })
            .to_string();
        }
        let mut lines = vec![
            format!("run {run} reckoned again (reckoning {}); the first evaluation stays", made.id),
            format!("points     {}  first {first_points}", made.points),
        ];
        let count = made.findings.len().max(found.len());
        for i in 0..count {
            let word =
                |e: Option<&EndPoint>| e.map_or("none".to_owned(), |e| format!("{:.4} {unit}", e.titrant));
            let (now, first) = (made.findings.get(i), found.get(i));
            let moved = now.zip(first).map(|(now, first)| now.titrant - first.titrant);
            let moved = moved.map_or(String::new(), |d| format!("  moved by {d:+.4} {unit}"));
            lines.push(format!("end-point  {}  first {}{moved}", word(now), word(first)));
        }
        lines.extend(made.warnings.iter().map(|w| format!("warning    {w}")));
        lines.join("\n")
    }
}
