//! Which evaluation of a run is the reported one, as the document that the recorder takes.

use super::{Document, Origin, RunId, kind};
use serde::{Deserialize, Serialize};

/// The evaluation that a person has chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reported {
    /// Its number.
    pub reckoning: i64,
}

/// The choice of the evaluation that results, series, reports and exports of a run rest on from then on.
///
/// # Errors
/// In words, without a reason.
pub fn choice(run: RunId, reckoning: i64, origin: Origin, why: &str) -> Result<Document, String> {
    if why.trim().is_empty() {
        return Err("another reckoning is reported only with a reason".to_owned());
    }
    let body = serde_json::to_string(&Reported { reckoning }).map_err(|e| e.to_string())?;
    Ok(Document {
        kind: kind::REPORTED.to_owned(),
        name: format!("run {run}"),
        body,
        origin,
        verb: "report".to_owned(),
        why: format!("reckoning {reckoning}: {}", why.trim()),
    })
}
