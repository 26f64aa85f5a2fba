//! Results in words: one portion, one series.

use super::{NextStep, PortionResult, ResultValue, SeriesResult, SeriesValue};

/// Budget lines that are printed; the others are joined.
const LINES_SHOWN: usize = 5;

/// The result of a portion, one line each.
#[must_use]
pub fn portion_lines(result: &PortionResult) -> Vec<String> {
    let mut lines = Vec::new();
    for value in &result.results {
        lines.push(format!("result    {}: {}", value.name, value.line()));
        if let Some(words) = &value.incomplete {
            lines.push(format!("budget    {words}"));
        }
        let main = value.budget.iter().filter(|line| line.share >= 0.01).take(LINES_SHOWN);
        lines.extend(main.map(|line| format!("budget    {:>5.1} %  {}", line.share * 100.0, line.name)));
    }
    lines.extend(result.missing.iter().map(|why| format!("no result {why}")));
    lines.extend(result.warnings.iter().map(|warning| format!("warning   {warning}")));
    lines
}

/// The whole budget of a result as a table.
#[must_use]
pub fn budget_table(value: &ResultValue) -> Vec<String> {
    let width = value.budget.iter().map(|line| line.name.chars().count()).max().unwrap_or(6).max(6);
    let mut lines = vec![format!(
        "  {:<width$}  {:>12}  {:<8}  {:>12}  {:>7}  {:>6}  extent",
        "source", "u", "", "contribution", "share", "dof"
    )];
    for line in &value.budget {
        let dof = line.degrees.map_or_else(|| "inf".to_owned(), |v| format!("{v:.1}"));
        let extent = match line.portions {
            0 => "shared".to_owned(),
            1 => "of the portion".to_owned(),
            n => format!("of {n} portions"),
        };
        lines.push(format!(
            "  {:<width$}  {:>12.4e}  {:<8}  {:>12.4e}  {:>5.1} %  {dof:>6}  {extent}",
            line.name,
            line.u,
            line.unit,
            line.contribution,
            line.share * 100.0
        ));
    }
    lines.push(format!(
        "  u = {:.4e} {}, k = {:.3} for {:.1} %, U = {:.4e} {}",
        value.u,
        value.unit,
        value.k,
        value.coverage * 100.0,
        value.expanded,
        value.unit
    ));
    lines
}

/// The result of a series, one line each.
#[must_use]
pub fn series_lines(result: &SeriesResult) -> Vec<String> {
    let mut lines = vec![format!("{} of {} portions count", result.counted, result.started)];
    for value in &result.results {
        lines.extend(value_lines(value));
    }
    for finding in &result.findings {
        lines.push(format!("{}  {}", if finding.passes { "ok     " } else { "OUTSIDE" }, finding.words));
    }
    lines.extend(result.advice.iter().map(|advice| format!("advice   {advice}")));
    lines.push(match &result.next {
        NextStep::Portion { portion, why } => format!("next     portion {portion} ({why})"),
        NextStep::Wait => "next     a portion is going on".to_owned(),
        NextStep::Done => "next     complete: it can be accepted".to_owned(),
        NextStep::Failed { why } => {
            format!("next     closed as failed, no further portion by the procedure's rule: {why}")
        }
    });
    lines
}

fn value_lines(value: &SeriesValue) -> Vec<String> {
    let m = &value.mean;
    let mut lines = vec![format!("result   {}: {}", m.name, m.line())];
    if let (Some(s), Some(rsd)) = (value.s, value.rsd) {
        let confidence = value.confidence.map_or_else(String::new, |c| {
            format!(", confidence interval of the mean by scatter alone ±{c:.4}")
        });
        lines.push(format!("scatter  s = {s:.5} {}, {:.3} %{confidence}", m.unit, rsd * 100.0));
    }
    let observed = value.u_observed.map_or_else(|| "-".to_owned(), |u| format!("{u:.3e}"));
    let used = if value.scatter_used { "observed" } else { "propagated" };
    lines.push(format!(
        "of the mean: shared lines {:.3e}, portions propagated {:.3e}, observed {observed}; the {used} one is used",
        value.u_shared, value.u_propagated
    ));
    if let Some(words) = &m.incomplete {
        lines.push(format!("budget   {words}"));
    }
    lines.extend(budget_table(m));
    lines
}
