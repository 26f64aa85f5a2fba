//! A report is gathered once from the record; what shows it asks nothing more.

mod basis;
mod chart;
mod group;
mod portion;
mod proof;
mod stated;
mod steps;
mod words;

pub use chart::{Chart, ControlPoint, Controlled, chart_of, controlled};
pub use stated::stated;

use super::{Document, Header, Stated};
use crate::store::{Anchor, Excerpt, LedgerRow, Reader};
use crate::work::{Origin, Procedure, Role, RunId, kind};
use portion::Portion;
use rayon::prelude::{IntoParallelRefMutIterator, ParallelIterator};
use sha2::{Digest, Sha256};
use stated::Group;
use std::collections::BTreeSet;
use words::moment;

/// What a report is about.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Subject {
    /// One run.
    Run(RunId),
    /// A series, by its name.
    Series(String),
    /// The control samples of a procedure.
    Control {
        /// Title of the procedure.
        title: String,
        /// Its id.
        procedure: String,
        /// So many series at the beginning set the lines.
        first: usize,
        /// Standard deviation from validation, in the unit of the result.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        s: Option<f64>,
    },
    /// The checks of an electrode, by its name.
    Electrode(String),
    /// The factors of a titrant, by its lot.
    Titrant(String),
}

/// A report with what is needed to prove it.
#[derive(Debug, Clone, PartialEq)]
pub struct Gathered {
    /// The document.
    pub document: Document,
    /// What it is about.
    pub subject: Subject,
    /// What it states.
    pub stated: Vec<Stated>,
    /// What it rests on.
    pub excerpt: Excerpt,
    /// The head of the ledger at that moment.
    pub anchor: Anchor,
    /// The decisions about what it rests on, and what follows them up to the anchor.
    pub ledger: Vec<LedgerRow>,
    /// Who made it.
    pub who: String,
    /// A result is outside its limits.
    pub outside: bool,
}

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The record cannot be read.
    #[error(transparent)]
    Record(#[from] crate::store::Error),
    /// In words.
    #[error("{0}")]
    Words(String),
}

impl From<String> for Error {
    fn from(words: String) -> Self {
        Self::Words(words)
    }
}

/// Gathers the report on a subject, as the record stands now.
///
/// # Errors
/// When the record cannot be read, or has no such run or series.
pub fn gather(
    reader: &Reader,
    subject: &Subject,
    header: Header,
    (made_utc_us, who): (i64, &str),
) -> Result<Gathered, Error> {
    reader.hold()?;
    let anchor = anchor_of(reader)?;
    let groups = stated::groups(reader, subject)?;
    let stated = stated::of_groups(&groups);
    let detailed: Vec<RunId> = match subject {
        Subject::Run(run) => vec![*run],
        _ => groups.iter().flat_map(Group::runs).collect(),
    };
    let mut portions: Vec<Portion> =
        detailed.iter().map(|run| Portion::read(reader, *run)).collect::<Result<_, _>>()?;
    // The curves are fitted again for their pictures: all that takes time in a report.
    portions.par_iter_mut().for_each(Portion::fit);
    let others: Vec<RunId> = match subject {
        Subject::Run(run) => reader.portions_with(*run)?.iter().map(|p| p.run).collect(),
        _ => Vec::new(),
    };
    let basis = basis::Basis::of(reader, &portions)?;
    let mut excerpt = basis.excerpt(reader, &portions)?;
    let steps = steps::Steps::of(reader, &portions)?;
    excerpt.datums.extend(&steps.datums);
    excerpt.runs.extend(&others);
    let mut chosen: BTreeSet<i64> = BTreeSet::new();
    for portion in &portions {
        let name = format!("run {}", portion.stored.row.run);
        chosen.extend(reader.datum_versions(kind::REPORTED, &name)?.iter().map(|datum| datum.id));
    }
    if let Subject::Series(series) = subject {
        for group in &groups {
            let name = format!("{series} / {}", group.sample);
            chosen.extend(reader.latest_datum(kind::ACCEPTED, &name)?.map(|datum| datum.id));
        }
    }
    excerpt.datums.extend(&chosen);
    let ledger = reader.ledger_excerpt(&excerpt, &anchor)?;

    let origin = portions.iter().map(|p| p.stored.row.origin).find(|o| !o.is_real());
    let procedure = portions.iter().find_map(|p| p.procedure.as_ref());
    let title = procedure.map_or_else(
        || portions.first().map_or_else(String::new, |p| p.stored.row.title.clone()),
        |p| p.title.clone(),
    );
    let mut document = Document {
        id: id(subject, &anchor, made_utc_us),
        made_utc_us,
        title: match subject {
            Subject::Run(run) => format!("Report of run {run}"),
            _ => "Report of a series".to_owned(),
        },
        subtitle: crate::reading::visible(&title),
        mark: origin.map_or_else(String::new, mark),
        header,
        anchor: anchor.to_string(),
        ..Document::default()
    };
    head(&mut document, subject, &portions, (made_utc_us, who));
    for group in &groups {
        group::section(reader, &mut document, subject, group, &portions)?;
    }
    if groups.iter().all(|group| group.role == Role::Blank) && matches!(subject, Subject::Run(_)) {
        document.words("This run has no result by a formula; its end-points are given below.");
    }
    if let Subject::Run(run) = subject {
        every_portion(reader, &mut document, *run, &others)?;
    }
    basis.sections(&mut document, procedure);
    document.heading(1, "Portions");
    for portion in &portions {
        portion.section(&mut document);
    }
    steps.section(&mut document);
    cautions(&mut document, &portions);
    proof::sections(reader, &mut document, &portions, &chosen, &ledger, &anchor)?;
    Ok(Gathered {
        document,
        subject: subject.clone(),
        stated,
        excerpt,
        anchor,
        ledger,
        who: who.to_owned(),
        outside: groups.iter().any(Group::is_outside),
    })
}

/// The head of the ledger.
fn anchor_of(reader: &Reader) -> Result<Anchor, Error> {
    reader.anchor()?.ok_or_else(|| {
        Error::Words(
            "the ledger of the record is empty: there is nothing that a report could rest on".to_owned(),
        )
    })
}

/// What has to stand on every page of a report on runs that are not real.
fn mark(origin: Origin) -> String {
    let word = match origin {
        Origin::Simulator => "SIMULATED",
        Origin::Capture => "PLAYED FROM A CAPTURE",
        _ => "IMPORTED",
    };
    format!("{word} (origin {}): not the result of a sample", origin.word())
}

/// A name for the report: from what it is about, the anchor and the time.
pub(super) fn id(subject: &Subject, anchor: &Anchor, made_utc_us: i64) -> String {
    let text = format!("{subject:?} {anchor} {made_utc_us}");
    let digest = Sha256::digest(text.as_bytes());
    let hash: String = digest.iter().take(6).map(|byte| format!("{byte:02x}")).collect();
    let day = jiff::Timestamp::from_microsecond(made_utc_us).unwrap_or_default();
    format!("R-{}-{hash}", day.strftime("%Y%m%d"))
}

fn head(document: &mut Document, subject: &Subject, portions: &[Portion], (made_utc_us, who): (i64, &str)) {
    let first = portions.first();
    let mut samples: Vec<&str> = portions
        .iter()
        .filter(|p| matches!(p.stored.head.plan.role, Role::Sample | Role::Control))
        .map(|p| p.stored.row.sample.as_str())
        .filter(|sample| !sample.is_empty())
        .collect();
    samples.sort_unstable();
    samples.dedup();
    let series = match subject {
        Subject::Series(series) => series.clone(),
        _ => first.map_or_else(String::new, |p| p.stored.head.plan.series.clone()),
    };
    let mut people: Vec<String> = portions.iter().map(|p| words::person(&p.stored.who)).collect();
    people.sort_unstable();
    people.dedup();
    let began = portions.iter().map(|p| (p.stored.row.started_utc_us, p.offset_s)).min();
    let ended = portions.iter().filter_map(|p| p.ended).max();
    let mut pairs = vec![
        ("sample", samples.join(", ")),
        ("series", series),
        ("started", began.map_or_else(String::new, |(at, offset)| moment(at, offset))),
        ("ended", ended.map_or_else(String::new, |(at, offset)| moment(at, offset))),
        ("performed by", people.join(", ")),
    ];
    let mut origins: Vec<&str> = portions.iter().map(|p| p.stored.row.origin.word()).collect();
    origins.sort_unstable();
    origins.dedup();
    pairs.push(("origin of the data", origins.join(", ")));
    if let Some(procedure) = first.and_then(|p| p.procedure.as_ref()) {
        pairs.push(("procedure", format!("{}, revision {}", procedure.id, procedure.revision)));
        pairs.push(("follows", procedure.follows.clone().unwrap_or_default()));
    }
    let mut revisions: Vec<&str> = portions.iter().filter_map(|p| p.procedure_hash.as_deref()).collect();
    revisions.sort_unstable();
    revisions.dedup();
    pairs.push(("procedure SHA-256", revisions.join(", ")));
    pairs.push(("report made", format!("{} by {}", moment(made_utc_us, 0), words::person(who))));
    document.pairs(pairs);
}

/// Every portion of the sample of a run.
fn every_portion(reader: &Reader, document: &mut Document, run: RunId, all: &[RunId]) -> Result<(), Error> {
    let mut rows = Vec::new();
    for other in all {
        let stored = reader.run(*other)?;
        let unit = stored.row.titrant.unit().symbol();
        let ends: Vec<String> = stored.findings.iter().map(|f| format!("{:.4} {unit}", f.titrant)).collect();
        let result = reader.result(*other)?;
        let first = result.as_ref().and_then(|kept| kept.it.results.first());
        let this = if *other == run { "this report; " } else { "" };
        rows.push(vec![
            stored.row.portion.to_string(),
            other.to_string(),
            ends.join(", "),
            first.map_or_else(|| "-".to_owned(), |value| format!("{} {}", value.told, value.unit)),
            format!("{this}{}", words::fate(&stored.row)),
        ]);
    }
    document.heading(2, "Every portion started of this sample");
    document.table(&[">portion", ">run", ">end-point", "result", "what became of it"], rows);
    Ok(())
}

fn cautions(document: &mut Document, portions: &[Portion]) {
    let mut all: Vec<&str> = Vec::new();
    for caution in portions.iter().flat_map(|p| &p.stored.head.cautions) {
        if !all.contains(&caution.as_str()) {
            all.push(caution);
        }
    }
    if all.is_empty() {
        return;
    }
    document.heading(1, "Cautions");
    for caution in all {
        document.words(format!("• {caution}"));
    }
}

/// The procedure of a run, if its text is understood.
fn procedure_of(text: &str) -> Option<Procedure> {
    if text.is_empty() { None } else { Procedure::read("of the run", text).ok() }
}
