//! `dropwise procedure`: procedures checked, listed and printed.

use crate::cli::bench::procedure as read;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::work::{Procedure, procedure_schema};
use clap::Subcommand;

/// Commands about procedures.
#[derive(Debug, Subcommand)]
pub enum ProcedureCommand {
    /// Check procedure files: every mistake at once, with its place
    Check {
        /// Names that ship, or files
        #[arg(required = true)]
        procedures: Vec<String>,
    },
    /// List the procedures that ship
    List,
    /// Tell what a procedure asks, looks for and computes
    Show {
        /// A name that ships, or a file
        procedure: String,
        /// Print the file itself
        #[arg(long)]
        text: bool,
    },
    /// Print the JSON Schema of procedure files
    Schema,
}

impl ProcedureCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// When a procedure has mistakes: all of them, with their places.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        match self {
            Self::Check { procedures } => {
                let mut faults = Vec::new();
                for name in procedures {
                    match read(name, settings) {
                        Ok((procedure, _)) => {
                            output
                                .line(&format!("{name}: {} results, no mistakes", procedure.results.len()))?;
                        }
                        Err(fault) => faults.push(fault.text),
                    }
                }
                if faults.is_empty() {
                    return Ok(Exit::Done);
                }
                Err(Fault { text: faults.join("\n"), exit: Exit::Definition })
            }
            Self::List => {
                for name in Procedure::shipped_names() {
                    let (procedure, _) = read(name, settings)?;
                    output.line(&format!("{name:<32}  {}", procedure.title))?;
                }
                Ok(Exit::Done)
            }
            Self::Show { procedure, text } => {
                let (procedure, source) = read(procedure, settings)?;
                if *text {
                    output.line(source.trim_end())?;
                } else {
                    for line in told(&procedure) {
                        output.line(&line)?;
                    }
                }
                Ok(Exit::Done)
            }
            Self::Schema => {
                output.line(&format!("{:#}", procedure_schema()))?;
                Ok(Exit::Done)
            }
        }
    }
}

fn told(procedure: &Procedure) -> Vec<String> {
    let mut lines = vec![format!("{} ({}, revision {})", procedure.title, procedure.id, procedure.revision)];
    lines.extend(procedure.follows.iter().map(|text| format!("follows   {text}")));
    lines.extend(
        procedure
            .known()
            .iter()
            .filter(|k| k.name != crate::work::RUN_TIME)
            .map(|known| format!("name      {:<12} {}", known.name, known.what)),
    );
    for rule in &procedure.results {
        let symbol = rule.symbol.as_ref().map_or_else(String::new, |s| format!(" ({s})"));
        lines.push(format!("result    {}{symbol} = {} in {}", rule.name, rule.formula, rule.unit));
    }
    for (when, title) in [
        (crate::work::WhenWord::BeforeSeries, "before"),
        (crate::work::WhenWord::BeforePortion, "portion"),
        (crate::work::WhenWord::AfterPortion, "between"),
        (crate::work::WhenWord::AfterSeries, "after"),
    ] {
        lines.extend(procedure.due(when).map(|step| {
            let source = step.source.as_deref().unwrap_or("common practice");
            format!("{title:<9} {} ({source})", step.text)
        }));
    }
    lines.extend(procedure.cautions.iter().map(|caution| format!("caution   {caution}")));
    lines
}
