//! `dropwise demo`: a simulated bench on a pseudo-terminal.

use super::run::plain;
use crate::cli::bench::{ReadyBench, procedure_text};
use crate::cli::output::Output;
use crate::cli::screen::show;
use crate::cli::{Exit, Fault, Settings, practice};
use crate::work::RunPlan;
use clap::Args;

/// The procedure of the demonstration.
const PROCEDURE: &str = "vinegar-acidity";

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Print lines instead of the dashboard
    #[arg(long)]
    plain: bool,
    /// With --plain: one JSON object a line
    #[arg(long, requires = "plain")]
    json: bool,
    /// How many times as fast as life
    #[arg(long, default_value_t = 10.0, value_parser = speed)]
    speed: f64,
    /// Seed of the noise, the portion and the damage of the line
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn speed(text: &str) -> Result<f64, String> {
    let value = text.parse::<f64>().ok().filter(|v| (0.1..=10_000.0).contains(v));
    value.ok_or_else(|| "write a number from 0.1 to 10000".to_owned())
}

impl DemoArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the record of the demonstration or the terminal cannot be used.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let settings = settings.demo();
        let plan = RunPlan {
            procedure: procedure_text(Some(PROCEDURE), &settings)?,
            sample: "table vinegar, jar 7".to_owned(),
            portion: 1,
            portions: 3,
            mass_g: Some(1.37),
            // The water of the simulated bench carries no acid.
            values: [("V_blank".to_owned(), "0 mL +- 0.005".to_owned())].into(),
            ..RunPlan::default()
        };
        let bench = self.bench()?;
        if self.plain {
            plain(&settings, bench, plan, self.json, output)
        } else {
            show(&settings, Some((bench, Some(plan))), true)
        }
    }

    fn bench(&self) -> Result<ReadyBench, Fault> {
        let port = format!("simulator@{}:{}", self.speed, self.seed);
        practice::bench(practice::TITLE, &port)
    }
}
