//! `dropwise push` with a server.

use super::super::{run::runtime, stop};
use super::PushArgs;
use crate::cli::output::{Output, complain};
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::push::{CentralReport, Error, Pushed, SCHEMA_VERSION, Security, Server, prepare, push, verify};
use crate::store::Reader;
use std::path::Path;
use std::time::{Duration, Instant};

/// Pause before the first try again; each further one is twice as long.
const FIRST_PAUSE: Duration = Duration::from_secs(1);
/// The longest pause between two tries.
const LONGEST_PAUSE: Duration = Duration::from_secs(300);
/// Pause between two looks at whether there is anything new in the record.
const LOOK: Duration = Duration::from_secs(1);

impl From<Error> for Fault {
    fn from(error: Error) -> Self {
        let exit = match error {
            Error::Misuse(_) => Exit::Misuse,
            Error::Own(_) => Exit::OwnFault,
            _ => Exit::Record,
        };
        Self { text: error.to_string(), exit }
    }
}

impl PushArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the server cannot be reached (exit code 5) or refuses, or the record cannot be read.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let security = Security { root: self.root.clone(), unencrypted: self.unencrypted };
        let server = Server::parse(&self.to, &security)?;
        let runtime = runtime()?;
        if self.prepare {
            let found = runtime.block_on(prepare(&server, self.writer.as_deref()))?;
            let what = match found {
                SCHEMA_VERSION => format!("has its tables, version {found}"),
                0 => format!("got its tables, version {SCHEMA_VERSION}"),
                found => format!("got its tables from version {found} to {SCHEMA_VERSION}"),
            };
            let who = self.writer.as_ref().map_or_else(String::new, |role| format!("; {role} may add rows"));
            output.line(&visible(&format!("{} {what}{who}", server.name())))?;
            return Ok(Exit::Done);
        }
        if self.verify {
            let reports = runtime.block_on(verify(&server))?;
            return self.tell(&reports, settings, output);
        }
        if !self.keep_trying {
            let began = Instant::now();
            let pushed = runtime.block_on(push(&settings.record, &server, &mut |_| {}))?;
            self.tell_pushed(&pushed, began.elapsed(), output)?;
            return Ok(Exit::Done);
        }
        runtime.block_on(self.keep_trying(&settings.record, &server, output))
    }

    fn tell_pushed(&self, pushed: &Pushed, took: Duration, output: &mut Output) -> Result<(), Fault> {
        if self.json {
            let Pushed { runs, rows, ledger_to } = pushed;
            let seconds = took.as_secs_f64();
            let object = serde_json::json!({ "runs": runs, "rows": rows, "ledger_to": ledger_to, "seconds": seconds });
            output.line(&object.to_string())?;
        } else if pushed.rows == 0 {
            output.line(&format!("nothing new; the database is at row {} of the ledger", pushed.ledger_to))?;
        } else {
            output.line(&format!(
                "{} runs, {} rows are pushed; the database is at row {} of the ledger",
                pushed.runs, pushed.rows, pushed.ledger_to
            ))?;
        }
        output.flush()?;
        Ok(())
    }

    /// Pushes whenever there is something new, until somebody asks to stop.
    async fn keep_trying(&self, record: &Path, server: &Server, output: &mut Output) -> Result<Exit, Fault> {
        let asked = stop::asked();
        tokio::pin!(asked);
        let mut pause = FIRST_PAUSE;
        let mut reader = None;
        let mut seen = None;
        loop {
            let mut wait = LOOK;
            if reader.is_none() && record.exists() {
                reader = Some(Reader::open(record)?);
            }
            let version = reader.as_ref().map(Reader::data_version).transpose()?;
            if version.is_some() && version != seen {
                let began = Instant::now();
                let mut nothing = |_| {};
                let pushing = push(record, server, &mut nothing);
                tokio::select! {
                    () = &mut asked => return Ok(Exit::Done),
                    pushed = pushing => match pushed {
                        Ok(pushed) => {
                            (seen, pause) = (version, FIRST_PAUSE);
                            if pushed.rows > 0 {
                                self.tell_pushed(&pushed, began.elapsed(), output)?;
                            }
                        }
                        Err(error @ Error::Unreachable { .. }) => {
                            complain(&format!("dropwise: {error}; the next try is in {} s", pause.as_secs()));
                            wait = pause;
                            pause = (pause * 2).min(LONGEST_PAUSE);
                        }
                        Err(error) => return Err(error.into()),
                    }
                }
            }
            tokio::select! {
                () = &mut asked => return Ok(Exit::Done),
                () = tokio::time::sleep(wait) => {}
            }
        }
    }

    fn tell(&self, reports: &[CentralReport], settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let mut reports = reports.to_vec();
        // The record of this bench, if it is here, must have been where the database is.
        if settings.record.exists() {
            let reader = Reader::open(&settings.record)?;
            let identity = reader.identity()?;
            for report in reports.iter_mut().filter(|report| identity.as_ref() == Some(&report.identity)) {
                let Some(anchor) = &report.anchor else { continue };
                let own = reader.ledger_part(anchor.n - 1, 1)?.pop();
                if own.is_none_or(|own| own.hash != anchor.hash) {
                    let what = "is not the row that the record of this bench has there";
                    let row = format!("ledger (n {})", anchor.n);
                    report.faults.push(crate::store::WrongRow { row, what: what.to_owned() });
                }
            }
        }
        for report in &reports {
            if self.json {
                let text = serde_json::to_string(report)
                    .map_err(|e| Fault { text: e.to_string(), exit: Exit::OwnFault })?;
                output.line(&text)?;
                continue;
            }
            let name: String = report.identity.chars().take(16).collect();
            for wrong in &report.faults {
                output.line(&visible(&format!("WRONG  record {name}: {} {}", wrong.row, wrong.what)))?;
            }
            output.line(&visible(&format!(
                "record {name}  {} rows of the ledger, {} runs, {} rows hashed again",
                report.ledger_rows, report.runs, report.rows
            )))?;
            if let Some(anchor) = &report.anchor {
                output.line(&anchor.to_string())?;
            }
        }
        let in_order = reports.iter().all(|report| report.faults.is_empty());
        if !self.json {
            output.line(if in_order {
                "everything is as it was entered (the wire is with the benches)"
            } else {
                "NOT everything is as it was entered: compare with the records of the benches"
            })?;
        }
        Ok(if in_order { Exit::Done } else { Exit::Record })
    }
}
