//! `dropwise review`: what was decided since the last review.

use super::list::local_time;
use super::sign::sign;
use crate::cli::key::KeyFile;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::store::{LedgerRow, Meaning, Reader, Signed};
use clap::Args;

/// Arguments of `review`.
#[derive(Debug, Args)]
pub struct ReviewArgs {
    /// From the first row on, not only since the last review
    #[arg(long)]
    all: bool,
    /// Sign with the key of this person that these rows were reviewed
    #[arg(long = "sign-as", value_name = "NAME", conflicts_with = "all")]
    sign_as: Option<String>,
    /// Anything to say with the signature
    #[arg(long, default_value = "", requires = "sign_as")]
    why: String,
    /// One JSON object a row
    #[arg(long)]
    json: bool,
}

impl ReviewArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the record cannot be read, or the key does not open.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let unwritable = |e: std::io::Error| Fault {
            text: format!("the output cannot be written: {e}"),
            exit: Exit::OwnFault,
        };
        let reader = Reader::open(&settings.record)?;
        let after = if self.all { 0 } else { reviewed_to(&reader)? };
        let rows = reader.ledger(after)?;
        for row in &rows {
            let text = if self.json {
                serde_json::to_string(row).map_err(|e| unwritable(e.into()))?
            } else {
                row_text(&reader, row)?
            };
            output.line(&text).map_err(unwritable)?;
        }
        let Some((first, last)) = rows.first().zip(rows.last()) else {
            if !self.json {
                output.line("nothing was decided since the last review").map_err(unwritable)?;
            }
            return Ok(Exit::Done);
        };
        if let Some(name) = &self.sign_as {
            output.flush().map_err(unwritable)?;
            let key = KeyFile::read(settings, name)?;
            let signed = Signed::Ledger { from: first.n, to: last.n };
            sign(settings, &reader, signed, Meaning::Reviewed, &key, &self.why)?;
            let text = format!("rows {} to {} of the ledger are signed: reviewed by {name}", first.n, last.n);
            output.line(&text).map_err(unwritable)?;
        }
        Ok(Exit::Done)
    }
}

/// The last row of the ledger that somebody reviewed.
///
/// # Errors
/// When the record cannot be read.
pub(in crate::cli) fn reviewed_to(reader: &Reader) -> Result<i64, Fault> {
    let reviews = reader.signatures("ledger")?;
    let last = |signed: &Signed| match signed {
        Signed::Ledger { to, .. } => *to,
        Signed::Reckoning { .. } => 0,
    };
    Ok(reviews.iter().filter(|s| s.holds()).map(|s| last(&s.unsigned.signed)).max().unwrap_or(0))
}

/// What a row tells of: a document with what it is and its name.
///
/// # Errors
/// When the record cannot be read.
pub(in crate::cli) fn subject(reader: &Reader, row: &LedgerRow) -> Result<String, Fault> {
    let number = row.subject.strip_prefix("datum ").and_then(|n| n.parse().ok());
    let datum = number.map(|id| reader.datum(id)).transpose()?.flatten();
    let named = datum.map_or_else(String::new, |datum| format!(", {} {}", datum.kind, datum.name));
    Ok(format!("{}{named}", row.subject))
}

fn row_text(reader: &Reader, row: &LedgerRow) -> Result<String, Fault> {
    let why = if row.why.is_empty() { String::new() } else { format!("  {}", row.why) };
    Ok(visible(&format!(
        "{:>6}  {}  {} ({})  {} {}{why}",
        row.n,
        local_time(row.utc_us),
        row.who,
        row.identity,
        row.verb,
        subject(reader, row)?
    )))
}
