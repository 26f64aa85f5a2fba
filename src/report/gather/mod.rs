//! A report is gathered once from the record; what shows it asks nothing more.

mod basis;
mod chart;
mod portion;
mod proof;
mod stated;
mod steps;
mod words;

pub use chart::{Chart, ControlPoint, Controlled, chart_of, controlled};
pub use stated::stated;

use super::picture::{Overlaid, overlay, short};
use super::{Document, Header, Standing, Stated};
use crate::reading::Curve;
use crate::store::{Anchor, Excerpt, LedgerRow, Reader};
use crate::work::result::{NextStep, SeriesValue};
use crate::work::{Origin, Procedure, Role, RunId, kind};
use portion::Portion;
use rayon::prelude::{IntoParallelRefMutIterator, ParallelIterator};
use sha2::{Digest, Sha256};
use stated::Group;
use words::{brief, moment, number};

/// What a report is about.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Subject {
    /// One run.
    Run(RunId),
    /// A series, by its name.
    Series(String),
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
    let anchor = reader.anchor()?.ok_or_else(|| {
        Error::Words(
            "the ledger of the record is empty: there is nothing that a report could rest on".to_owned(),
        )
    })?;
    let groups = stated::groups(reader, subject)?;
    let stated = stated::of_groups(&groups);
    let detailed: Vec<RunId> = match subject {
        Subject::Run(run) => vec![*run],
        Subject::Series(_) => groups.iter().flat_map(Group::runs).collect(),
    };
    let mut portions: Vec<Portion> =
        detailed.iter().map(|run| Portion::read(reader, *run)).collect::<Result<_, _>>()?;
    // The curves are fitted again for their pictures: all that takes time in a report.
    portions.par_iter_mut().for_each(Portion::fit);
    let others: Vec<RunId> = match subject {
        Subject::Run(run) => reader.portions_with(*run)?.iter().map(|p| p.run).collect(),
        Subject::Series(_) => Vec::new(),
    };
    let basis = basis::Basis::of(reader, &portions)?;
    let mut excerpt = basis.excerpt(reader, &portions)?;
    let steps = steps::Steps::of(reader, &portions)?;
    excerpt.datums.extend(&steps.datums);
    excerpt.runs.extend(&others);
    if let Subject::Series(series) = subject {
        for group in &groups {
            let name = format!("{series} / {}", group.sample);
            excerpt.datums.extend(reader.latest_datum(kind::ACCEPTED, &name)?.map(|datum| datum.id));
        }
    }
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
            Subject::Series(_) => "Report of a series".to_owned(),
        },
        subtitle: crate::reading::visible(&title),
        mark: origin.map_or_else(String::new, mark),
        header,
        anchor: anchor.to_string(),
        ..Document::default()
    };
    head(&mut document, subject, &portions, (made_utc_us, who));
    for group in &groups {
        group_section(reader, &mut document, subject, group, &portions)?;
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
    proof::sections(reader, &mut document, &portions, &ledger, &anchor)?;
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
        Subject::Run(_) => first.map_or_else(String::new, |p| p.stored.head.plan.series.clone()),
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

fn group_section(
    reader: &Reader,
    document: &mut Document,
    subject: &Subject,
    group: &Group,
    portions: &[Portion],
) -> Result<(), Error> {
    // The whole name stands at the head of the report; a heading has room for a line.
    let sample = if group.sample.is_empty() { "not named".to_owned() } else { short(&group.sample) };
    let heading = match group.role {
        Role::Blank => "Blanks".to_owned(),
        role => format!("{}: {sample}", words::capital(role.word())),
    };
    document.heading(1, heading);
    let accepted = match subject {
        Subject::Series(series) => {
            reader.latest_datum(kind::ACCEPTED, &format!("{series} / {}", group.sample))?
        }
        Subject::Run(_) => None,
    };
    for (n, one) in group.stated().iter().enumerate() {
        let mut more = vec![one.interval()];
        if let Some(value) = group.values().get(n) {
            more.extend(value.mean.incomplete.clone());
        }
        if n == 0 {
            more.extend(accepted.as_ref().map(|datum| {
                format!(
                    "accepted by {} on {}",
                    words::person(&datum.who),
                    moment(datum.utc_us, datum.utc_offset_s)
                )
            }));
        }
        let standing = if n == 0 { group.standing() } else { None };
        document.stated(&format!("{}, {sample}", one.name), &one.line, &more, standing);
    }
    for missing in group.missing() {
        document.words(format!("no result: {missing}"));
    }
    if let Some(result) = group.series_result() {
        let findings = result
            .findings
            .iter()
            .map(|f| vec![if f.passes { "ok".to_owned() } else { "OUTSIDE".to_owned() }, f.words.clone()])
            .collect();
        document.table(&["verdict", "limit of the procedure"], findings);
        for advice in &result.advice {
            document.words(format!("advice: {advice}"));
        }
    }
    if matches!(subject, Subject::Series(_)) {
        document.heading(2, "Every portion started");
        document.table(
            &[">portion", ">run", ">end-point", ">result", "unit", "what became of it"],
            group.portions.iter().map(|p| portion_row(portions, p)).collect(),
        );
    }
    for value in group.values() {
        statistics(document, value);
    }
    let first = group.values().first().map(|value| &value.mean).or_else(|| group.alone());
    if let Some(value) = first {
        document.heading(2, format!("Uncertainty budget: {}", value.name));
        budget(document, value);
    }
    series_picture(document, group, portions);
    Ok(())
}

fn portion_row(portions: &[Portion], of: &crate::store::StoredPortion) -> Vec<String> {
    let p = &of.portion;
    let stored = portions.iter().find(|one| one.stored.row.run == p.run).map(|one| &one.stored);
    let ends = stored.map_or_else(String::new, |stored| {
        let unit = stored.row.titrant.unit().symbol();
        let all: Vec<String> = stored.findings.iter().map(|f| format!("{:.4} {unit}", f.titrant)).collect();
        all.join(", ")
    });
    let first = p.result.results.first();
    let fate = match (&p.set_aside, p.going_on, first) {
        (Some(why), _, _) => format!("set aside: {why}"),
        (None, true, _) => "goes on, or was cut off".to_owned(),
        (None, false, None) if p.role == Role::Blank => "counts as a blank".to_owned(),
        (None, false, None) => p.result.missing.join("; "),
        (None, false, Some(_)) => "counts".to_owned(),
    };
    vec![
        p.portion.to_string(),
        p.run.to_string(),
        ends,
        first.map_or_else(|| "-".to_owned(), |value| value.told.clone()),
        first.map_or_else(String::new, |value| value.unit.clone()),
        fate,
    ]
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

fn statistics(document: &mut Document, value: &SeriesValue) {
    let m = &value.mean;
    let unit = &m.unit;
    document.heading(2, format!("Statistics: {}", m.name));
    let with = |x: Option<f64>| x.map_or_else(String::new, |x| format!("{} {unit}", number(x)));
    document.pairs([
        ("portions that count", value.values.len().to_string()),
        ("mean", with(Some(m.value))),
        ("standard deviation s", with(value.s)),
        ("relative s", value.rsd.map_or_else(String::new, |rsd| format!("{:.3} %", rsd * 100.0))),
        (
            "confidence interval by scatter alone",
            with(value.confidence).replacen("", "± ", usize::from(value.confidence.is_some())),
        ),
        ("median", with(Some(value.median))),
        ("robust standard deviation", with(Some(value.robust_s))),
        ("u of the mean, shared", with(Some(value.u_shared))),
        ("u of the mean, portions propagated", with(Some(value.u_propagated))),
        ("u of the mean, observed s/√n", with(value.u_observed)),
        (
            "which scatter is used",
            if value.scatter_used { "the observed one, which is larger" } else { "the propagated one" }
                .to_owned(),
        ),
    ]);
}

/// Sources with a smaller share of the variance are only named.
const SHOWN: f64 = 0.0005;

fn budget(document: &mut Document, value: &crate::work::result::ResultValue) {
    let (shown, small): (Vec<_>, Vec<_>) = value.budget.iter().partition(|line| line.share >= SHOWN);
    let rows = shown
        .into_iter()
        .map(|line| {
            let extent = match line.portions {
                0 => "shared".to_owned(),
                1 => "of the portion".to_owned(),
                n => format!("of {n} portions"),
            };
            vec![
                line.name.clone(),
                brief(line.u),
                words::unit(&line.unit).to_owned(),
                brief(line.contribution),
                format!("{:.1} %", line.share * 100.0),
                line.degrees.map_or_else(|| "∞".to_owned(), |v| format!("{v:.1}")),
                extent,
                line.from.clone(),
            ]
        })
        .collect();
    let contribution = format!(">contribution / {}", value.unit);
    document.table(&["source", ">u", "unit", &contribution, ">share", ">degrees", "extent", "from"], rows);
    if !small.is_empty() {
        let share: f64 = small.iter().map(|line| line.share).sum();
        let names: Vec<&str> = small.iter().map(|line| line.name.as_str()).collect();
        document.words(format!(
            "{} further sources have together {:.3} % of the variance: {}.",
            small.len(),
            share * 100.0,
            names.join("; ")
        ));
    }
    let degrees = value.degrees.map_or_else(|| "∞".to_owned(), |v| format!("{v:.1}"));
    document.words(format!(
        "u = {} {unit}, effective degrees of freedom {degrees}, k = {:.3} for {:.1} %, U = k u = {} {unit}",
        brief(value.u),
        value.k,
        value.coverage * 100.0,
        brief(value.expanded),
        unit = value.unit
    ));
}

fn series_picture(document: &mut Document, group: &Group, portions: &[Portion]) {
    let runs: Vec<RunId> = group.runs().collect();
    let curves: Vec<(String, Curve, &Portion)> = portions
        .iter()
        .filter(|p| runs.contains(&p.stored.row.run) && p.stored.points.len() > 1)
        .map(|p| {
            let aside = if p.stored.row.set_aside.is_some() { " (set aside)" } else { "" };
            (format!("portion {}, run {}{aside}", p.stored.row.portion, p.stored.row.run), p.curve(), p)
        })
        .collect();
    if curves.len() < 2 {
        return;
    }
    let overlaid: Vec<Overlaid<'_>> = curves
        .iter()
        .map(|(name, curve, p)| Overlaid { name, curve, end_points: &p.stored.findings })
        .collect();
    if let Ok(drawn) = overlay("", &overlaid).and_then(|picture| picture.svg()) {
        document.figure(drawn, "the curves of these portions; upright lines are their end-points, with two standard uncertainties on each side");
    }
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

impl Group {
    /// A limit is not kept, or the series is closed as failed.
    fn is_outside(&self) -> bool {
        self.series_result().is_some_and(|result| {
            matches!(result.next, NextStep::Failed { .. }) || result.findings.iter().any(|f| !f.passes)
        })
    }

    /// What the limits say of the whole, in one sentence.
    fn standing(&self) -> Option<Standing> {
        let result = self.series_result()?;
        let (passes, words) = match &result.next {
            NextStep::Done => (true, "complete; within every limit of the procedure".to_owned()),
            NextStep::Portion { portion, why } => {
                (false, format!("not complete: portion {portion} is to come ({why})"))
            }
            NextStep::Wait => (false, "not complete: a portion goes on".to_owned()),
            NextStep::Failed { why } => (false, format!("closed as failed: {why}")),
        };
        Some(Standing { passes, words })
    }
}

/// The procedure of a run, if its text is understood.
fn procedure_of(text: &str) -> Option<Procedure> {
    if text.is_empty() { None } else { Procedure::read("of the run", text).ok() }
}
