//! What is gone through beside runs: the ledger, charts of control samples and trends, steps of preparation and care.

use crate::cli::command::review::{reviewed_to, subject};
use crate::cli::{Exit, Fault};
use crate::dashboard::desk::{Answer, Decision, Decisions, FileOf, LineChart};
use crate::report::controlled;
use crate::store::Reader;
use crate::work::{Command, Procedure, Role, RunPlan, StepRecord, Trend, steps_of, trends};

/// Rows of the ledger that are shown at most, the latest.
const ROWS: i64 = 2_000;
/// Series that are looked through for control samples.
pub(super) const LISTED: usize = 1_000;
/// So many series at the beginning set the lines of a control chart.
const FIRST: usize = 20;

/// The ledger, from its first row on or since the last review.
pub(super) fn decisions(reader: &Reader, all: bool) -> Result<Answer, Fault> {
    let last = reader.anchor()?.map_or(0, |anchor| anchor.n);
    let reviewed = reviewed_to(reader)?;
    let after = if all { 0 } else { reviewed };
    let from = after.max(last - ROWS);
    let rows = reader.ledger_part(from, ROWS)?;
    let row = |row: crate::store::LedgerRow| -> Result<Decision, Fault> {
        let what = format!("{} {}", row.verb, subject(reader, &row)?);
        Ok(Decision { n: row.n, utc_us: row.utc_us, who: row.who, what, why: row.why })
    };
    Ok(Answer::Decisions(Decisions {
        all,
        rows: rows.into_iter().map(row).collect::<Result<_, _>>()?,
        left_out: from - after,
        since: (last > reviewed).then_some((reviewed + 1, last)),
    }))
}

/// Every control chart, then every trend.
pub(super) fn charts(reader: &Reader) -> Result<Answer, Fault> {
    let mut charts = Vec::new();
    for (procedure, text) in controlling(reader)? {
        charts.push(control(reader, &procedure, text)?);
    }
    for trend in trends(&reader.fits(LISTED)?) {
        let mut words = vec![(false, trend.group.words())];
        words.extend(trend.words().map(|words| (true, format!("CHANGED: {words}"))));
        if trend.change.is_none() {
            words.push((false, format!("{} runs, no lasting change", trend.values.len())));
        }
        charts.push(LineChart {
            of: Some(FileOf::Trend(trend_title(&trend), trend.group.words())),
            title: trend_title(&trend),
            unit: trend.unit.to_string(),
            points: trend.values.iter().map(|(run, value)| (format!("run {run}"), *value, None)).collect(),
            lines: None,
            words,
        });
    }
    Ok(Answer::Charts(charts))
}

/// What the chart of a trend is called.
pub(super) fn trend_title(trend: &Trend) -> String {
    format!("trend of {}: {}", trend.name, trend.group.title)
}

/// The procedures that control samples were titrated by, the latest text of each.
fn controlling(reader: &Reader) -> Result<Vec<(Procedure, String)>, Fault> {
    let mut found: Vec<(Procedure, String)> = Vec::new();
    for row in reader.series_list(LISTED)? {
        for portion in reader.series(&row.series)?.iter().filter(|p| p.portion.role == Role::Control) {
            let known = found.iter().any(|(procedure, _)| procedure.title == portion.head.title);
            let text = &portion.head.plan.procedure;
            if !known && let Ok(procedure) = Procedure::read("of the control", text) {
                found.push((procedure, text.clone()));
            }
        }
    }
    Ok(found)
}

fn control(reader: &Reader, procedure: &Procedure, text: String) -> Result<LineChart, Fault> {
    let control = controlled(reader, procedure, FIRST, None)?;
    let point = |(at, point): (usize, &crate::report::ControlPoint)| {
        let said: Vec<&str> = control.signals.iter().filter(|s| s.at == at).map(|s| s.rule.words()).collect();
        (point.series.clone(), point.value, (!said.is_empty()).then(|| said.join("; ")))
    };
    let mut words = Vec::new();
    match &control.lines {
        Some(l) => words.push((
            false,
            format!(
                "centre {:.4}, warning {:.4} to {:.4}, action {:.4} to {:.4}",
                l.centre, l.warning.0, l.warning.1, l.action.0, l.action.1
            ),
        )),
        None => words.push((false, "lines need at least two series with a control sample".to_owned())),
    }
    if let Some(stated) = control.stated {
        let latest = control.points.last().filter(|_| stated > 0.0);
        let recovery = latest
            .map_or_else(String::new, |p| format!(", the latest recovers {:.2} %", 100.0 * p.value / stated));
        words.push((false, format!("the control material states {stated}{recovery}")));
    }
    let acts = control.signals.iter().filter(|s| s.rule.asks_for_action()).count();
    if acts > 0 {
        let points = if acts == 1 { "one point asks" } else { "several points ask" };
        words.push((true, format!("{points} for action")));
    }
    Ok(LineChart {
        of: Some(FileOf::Control(procedure.title.clone(), text)),
        title: format!("control samples: {}", procedure.title),
        unit: control.points.first().map(|p| p.unit.clone()).unwrap_or_default(),
        points: control.points.iter().enumerate().map(point).collect(),
        lines: control.lines.as_ref().map(|l| [l.action.0, l.warning.0, l.centre, l.warning.1, l.action.1]),
        words,
    })
}

/// The portion with the name of its series, as the recorder gives it where none was typed.
pub(super) fn in_series(procedure: &Procedure, plan: &RunPlan) -> RunPlan {
    let mut plan = plan.clone();
    if plan.series.trim().is_empty() {
        plan.series = format!("{} {}", procedure.id, jiff::ZonedDateTime::now().date());
    }
    plan
}

/// The steps of a portion.
pub(super) fn steps(reader: &Reader, plan: &RunPlan) -> Result<Answer, Fault> {
    let definition = |text: String| Fault { text, exit: Exit::Definition };
    let procedure = Procedure::read("of this portion", &plan.procedure).map_err(definition)?;
    let plan = in_series(&procedure, plan);
    let lines = steps_of(&procedure, &plan, &reader.steps(&plan.series)?);
    Ok(Answer::Steps(Box::new(plan), lines))
}

/// What is said about a step, as the command that keeps it.
pub(super) fn step(record: &StepRecord) -> Result<Answer, Fault> {
    let document = record.document().map_err(|text| Fault { text, exit: Exit::OwnFault })?;
    let words = format!("{}: {}", if record.done { "done" } else { "skipped" }, record.step);
    Ok(Answer::Asks(vec![Command::Enter { document: Box::new(document) }], words))
}
