//! `dropwise plan`: a rehearsal of a portion before anything is weighed.

use crate::cli::bench::procedure;
use crate::cli::outcome::portion_lines;
use crate::cli::output::Output;
use crate::cli::typed::{TypedArgs, stock};
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::results::Quantity;
use crate::work::result::{PortionFacts, Rehearsal, mass_of, rehearse};
use crate::work::{EquipmentKind, Procedure, Stock};
use clap::Args;

/// Arguments of `plan`.
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// The procedure: a name that ships, or a procedure file
    procedure: String,
    /// What is expected, in the unit of the result or with a unit: 5, "50 mg/g"
    #[arg(long, value_name = "CONTENT")]
    expect: String,
    #[command(flatten)]
    typed: TypedArgs,
    /// Capacity of the burette in mL, where the record knows none
    #[arg(long, value_name = "ML")]
    burette: Option<f64>,
    /// Standard uncertainty of an end-point in mL
    #[arg(long, value_name = "ML", default_value_t = 0.005)]
    u_volume: f64,
}

/// How much of the burette a portion should use (common practice, no source).
const GOOD_USE: (f64, f64) = (0.4, 0.8);

impl PlanArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the procedure is not understood or a value is missing.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let (procedure, _) = procedure(&self.procedure, settings)?;
        let stock = stock(settings)?;
        let facts = self.typed.facts(&procedure);
        let rule =
            procedure.results.first().ok_or_else(|| Fault::misuse("the procedure computes nothing"))?;
        let expected = match self.expect.trim().parse::<f64>() {
            Ok(value) if value.is_finite() => Quantity::new(value, rule.unit.clone()),
            _ => Quantity::parse(&self.expect).map_err(|e| Fault::misuse(e.to_string()))?,
        };
        let rehearsed =
            rehearse(&procedure, &facts, &stock, &expected, self.u_volume).map_err(Fault::misuse)?;
        output.line(&visible(&format!("titrant   {:.3} mL at the end-point", rehearsed.volume_ml)))?;
        for line in portion_lines(&rehearsed.result) {
            output.line(&visible(&line))?;
        }
        let burette = stock.only(EquipmentKind::Burette, |_| true).and_then(|b| b.it.value).or(self.burette);
        let Some(capacity_ml) = burette else {
            output.line("burette   none is known: give its capacity with --burette ML")?;
            return Ok(Exit::Done);
        };
        let used = rehearsed.volume_ml / capacity_ml;
        output.line(&format!("burette   {:.0} % of {capacity_ml} mL", used * 100.0))?;
        self.masses(&procedure, &facts, &stock, (&expected, &rehearsed, capacity_ml), output)?;
        let good = (GOOD_USE.0..=GOOD_USE.1).contains(&used);
        Ok(if good { Exit::Done } else { Exit::OutsideLimits })
    }

    /// What other masses would give.
    fn masses(
        &self,
        procedure: &Procedure,
        facts: &PortionFacts,
        stock: &Stock,
        (expected, now, capacity_ml): (&Quantity, &Rehearsal, f64),
        output: &mut Output,
    ) -> Result<(), Fault> {
        let Some((name, mass)) = mass_of(procedure, facts) else { return Ok(()) };
        for share in [GOOD_USE.0, 0.6, GOOD_USE.1] {
            let other = mass.value * share * capacity_ml / now.volume_ml;
            let mut facts = facts.clone();
            facts.values.insert(name.clone(), format!("{other} {}", mass.unit));
            let Ok(rehearsed) = rehearse(procedure, &facts, stock, expected, self.u_volume) else { continue };
            let Some(first) = rehearsed.result.results.first() else { continue };
            let ruled = first.budget.first().map_or("nothing", |line| line.name.as_str());
            output.line(&visible(&format!(
                "weigh     {other:.4} {}: {:.2} mL, {:.0} % of the burette, U = {:.2} % of the result, ruled by {ruled}",
                mass.unit,
                rehearsed.volume_ml,
                100.0 * rehearsed.volume_ml / capacity_ml,
                100.0 * first.expanded / first.value.abs()
            )))?;
        }
        Ok(())
    }
}
