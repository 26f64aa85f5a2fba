//! `dropwise control`: control samples on their chart.

use super::series::judged;
use crate::cli::bench::procedure;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::results::control::{Lines, signals};
use crate::store::Reader;
use crate::work::{EquipmentKind, Procedure, Role};
use clap::Args;

/// Arguments of `control`.
#[derive(Debug, Args)]
pub struct ControlArgs {
    /// The procedure: a name that ships, or a procedure file
    procedure: String,
    /// So many series at the beginning set the lines, unless the control material states its content with uncertainty
    /// and the lab its standard deviation
    #[arg(long, default_value_t = 20)]
    first: usize,
    /// Standard deviation of the procedure in the unit of the result, from validation
    #[arg(long, value_name = "S")]
    s: Option<f64>,
    /// One JSON object a line and a point
    #[arg(long)]
    json: bool,
}

/// A point of the chart: the mean of the control portions of one series.
struct Point {
    series: String,
    utc_us: i64,
    value: f64,
    u: f64,
    unit: String,
}

/// Width of a chart in characters.
const WIDTH: usize = 41;

impl ControlArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the procedure or the record cannot be read.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let (procedure, _) = procedure(&self.procedure, settings)?;
        let reader = Reader::open(&settings.record)?;
        let points = points(&reader, &procedure)?;
        let stock = reader.stock()?;
        let material =
            stock.only(EquipmentKind::Control, |c| c.procedure.as_deref() == Some(procedure.id.as_str()));
        let stated = material.and_then(|kept| kept.it.value);
        let values: Vec<f64> = points.iter().map(|p| p.value).collect();
        let first = &values[..values.len().min(self.first)];
        let lines = match (stated, self.s) {
            (Some(centre), Some(s)) => Lines::around(centre, s),
            _ => Lines::of_individuals(first),
        };
        let found = lines.as_ref().map(|lines| signals(&values, lines)).unwrap_or_default();
        let mut exit = Exit::Done;
        for (at, point) in points.iter().enumerate() {
            let said: Vec<&str> = found.iter().filter(|s| s.at == at).map(|s| s.rule.words()).collect();
            if found.iter().any(|s| s.at == at && s.rule.asks_for_action()) {
                exit = Exit::OutsideLimits;
            }
            let recovery = stated.filter(|s| *s > 0.0).map(|s| 100.0 * point.value / s);
            if self.json {
                let object = serde_json::json!({
                    "series": point.series, "utc_us": point.utc_us, "value": point.value, "u": point.u,
                    "unit": point.unit, "recovery_percent": recovery, "signals": said,
                });
                output.line(&object.to_string())?;
                continue;
            }
            let chart = lines.as_ref().map_or_else(String::new, |lines| mark(lines, point.value));
            let recovery = recovery.map_or_else(String::new, |r| format!("  recovery {r:.2} %"));
            let said = if said.is_empty() { String::new() } else { format!("  {}", said.join("; ")) };
            output.line(&visible(&format!(
                "{chart}  {:.4} {}{recovery}  {}{said}",
                point.value, point.unit, point.series
            )))?;
        }
        if !self.json {
            output.line(&match &lines {
                Some(l) => format!(
                    "centre {:.4}, warning {:.4} to {:.4}, action {:.4} to {:.4}; {} points",
                    l.centre, l.warning.0, l.warning.1, l.action.0, l.action.1, points.len()
                ),
                None => format!(
                    "{} points; lines need at least two points, or a control material in the equipment and --s",
                    points.len()
                ),
            })?;
        }
        Ok(exit)
    }
}

/// The mean of the control portions of each series of a procedure, the oldest first.
fn points(reader: &Reader, procedure: &Procedure) -> Result<Vec<Point>, Fault> {
    let mut points = Vec::new();
    for row in reader.series_list(usize::MAX)?.into_iter().rev() {
        let group: Vec<_> = reader
            .series(&row.series)?
            .into_iter()
            .filter(|p| {
                p.portion.role == Role::Control
                    && p.portion.set_aside.is_none()
                    && p.head.title == procedure.title
            })
            .collect();
        if group.is_empty() {
            continue;
        }
        let (_, result) = judged(&group)?;
        if let Some(first) = result.results.first() {
            points.push(Point {
                series: row.series,
                utc_us: row.started_utc_us,
                value: first.mean.value,
                u: first.mean.u,
                unit: first.mean.unit.clone(),
            });
        }
    }
    Ok(points)
}

/// One line of the chart: action, warning and centre lines as `!`, `:`, `|`, the point as `o`.
fn mark(lines: &Lines, value: f64) -> String {
    let (low, high) = lines.action;
    let width = (high - low).max(f64::MIN_POSITIVE);
    // A quarter of the space beyond each action line.
    let place = |v: f64| {
        let share = ((v - low) / width * 0.75 + 0.125).clamp(0.0, 1.0);
        (share * (WIDTH - 1) as f64).round()
    };
    let mut cells = vec![' '; WIDTH];
    let marks = [
        (lines.action.0, '!'),
        (lines.action.1, '!'),
        (lines.warning.0, ':'),
        (lines.warning.1, ':'),
        (lines.centre, '|'),
        (value, 'o'),
    ];
    for (v, sign) in marks {
        for (at, cell) in cells.iter_mut().enumerate() {
            if (at as f64 - place(v)).abs() < 0.5 {
                *cell = sign;
            }
        }
    }
    cells.into_iter().collect()
}
