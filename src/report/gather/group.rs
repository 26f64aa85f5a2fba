//! The portions of one sample in a report: what is stated, the verdict, every portion, statistics, budget, curves.

use super::portion::Portion;
use super::stated::Group;
use super::words::{self, brief, moment, number};
use super::{Error, Subject};
use crate::reading::Curve;
use crate::report::picture::{Overlaid, overlay, short};
use crate::report::{Document, Standing};
use crate::store::Reader;
use crate::work::result::{NextStep, ResultValue, SeriesValue};
use crate::work::{Role, RunId, kind};

pub(super) fn section(
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
        _ => None,
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

fn budget(document: &mut Document, value: &ResultValue) {
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

impl Group {
    /// A limit is not kept, or the series is closed as failed.
    pub(super) fn is_outside(&self) -> bool {
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
