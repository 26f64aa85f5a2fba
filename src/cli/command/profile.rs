//! `dropwise profile check|explain|schema`: the tools of a profile's author.

use super::draft::DraftArgs;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::profile::{Diagnostic, Explainer, Passed, Profile, Severity, json_schema, shipped_names};
use crate::source::capture::{CaptureReader, Captured};
use clap::Subcommand;
use serde_json::json;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What can be done with profiles.
#[derive(Debug, Subcommand)]
pub enum ProfileCommand {
    /// Look for mistakes, run the examples as tests, and warn of patterns that hardly mean what they say
    Check {
        /// Profile files, or names of profiles that ship; all that ship when none is given
        profiles: Vec<String>,
        /// One JSON object a line for each finding
        #[arg(long)]
        json: bool,
    },
    /// Show what a profile makes of a capture: first what it would send, then each frame, then sums
    Explain {
        /// The profile: a file, or the name of one that ships
        profile: String,
        /// The capture file
        capture: PathBuf,
    },
    /// Propose a profile from a capture alone; what is doubtful stays a comment or becomes a question
    Draft(DraftArgs),
    /// Print the JSON Schema of the profile file, for editors
    Schema,
}

impl ProfileCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// When a file cannot be read, or the profile of `explain` has mistakes.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        match self {
            Self::Check { profiles, json } => check(profiles, *json, settings, output),
            Self::Explain { profile, capture } => explain(profile, capture, settings, output),
            Self::Draft(draft) => draft.run(output),
            Self::Schema => {
                let text = serde_json::to_string_pretty(json_schema()).unwrap_or_default();
                print(&text, output)?;
                Ok(Exit::Done)
            }
        }
    }
}

fn check(
    profiles: &[String],
    as_json: bool,
    settings: &Settings,
    output: &mut Output,
) -> Result<Exit, Fault> {
    let names: Vec<String> =
        if profiles.is_empty() { shipped_names().map(str::to_owned).collect() } else { profiles.to_vec() };
    let mut exit = Exit::Done;
    for name in names {
        let (file, text) = read(&name, settings)?;
        let parsed = Profile::parse(&file, &text);
        let (found, examples) = match parsed {
            Ok(profile) => {
                let examples = profile.example_count();
                (Arc::new(profile).check(), examples)
            }
            Err(found) => (found, 0),
        };
        let errors = found.iter().filter(|d| d.severity == Severity::Error).count();
        if errors > 0 {
            exit = Exit::Definition;
        }
        for diagnostic in &found {
            let line = if as_json { as_line(diagnostic) } else { format!("{diagnostic}\n") };
            print(&line, output)?;
        }
        if !as_json {
            let warnings = found.len() - errors;
            print(&format!("{file}: {errors} errors, {warnings} warnings, {examples} examples run"), output)?;
        }
    }
    Ok(exit)
}

fn as_line(diagnostic: &Diagnostic) -> String {
    let severity = if diagnostic.severity == Severity::Error { "error" } else { "warning" };
    json!({
        "code": diagnostic.code, "severity": severity, "file": diagnostic.file, "line": diagnostic.line,
        "column": diagnostic.column, "marked": diagnostic.marked, "message": diagnostic.message,
        "remedy": diagnostic.remedy,
    })
    .to_string()
}

fn explain(profile: &str, capture: &Path, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
    let (file, text) = read(profile, settings)?;
    let profile = Profile::parse(&file, &text).map_err(|found| Fault {
        text: found.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n\n"),
        exit: Exit::Definition,
    })?;
    let colour = std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    let mut explainer = Explainer::new(Arc::new(profile), colour);
    print(explainer.head().trim_end(), output)?;
    let reader = CaptureReader::open(capture).map_err(|e| Fault::misuse(e.to_string()))?;
    let header = reader.header().cloned().unwrap_or_default();
    for entry in reader {
        let entry = entry.map_err(|e| Fault::misuse(e.to_string()))?;
        let told = match &entry.what {
            Captured::In(bytes) => explainer.chunk(header.stamp(entry.t_s), Passed::In(bytes)),
            Captured::Out(bytes) => explainer.chunk(header.stamp(entry.t_s), Passed::Out(bytes)),
            Captured::Note(note) => {
                format!("{:>10.3} s  note: {}\n", entry.t_s, crate::reading::visible(note))
            }
        };
        if !told.is_empty() {
            print(told.trim_end(), output)?;
        }
        if output.is_closed() {
            return Ok(Exit::Done);
        }
    }
    print(explainer.end().trim_end(), output)?;
    Ok(Exit::Done)
}

/// File name and text of a profile, mistakes and all.
fn read(name: &str, settings: &Settings) -> Result<(String, String), Fault> {
    if let Some(text) = Profile::shipped_text(name) {
        return Ok((format!("{name}.toml"), text.to_owned()));
    }
    settings.read_named("instruments", name).map_err(|why| {
        let shipped = shipped_names().collect::<Vec<_>>().join(", ");
        Fault {
            text: format!("there is no profile \"{name}\": {why}; these ship: {shipped}"),
            exit: Exit::Definition,
        }
    })
}

fn print(text: &str, output: &mut Output) -> Result<(), Fault> {
    output
        .line(text)
        .map_err(|e| Fault { text: format!("standard output cannot be written: {e}"), exit: Exit::OwnFault })
}
