//! `dropwise equipment`: what the lab measures with, entered from a file and kept in the record with its versions.

use crate::cli::enter::enter;
use crate::cli::output::Output;
use crate::cli::typed::stock;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::store::Reader;
use crate::work::{Document, Equipment, EquipmentKind, Origin, Stock, equipment_schema, read_equipment};
use clap::Subcommand;
use std::path::PathBuf;

/// Commands about equipment.
#[derive(Debug, Subcommand)]
pub enum EquipmentCommand {
    /// Enter what a file lists; what has changed becomes a new version, what is the same stays
    Add {
        /// The equipment file
        file: PathBuf,
        /// Why something changes
        #[arg(long, default_value = "")]
        reason: String,
    },
    /// List what is in use, with uncertainty and validity
    List {
        /// Only this kind: burette, pipette, flask, balance, thermometer, buffer, standard, titrant, electrode, control
        kind: Option<String>,
        /// One JSON object a line
        #[arg(long)]
        json: bool,
    },
    /// Check an equipment file without entering anything
    Check {
        /// The equipment file
        file: PathBuf,
    },
    /// Print the JSON Schema of equipment files
    Schema,
}

fn read(file: &PathBuf) -> Result<Vec<Equipment>, Fault> {
    let text = std::fs::read_to_string(file)
        .map_err(|e| Fault::misuse(format!("{} cannot be read: {e}", file.display())))?;
    read_equipment(&file.display().to_string(), &text).map_err(|faults| Fault {
        text: faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"),
        exit: Exit::Definition,
    })
}

impl EquipmentCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// When a file has mistakes, or the record cannot be used.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        match self {
            Self::Add { file, reason } => add(&read(file)?, reason, settings, output),
            Self::Check { file } => {
                output.line(&format!("{} entries, no mistakes", read(file)?.len()))?;
                Ok(Exit::Done)
            }
            Self::List { kind, json } => list(kind.as_deref(), *json, settings, output),
            Self::Schema => {
                output.line(&format!("{:#}", equipment_schema()))?;
                Ok(Exit::Done)
            }
        }
    }
}

fn add(all: &[Equipment], reason: &str, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
    let documents = documents(all, &stock(settings)?, reason)?;
    for document in &documents {
        output.line(&visible(&format!("{:<7} {} {}", document.verb, document.kind, document.name)))?;
    }
    if documents.is_empty() {
        output.line("nothing has changed")?;
        return Ok(Exit::Done);
    }
    for document in documents {
        enter(settings, document)?;
    }
    Ok(Exit::Done)
}

/// What of the entries is new or changed, as the recorder takes it.
///
/// # Errors
/// When an entry cannot be written as JSON.
pub(in crate::cli) fn documents(
    all: &[Equipment],
    stock: &Stock,
    reason: &str,
) -> Result<Vec<Document>, Fault> {
    let mut documents = Vec::new();
    for entry in all {
        let known = stock.named(entry.kind, &entry.name);
        let verb = match known {
            Some(kept) if kept.it == *entry => continue,
            Some(_) if entry.retired => "retire",
            Some(_) => "change",
            None => "enter",
        };
        let body =
            serde_json::to_string(entry).map_err(|e| Fault { text: e.to_string(), exit: Exit::OwnFault })?;
        documents.push(Document {
            kind: entry.kind.word().to_owned(),
            name: entry.name.clone(),
            body,
            origin: Origin::Keyed,
            verb: verb.to_owned(),
            why: reason.to_owned(),
        });
    }
    Ok(documents)
}

fn list(kind: Option<&str>, json: bool, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
    let wanted = kind
        .map(|word| {
            EquipmentKind::parse(word).ok_or_else(|| {
                let words: Vec<&str> = EquipmentKind::ALL.into_iter().map(EquipmentKind::word).collect();
                Fault::misuse(format!(
                    "\"{word}\" is no kind of equipment; write one of {}",
                    words.join(", ")
                ))
            })
        })
        .transpose()?;
    let stock = Reader::open(&settings.record)?.stock()?;
    let today = jiff::ZonedDateTime::now().date();
    let mut shown = 0;
    for kept in stock.equipment.iter().filter(|kept| wanted.is_none_or(|kind| kept.it.kind == kind)) {
        let it = &kept.it;
        shown += 1;
        if json {
            let object = serde_json::json!({ "datum": kept.datum, "entered_by": kept.who, "equipment": it });
            output.line(&object.to_string())?;
            continue;
        }
        let number =
            |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |v| format!("{v} {}", it.unit));
        let valid = it.why_not(today).unwrap_or_else(|| {
            it.valid_to.map_or_else(|| "valid".to_owned(), |to| format!("valid until {to}"))
        });
        output.line(&visible(&format!(
            "{:<11}  {}  {}  u {}  {}{}",
            it.kind.word(),
            it.name,
            number(it.value),
            it.u.map_or_else(|| "not entered".to_owned(), |u| format!("{u:.3e} {}", it.unit)),
            valid,
            it.certificate.as_ref().map_or_else(String::new, |c| format!("  certificate {c}")),
        )))?;
    }
    if shown == 0 && !json {
        output.line("nothing is entered yet; `dropwise equipment schema` tells how a file looks")?;
    }
    Ok(Exit::Done)
}
