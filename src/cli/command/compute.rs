//! `dropwise compute`: the result of values that are typed, with its budget; no instrument, nothing is kept.

use crate::chemistry::formula_mass::AtomicWeights;
use crate::cli::bench::procedure;
use crate::cli::curve_file::{self, Columns};
use crate::cli::outcome::{budget_table, portion_lines};
use crate::cli::output::Output;
use crate::cli::typed::{TypedArgs, check, stock};
use crate::cli::{Exit, Fault, Settings};
use crate::detector;
use crate::reading::Titrant;
use crate::results::{Formula, Formulae, Simulation, Sources, Unit, simulate};
use crate::work::result::{
    Assembled, PortionResult, REPEATABILITY, evaluate_portion, scope_of, titrant_per_signal,
};
use crate::work::{Procedure, ResultRule};
use clap::Args;
use std::path::PathBuf;

/// Arguments of `compute`.
#[derive(Debug, Args)]
pub struct ComputeArgs {
    /// The procedure: a name that ships, or a procedure file
    #[arg(value_name = "PROCEDURE")]
    procedure: String,
    #[command(flatten)]
    typed: TypedArgs,
    /// Temperature of the solution in degrees Celsius
    #[arg(long, value_name = "DEGC")]
    temperature: Option<f64>,
    /// Find the end-points on the curve in this file, as `dropwise evaluate` reads it
    #[arg(long, value_name = "CURVE.csv")]
    curve: Option<PathBuf>,
    /// Also propagate by so many random trials (JCGM 101), as a cross-check
    #[arg(long, value_name = "TRIALS")]
    trials: Option<usize>,
    /// Seed of the random trials
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// One JSON object
    #[arg(long)]
    json: bool,
}

impl ComputeArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the procedure is not understood or a value is missing.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let (procedure, _) = procedure(&self.procedure, settings)?;
        // Without a record everything must be typed.
        let stock = stock(settings)?;
        let mut facts = self.typed.facts(&procedure);
        facts.temperature_c = self.temperature;
        let mut found_warnings = Vec::new();
        if let Some(path) = &self.curve {
            let curve = curve_file::read(path, &Columns::default())?;
            facts.by_mass = curve.head.titrant == Titrant::Mass;
            for given in procedure.looks() {
                let evaluation = detector::evaluate(&curve, &given);
                facts.end_points.extend(evaluation.end_points);
                found_warnings.extend(evaluation.warnings);
            }
            facts.per_signal = titrant_per_signal(&curve.points, &facts.end_points);
        }
        check(&procedure, &facts.values, &facts.uses)?;
        let mut result = evaluate_portion(&procedure, Assembled::of(&procedure, &facts, &stock));
        result.warnings.append(&mut found_warnings);
        let simulated = self.trials.map(|trials| self.simulated(&procedure, &result, trials)).transpose()?;
        if self.json {
            let object = serde_json::json!({ "result": result, "simulated": simulated });
            output.line(&object.to_string())?;
        } else {
            for line in portion_lines(&result) {
                output.line(&line)?;
            }
            for value in &result.results {
                for line in budget_table(value) {
                    output.line(&line)?;
                }
            }
            for line in simulated.iter().flatten().filter_map(|s| s["words"].as_str()) {
                output.line(line)?;
            }
        }
        if result.missing.is_empty() { Ok(Exit::Done) } else { Ok(Exit::OutsideLimits) }
    }

    /// The same results by random trials.
    fn simulated(
        &self,
        procedure: &Procedure,
        result: &PortionResult,
        trials: usize,
    ) -> Result<Vec<serde_json::Value>, Fault> {
        let definition = |text: String| Fault { text, exit: Exit::Definition };
        let mut sources = Sources::default();
        let mut scope = scope_of(&result.inputs, 1, &mut sources).map_err(definition)?;
        let mut list = Vec::new();
        let computed = |rule: &&ResultRule| result.results.iter().any(|value| value.name == rule.name);
        let rules: Vec<&ResultRule> = procedure.results.iter().filter(computed).collect();
        for (at, rule) in rules.iter().enumerate() {
            scope
                .fill_molar_masses(&rule.formula, &AtomicWeights::current(), &mut sources)
                .map_err(|wrong| definition(wrong.to_string()))?;
            let name = rule.symbol.clone().unwrap_or_else(|| format!("result_{}", at + 1));
            list.push((name, rule.formula.clone()));
        }
        let mut names: Vec<String> = list.iter().map(|(name, _)| name.clone()).collect();
        if scope.get(REPEATABILITY).is_some() {
            // As a result has it: once in each, whatever results it is computed from.
            for name in &mut names {
                let told = format!("{name}_with_its_scatter");
                let formula = Formula::parse(&format!("{name} * {REPEATABILITY}"));
                list.push((told.clone(), formula.map_err(|wrong| definition(wrong.to_string()))?));
                *name = told;
            }
        }
        let formulae = Formulae::new(list).map_err(|wrong| definition(wrong.to_string()))?;
        let probability = procedure.uncertainty.coverage;
        let options = Simulation { trials, seed: self.seed, probability };
        let mut all = Vec::new();
        for (rule, name) in rules.iter().zip(&names) {
            let s = simulate(&formulae, name, &scope, &sources, options)
                .map_err(|wrong| definition(wrong.to_string()))?;
            let unit: &Unit = &rule.unit;
            let (mean, u) = (unit.from_coherent(s.mean), unit.difference_from_coherent(s.u));
            let (low, high) = (unit.from_coherent(s.interval.0), unit.from_coherent(s.interval.1));
            let error = unit.difference_from_coherent(s.error_of_u);
            let words = format!(
                "trials    {}: {mean:.6e} {unit}, u = {u:.4e} (own error {error:.1e}), {:.1} % from {low:.6e} to {high:.6e}, {} trials, seed {}",
                rule.name,
                probability * 100.0,
                s.trials,
                self.seed
            );
            all.push(serde_json::json!({
                "name": rule.name, "mean": mean, "u": u, "error_of_u": error,
                "interval": [low, high], "trials": s.trials, "failed": s.failed, "words": words,
            }));
        }
        Ok(all)
    }
}
