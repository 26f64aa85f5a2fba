//! `dropwise control`: control samples on their chart.

use crate::cli::bench::procedure;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::report::{Chart, Controlled, Header, chart_of, controlled, picture};
use crate::results::control::Lines;
use crate::store::Reader;
use clap::Args;
use std::path::PathBuf;

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
    /// Draw the chart to a file, SVG or PNG by its ending
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// One JSON object a line and a point
    #[arg(long)]
    json: bool,
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
        if let Some(path) = &self.picture {
            let chart = Chart::Control { procedure: Box::new(procedure), first: self.first, s: self.s };
            let (_, pictures) = chart_of(&reader, &chart, Header::default(), (0, ""))?;
            let drawn = pictures.first().ok_or("there is no picture".to_owned()).and_then(|p| p.svg());
            drawn.and_then(|drawn| picture::write(path, &drawn)).map_err(Fault::misuse)?;
            output.line(&format!("picture written to {}", path.display()))?;
            return Ok(Exit::Done);
        }
        let Controlled { points, lines, signals: found, stated } =
            controlled(&reader, &procedure, self.first, self.s)?;
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
