//! A rehearsal before anything is weighed: how much titrant it will take, and what will rule the uncertainty.

use super::{Assembled, PortionFacts, PortionResult, evaluate_portion};
use crate::results::{Dimension, Quantity};
use crate::work::Stock;
use crate::work::procedure::{Procedure, blank_name};

/// Steps of the secant on the volume.
const STEPS: usize = 40;

/// A portion as it will come out.
#[derive(Debug, Clone, PartialEq)]
pub struct Rehearsal {
    /// Titrant at the end-point in mL.
    pub volume_ml: f64,
    /// The result of the portion with its budget.
    pub result: PortionResult,
}

/// Finds the volume at which the first result has the expected value.
///
/// `u_volume_ml`: standard uncertainty of an end-point that is expected. Values that are missing in `facts` are told.
///
/// # Errors
/// In words: what is missing, or why no volume gives the result.
pub fn rehearse(
    procedure: &Procedure,
    facts: &PortionFacts,
    stock: &Stock,
    expected: &Quantity,
    u_volume_ml: f64,
) -> Result<Rehearsal, String> {
    let rule = procedure.results.first().ok_or("the procedure computes nothing")?;
    let wanted = expected
        .in_unit(&rule.unit)
        .ok_or_else(|| format!("{expected} is no {} in {}", rule.name, rule.unit))?;
    let find = procedure.finds.first().ok_or("the procedure looks for no end-point")?;
    let at = |volume_ml: f64| -> Result<(f64, PortionResult), String> {
        let mut facts = facts.clone();
        facts.end_points = Vec::new();
        for find in &procedure.finds {
            let told = |_: &String| format!("{volume_ml} mL");
            facts.values.entry(find.name.clone()).or_insert_with(|| told(&find.name));
            // Without a blank of its own the rehearsal takes none.
            facts.values.entry(blank_name(&find.name)).or_insert_with(|| "0 mL".to_owned());
        }
        let mut assembled = Assembled::of(procedure, &facts, stock);
        if let Some(input) = assembled.inputs.iter_mut().find(|input| input.name == find.name) {
            input.sources.push(super::InputSource {
                shared: false,
                ..super::InputSource::shared(
                    format!("end-point {}", find.name),
                    crate::results::Kind::EndPoint,
                    u_volume_ml,
                    "mL",
                    "expected",
                )
            });
        }
        let result = evaluate_portion(procedure, assembled);
        match result.results.first() {
            Some(first) => Ok((first.value - wanted, result.clone())),
            None => Err(result.missing.join("; ")),
        }
    };
    let (mut before, mut volume_ml) = (1.0, 10.0);
    let mut off_before = at(before)?.0;
    for _ in 0..STEPS {
        let (off, result) = at(volume_ml)?;
        if off.abs() <= 1e-9 * wanted.abs().max(1e-12) {
            return Ok(Rehearsal { volume_ml, result });
        }
        let slope = (off - off_before) / (volume_ml - before);
        let next = volume_ml - off / slope;
        if !next.is_finite() {
            break;
        }
        (before, off_before, volume_ml) = (volume_ml, off, next);
    }
    Err(format!("no volume of titrant gives {expected}; does the result depend on {}?", find.name))
}

/// The name and value of the only mass that is asked, if there is just one and it is given.
#[must_use]
pub fn mass_of(procedure: &Procedure, facts: &PortionFacts) -> Option<(String, Quantity)> {
    let mut masses = procedure.asked.iter().filter(|a| a.unit.dimension() == Dimension::MASS);
    let only = masses.next().filter(|_| masses.next().is_none())?;
    let text = facts.values.get(&only.name)?;
    let (quantity, _) = super::typed_with_unit(text, &only.unit.to_string()).ok()?;
    Some((only.name.clone(), quantity))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_volume_of_a_known_content_is_that_of_stoichiometry() {
        let text = Procedure::shipped("vinegar-acidity").unwrap();
        let procedure = Procedure::read("vinegar-acidity", text).unwrap();
        let facts =
            PortionFacts { values: [("m".to_owned(), "1.5 g".to_owned())].into(), ..PortionFacts::default() };
        let expected: Quantity = "5 g/100 g".parse().unwrap();
        let found = rehearse(&procedure, &facts, &Stock::default(), &expected, 0.005).unwrap();
        // 1.5 g x 0.05 / 60.052 g/mol / 0.1 mol/L
        assert!((found.volume_ml - 12.489).abs() < 0.002, "{}", found.volume_ml);
        assert!(found.result.results[0].u > 0.0);
        let none = rehearse(&procedure, &PortionFacts::default(), &Stock::default(), &expected, 0.005);
        assert!(none.unwrap_err().contains("mass of vinegar"));
    }
}
