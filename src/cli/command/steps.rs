//! `dropwise steps`: steps of preparation and care, listed, ticked, or skipped with a reason.

use crate::cli::bench::procedure_text;
use crate::cli::enter::enter;
use crate::cli::output::Output;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::store::Reader;
use crate::work::{Procedure, RunPlan, StepLine, StepRecord, steps_of};
use clap::Args;

/// Arguments of `steps`.
#[derive(Debug, Args)]
pub struct StepsArgs {
    /// The series
    series: String,
    /// The procedure, before the first portion of the series was titrated
    #[arg(long, value_name = "PROCEDURE")]
    procedure: Option<String>,
    /// The sample whose portion is meant; without it that of the latest portion
    #[arg(long)]
    sample: Option<String>,
    /// Which portion of it; without it the latest, or the first
    #[arg(long, value_name = "N")]
    portion: Option<u32>,
    /// These were done, by their numbers in the list
    #[arg(long, value_name = "N", value_delimiter = ',')]
    done: Vec<usize>,
    /// These were skipped, by their numbers in the list; needs --reason
    #[arg(long, value_name = "N", value_delimiter = ',', requires = "reason")]
    skip: Vec<usize>,
    /// Why they were skipped
    #[arg(long, default_value = "")]
    reason: String,
    /// One JSON object a step
    #[arg(long)]
    json: bool,
}

impl StepsArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When there is no such series or step, a reason is missing, or the record cannot be written.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let (procedure, plan) = self.portion(settings)?;
        let lines = || -> Result<Vec<StepLine>, Fault> {
            let kept = match Reader::open(&settings.record) {
                Ok(reader) => reader.steps(&plan.series)?,
                // Before the first thing is kept there is no record yet.
                Err(_) if !settings.record.exists() => Vec::new(),
                Err(error) => return Err(error.into()),
            };
            Ok(steps_of(&procedure, &plan, &kept))
        };
        let listed = lines()?;
        let said = self.done.iter().map(|n| (*n, true)).chain(self.skip.iter().map(|n| (*n, false)));
        let mut records = Vec::new();
        for (n, done) in said {
            let line = n.checked_sub(1).and_then(|at| listed.get(at));
            let line = line.ok_or_else(|| {
                Fault::misuse(format!("there is no step {n}; the procedure has {}", listed.len()))
            })?;
            let why = if done { "" } else { self.reason.as_str() };
            records.push(StepRecord::said(&line.step, &plan, done, why).map_err(Fault::misuse)?);
        }
        for record in records {
            let document = record.document().map_err(|text| Fault { text, exit: Exit::OwnFault })?;
            enter(settings, document)?;
        }
        for (n, line) in (1..).zip(&lines()?) {
            output.line(&if self.json { object(n, line) } else { visible(&text(n, line)) })?;
        }
        if listed.is_empty() && !self.json {
            output.line("the procedure has no steps of preparation and care")?;
        }
        Ok(Exit::Done)
    }

    /// The portion that is meant, with its procedure.
    fn portion(&self, settings: &Settings) -> Result<(Procedure, RunPlan), Fault> {
        let definition = |text: String| Fault { text, exit: Exit::Definition };
        let reader = Reader::open(&settings.record).ok();
        let started = reader.map(|reader| reader.series(&self.series)).transpose()?.unwrap_or_default();
        let of_sample = |sample: &String| started.iter().rfind(|p| p.sample == *sample);
        let latest = self.sample.as_ref().map_or_else(|| started.last(), of_sample);
        let mut plan = latest.or(started.last()).map(|p| p.head.plan.clone()).unwrap_or_default();
        if let Some(name) = &self.procedure {
            plan.procedure = procedure_text(Some(name), settings)?;
        }
        if plan.procedure.is_empty() {
            return Err(Fault::misuse(format!(
                "nothing was titrated in the series \"{}\" yet: name its procedure with --procedure",
                self.series
            )));
        }
        plan.series.clone_from(&self.series);
        if let Some(sample) = &self.sample {
            plan.sample.clone_from(sample);
        }
        plan.portion = self.portion.unwrap_or_else(|| latest.map_or(1, |p| p.portion.portion));
        Ok((Procedure::read("of the series", &plan.procedure).map_err(definition)?, plan))
    }
}

fn text(n: usize, line: &StepLine) -> String {
    let said = line.said.as_ref().map_or_else(
        || "open".to_owned(),
        |kept| {
            let at = super::list::local_time(kept.utc_us);
            match (kept.it.done, kept.it.why.as_str()) {
                (true, _) => format!("done {at} by {}", kept.who),
                (false, why) => format!("SKIPPED {at} by {}: {why}", kept.who),
            }
        },
    );
    format!("{n:>3}  {:<18}  {}  {said}", line.step.when.words(), line.step.text)
}

fn object(n: usize, line: &StepLine) -> String {
    serde_json::json!({
        "step": n, "when": line.step.when, "text": line.step.text, "source": line.step.source,
        "said": line.said.as_ref().map(|kept| serde_json::json!({
            "done": kept.it.done, "why": kept.it.why, "who": kept.who, "utc_us": kept.utc_us,
        })),
    })
    .to_string()
}
