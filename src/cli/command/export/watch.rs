//! `dropwise export --watch`: files for a system that picks them up.

use super::super::run::runtime;
use super::super::stop;
use super::target::Target;
use super::{ExportArgs, warn};
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::export::{HandOut, Placed, RecordName, export_run};
use crate::store::{ExportedRun, Fate, Reader, Selection};
use std::collections::HashMap;
use std::path::Path;
use std::time::{Duration, Instant};

/// Pause between two looks at whether somebody has written to the record, which costs no more than reading one number.
const PAUSE: Duration = Duration::from_millis(500);

/// The result of a run is written a moment after its end; a run that gets none goes out after this time.
const RESULT_WAITS: Duration = Duration::from_secs(10);

struct Watching<'a> {
    args: &'a ExportArgs,
    selection: Selection,
    /// The wanted state; `None`: ended, whatever became of it then.
    fate: Option<Fate>,
    out: HandOut,
    /// Ended runs whose result is waited for.
    waiting: HashMap<i64, Instant>,
}

/// Hands out until somebody asks to stop.
pub(super) fn watch(
    args: &ExportArgs,
    folder: &Path,
    settings: &Settings,
    output: &mut Output,
) -> Result<Exit, Fault> {
    let selection = Selection { fate: None, ..args.selection(settings) };
    let mut watching = Watching {
        args,
        selection,
        fate: args.state.map(Fate::from),
        out: HandOut::open(folder)?,
        waiting: HashMap::new(),
    };
    let mut reader = open(settings)?;
    if args.from_now
        && let Some(reader) = &reader
    {
        watching.skip(reader)?;
    }
    output.line(&format!("runs go to {}; Ctrl-C ends", folder.display()))?;
    output.flush()?;
    runtime()?.block_on(async {
        let asked = stop::asked();
        tokio::pin!(asked);
        let mut seen = None;
        let mut complained = String::new();
        loop {
            if reader.is_none() {
                reader = open(settings)?;
            }
            if let Some(reader) = &reader {
                let version = reader.data_version()?;
                if seen != Some(version) || !watching.waiting.is_empty() {
                    seen = Some(version);
                    match watching.look(reader, output) {
                        Ok(()) => complained.clear(),
                        // A full disk or a folder that is away for a while: the next look tries again.
                        Err(fault) if fault.exit != Exit::Record => {
                            if complained != fault.text {
                                warn(folder, &fault.text);
                                complained = fault.text;
                            }
                            seen = None;
                        }
                        Err(fault) => return Err(fault),
                    }
                }
            }
            tokio::select! {
                () = &mut asked => return Ok(()),
                () = tokio::time::sleep(PAUSE) => {}
            }
        }
    })?;
    Ok(Exit::Done)
}

/// The record, once there is one.
fn open(settings: &Settings) -> Result<Option<Reader>, Fault> {
    if settings.record.exists() { Ok(Some(Reader::open(&settings.record)?)) } else { Ok(None) }
}

impl Watching<'_> {
    fn name(&self, record: &str, run: i64) -> String {
        let format = self.args.format.unwrap_or(super::Format::Jsonl);
        format!("{record}-run-{run:06}.{}", format.ending())
    }

    fn is_wanted(&self, run: &ExportedRun) -> bool {
        run.ended.is_some() && self.fate.is_none_or(|fate| fate == run.fate)
    }

    /// Takes what is there for handed out.
    fn skip(&mut self, reader: &Reader) -> Result<(), Fault> {
        let record = RecordName::of(reader)?;
        for run in reader.select(&self.selection)? {
            let name = self.name(record.as_str(), run);
            if !self.out.is_done(&name)
                && let Some(run) = reader.exported(run)?
                && self.is_wanted(&run)
            {
                self.out.note(&name)?;
            }
        }
        Ok(())
    }

    fn look(&mut self, reader: &Reader, output: &mut Output) -> Result<(), Fault> {
        let record = RecordName::of(reader)?;
        for run in reader.select(&self.selection)? {
            let name = self.name(record.as_str(), run);
            if self.out.is_done(&name) {
                continue;
            }
            let Some(exported) = reader.exported(run)?.filter(|run| self.is_wanted(run)) else { continue };
            if exported.result.is_none() && exported.procedure_hash.is_some() {
                let since = *self.waiting.entry(run).or_insert_with(Instant::now);
                if since.elapsed() < RESULT_WAITS {
                    continue;
                }
            }
            self.waiting.remove(&run);
            let format = self.args.format.unwrap_or(super::Format::Jsonl);
            let placed = Placed::begin(&self.out.draft(&name), true)?;
            let Target { mut sink, placed } = Target::begin(format, self.args.what, placed)?;
            export_run(reader, &record, run, &mut *sink)?;
            sink.finish()?;
            placed.map_or(Ok(()), Placed::place)?;
            self.out.hand_out(&name)?;
            output.line(&name)?;
            output.flush()?;
        }
        Ok(())
    }
}
