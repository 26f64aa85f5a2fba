//! `dropwise trend`: what the fits of earlier runs say about electrode and solutions.

use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::store::Reader;
use crate::work::{Trend, trends};
use clap::Args;

/// Arguments of `trend`.
#[derive(Debug, Args)]
pub struct TrendArgs {
    /// Only runs whose procedure has this in its title
    #[arg(value_name = "WORDS")]
    words: Option<String>,
    /// Look at so many of the latest runs
    #[arg(long, default_value_t = 1_000, value_name = "N")]
    runs: usize,
    /// One JSON object a line and a quantity
    #[arg(long)]
    json: bool,
}

/// So many of the latest values are drawn.
const DRAWN: usize = 24;

impl TrendArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let records = Reader::open(&settings.record)?.fits(self.runs)?;
        let wanted = self.words.as_deref().map(str::to_lowercase);
        let all = trends(&records);
        let shown = all
            .iter()
            .filter(|trend| wanted.as_ref().is_none_or(|w| trend.group.title.to_lowercase().contains(w)));
        let (mut group, mut exit, mut any) = (None, Exit::Done, false);
        for trend in shown {
            any = true;
            if trend.change.is_some() {
                exit = Exit::OutsideLimits;
            }
            if self.json {
                output.line(&object(trend).to_string())?;
                continue;
            }
            if group != Some(&trend.group) {
                output.line(&visible(&trend.group.words()))?;
                group = Some(&trend.group);
            }
            output.line(&visible(&line(trend)))?;
        }
        if !any && !self.json {
            output.line("no run of the record was described by a model yet, so there is no trend")?;
        }
        Ok(exit)
    }
}

fn object(trend: &Trend) -> serde_json::Value {
    serde_json::json!({
        "procedure": trend.group.title, "role": trend.group.role.word(), "titrant": trend.group.titrant,
        "electrode": trend.group.electrode, "real": trend.group.real, "quantity": trend.name, "unit": trend.unit,
        "values": trend.values.iter().map(|(run, value)| serde_json::json!({"run": run, "value": value})).collect::<Vec<_>>(),
        "change": trend.words(),
    })
}

fn line(trend: &Trend) -> String {
    let last = trend.values.last().map_or(f64::NAN, |v| v.1);
    let unit = if trend.unit.is_empty() { String::new() } else { format!(" {}", trend.unit) };
    let said = match (trend.words(), trend.values.len()) {
        (Some(words), _) => format!("CHANGED: {words}"),
        (None, n) if n < crate::results::control::FEWEST_TO_LEARN + 2 => {
            format!("{n} runs, too few to judge")
        }
        (None, n) => format!("{n} runs, no lasting change"),
    };
    format!("  {:<44} {} latest {last:.4}{unit}  {said}", trend.name, picture(trend))
}

/// The latest values as a row of digits: 0 is the lowest of them, 9 the highest.
fn picture(trend: &Trend) -> String {
    let latest = &trend.values[trend.values.len().saturating_sub(DRAWN)..];
    let (low, high) = latest
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v.1), high.max(v.1)));
    let digit = |value: f64| {
        let share = if high > low { (value - low) / (high - low) } else { 0.5 };
        ('0'..='9').rfind(|d| share >= f64::from(d.to_digit(10).unwrap_or(0)) / 9.5).unwrap_or('0')
    };
    let drawn: String = latest.iter().map(|v| digit(v.1)).collect();
    format!("{drawn:>DRAWN$}")
}
