//! `dropwise record anchor`, and anchors as text.

use super::unwritable;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::store::{Anchor, Reader, append_anchor, parse_anchors};
use clap::Args;
use std::path::PathBuf;

/// Arguments of `record anchor`.
#[derive(Debug, Args)]
pub struct AnchorArgs {
    /// Append it to this file as well, best on another machine or medium
    #[arg(long, value_name = "FILE")]
    append: Option<PathBuf>,
    /// One JSON object
    #[arg(long)]
    json: bool,
}

impl AnchorArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the record cannot be read, has no ledger yet, or the file cannot be written.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let Some(anchor) = Reader::open(&settings.record)?.anchor()? else {
            return Err(Fault {
                text: "nothing has been decided in this record yet, so there is no anchor".to_owned(),
                exit: Exit::Record,
            });
        };
        if let Some(path) = &self.append {
            append_anchor(path, &anchor).map_err(|e| {
                Fault::misuse(format!(
                    "the anchor cannot be appended to {}: {e}; name another file",
                    path.display()
                ))
            })?;
        }
        let json = serde_json::to_string(&anchor).map_err(|e| unwritable(e.into()))?;
        output.line(&if self.json { json } else { anchor.to_string() }).map_err(unwritable)?;
        Ok(Exit::Done)
    }
}

/// The anchors in a file, or in the text itself.
///
/// # Errors
/// When there are none.
pub(super) fn named_anchors(text: &str) -> Result<Vec<Anchor>, Fault> {
    let path = std::path::Path::new(text);
    let is_report = path.extension().is_some_and(|e| e == "pdf" || e == "html");
    let content = if path.is_file() && is_report {
        let carried = crate::report::read_back(path).map_err(Fault::misuse)?;
        carried.summary.anchor.to_string()
    } else if path.is_file() {
        std::fs::read_to_string(path)
            .map_err(|e| Fault::misuse(format!("{} cannot be read: {e}", path.display())))?
    } else {
        text.to_owned()
    };
    let anchors = parse_anchors(&content);
    if anchors.is_empty() {
        return Err(Fault::misuse(format!(
            "\"{text}\" is neither a file with anchors nor an anchor; `dropwise record anchor` prints one"
        )));
    }
    Ok(anchors)
}
