//! What is accepted of a series, as the documents that the recorder takes.

use super::result::{NextStep, SeriesPortion, SeriesResult, mean_sources};
use super::{Document, Factor, Origin, Procedure, kind};

/// The acceptance of what a sample came to in a series of real runs. On the simulated bench it is practised: the document
/// is of another kind with another verb, which no report, export or limit takes for the result of a sample.
///
/// # Errors
/// In words: the runs are played back or imported, or the series does not pass.
pub fn acceptance(
    series: &str,
    sample: &str,
    origin: Origin,
    result: &SeriesResult,
    why: &str,
) -> Result<Document, String> {
    let (kind, verb) = match origin {
        origin if origin.is_real() => (kind::ACCEPTED, "accept"),
        Origin::Simulator => (kind::PRACTISED, "practise"),
        _ => {
            return Err(format!("nothing is accepted: origin {}, not the work on a sample", origin.word()));
        }
    };
    if result.next != NextStep::Done {
        return Err("nothing is accepted: the series does not pass, or is not complete".to_owned());
    }
    let body = serde_json::json!({ "series": series, "sample": sample, "result": result }).to_string();
    Ok(Document {
        kind: kind.to_owned(),
        name: format!("{series} / {sample}"),
        body,
        origin,
        verb: verb.to_owned(),
        why: why.to_owned(),
    })
}

/// The strength of a lot as a series of standardisations gave it. `nominal` is that of the lot, in the unit of the result.
///
/// # Errors
/// In words: the series does not pass, or the procedure computes nothing.
pub fn factor_of(
    lot: &str,
    (series, origin): (&str, Origin),
    procedure: &Procedure,
    portions: &[SeriesPortion],
    result: &SeriesResult,
    nominal: Option<f64>,
) -> Result<Factor, String> {
    if result.next != NextStep::Done {
        return Err("no factor is accepted: the series does not pass, or is not complete".to_owned());
    }
    let first = result.results.first().ok_or("the procedure computes nothing")?;
    let sources = mean_sources(procedure, portions)?;
    Ok(Factor {
        lot: lot.to_owned(),
        value: first.mean.value,
        u: first.mean.u,
        unit: first.mean.unit.clone(),
        factor: nominal.filter(|n| *n > 0.0).map(|n| first.mean.value / n),
        series: series.to_owned(),
        procedure: format!("{} revision {}", procedure.id, procedure.revision),
        origin,
        n: result.counted,
        s: first.s,
        sources: sources.into_iter().next().unwrap_or_default(),
    })
}

impl Factor {
    /// The factor as the recorder takes it: it holds from then on.
    ///
    /// # Errors
    /// In words, when it cannot be written as JSON.
    pub fn document(&self, why: &str) -> Result<Document, String> {
        Ok(Document {
            kind: kind::FACTOR.to_owned(),
            name: self.lot.clone(),
            body: serde_json::to_string(self).map_err(|e| e.to_string())?,
            origin: self.origin,
            verb: "accept".to_owned(),
            why: why.to_owned(),
        })
    }
}
