//! A rehearsal before anything is weighed: how much titrant it will take, how the end-point will show, and what will rule
//! the uncertainty.

mod curve;

pub use curve::{CurveAhead, StepAhead, look_ahead};

use super::procedure::{Find, Procedure, blank_name};
use super::result::{Assembled, InputSource, PortionFacts, PortionResult, evaluate_portion, typed_with_unit};
use crate::results::{Kind, Quantity};
use crate::work::Stock;

/// Steps of the secant on the amount of titrant.
const STEPS: usize = 40;

/// A portion as it will come out.
#[derive(Debug, Clone, PartialEq)]
pub struct Rehearsal {
    /// The end-point that was reckoned.
    pub find: String,
    /// Titrant there, in mL or g.
    pub titrant: f64,
    /// The result of the portion with its budget.
    pub result: PortionResult,
    /// Blanks that stand at nothing because none is known, by their names.
    pub without: Vec<String>,
    /// Contribution of the end-point to the standard uncertainty for a unit of its own, in the unit of the result.
    pub sensitivity: f64,
}

impl Rehearsal {
    /// Standard uncertainty of the first result, in its unit, with an end-point of standard uncertainty `u_titrant`.
    #[must_use]
    pub fn u_with(&self, u_titrant: f64) -> f64 {
        let Some(first) = self.result.results.first() else { return 0.0 };
        let own = format!("end-point {}", self.find);
        let others = first.budget.iter().filter(|line| line.name != own);
        let rest: f64 = others.map(|line| line.contribution.powi(2)).sum();
        rest.sqrt().hypot(self.sensitivity * u_titrant)
    }
}

/// Finds the amount of titrant at which the first result has the expected value.
///
/// `u_titrant`: standard uncertainty of an end-point that is expected (mL or g). A blank comes from the record by the rule
/// of the procedure, from `facts`, or stands at nothing, which is told.
///
/// # Errors
/// In words: what is missing, or why no amount gives the result.
pub fn rehearse(
    procedure: &Procedure,
    facts: &PortionFacts,
    stock: &Stock,
    expected: &Quantity,
    u_titrant: f64,
) -> Result<Rehearsal, String> {
    let rule = procedure.results.first().ok_or("the procedure computes nothing")?;
    let wanted = expected
        .in_unit(&rule.unit)
        .ok_or_else(|| format!("{expected} is no {} in {}", rule.name, rule.unit))?;
    let find = unknown_find(procedure, facts)?;
    let unit = procedure.titrant_unit();
    let mut facts = PortionFacts { end_points: Vec::new(), ..facts.clone() };
    let mut without = Vec::new();
    for other in &procedure.finds {
        let name = blank_name(&other.name);
        let by_record = Assembled::of(procedure, &facts, stock).inputs.iter().any(|input| input.name == name);
        if !by_record && rule.formula.names().contains(name.as_str()) {
            facts.values.insert(name.clone(), format!("0 {unit}"));
            without.push(name);
        }
    }
    let at = |titrant: f64| -> Result<(f64, PortionResult), String> {
        let mut facts = facts.clone();
        facts.values.insert(find.name.clone(), format!("{titrant} {unit}"));
        let mut assembled = Assembled::of(procedure, &facts, stock);
        if let Some(input) = assembled.inputs.iter_mut().find(|input| input.name == find.name) {
            let name = format!("end-point {}", find.name);
            input.sources.retain(|source| source.name != name);
            let own = InputSource::shared(name, Kind::EndPoint, u_titrant, unit, "expected");
            input.sources.push(own.of_each_portion());
        }
        let missing = assembled.missing.clone();
        let result = evaluate_portion(procedure, assembled);
        match result.results.first().filter(|first| first.name == rule.name) {
            Some(first) => Ok((first.value - wanted, result.clone())),
            None if missing.is_empty() => Err(result.missing.join("; ")),
            None => Err(missing.join("; ")),
        }
    };
    let (mut before, mut titrant) = (1.0, 10.0);
    let mut off_before = at(before)?.0;
    for _ in 0..STEPS {
        let (off, mut result) = at(titrant)?;
        if off.abs() <= 1e-9 * wanted.abs().max(1e-12) {
            if titrant <= 0.0 {
                let hint = if without.is_empty() {
                    String::new()
                } else {
                    format!("; no {} is known: give it with --value", without.join(", "))
                };
                return Err(format!("{expected} would take {titrant:.3} {unit} of titrant{hint}"));
            }
            // What the curve will say is no concern of a rehearsal.
            let own = format!("the end-point {} has no uncertainty of its own", find.name);
            result.warnings.retain(|warning| *warning != own);
            let sensitivity = sensitivity(&result, &find.name, u_titrant);
            return Ok(Rehearsal { find: find.name.clone(), titrant, result, without, sensitivity });
        }
        let slope = (off - off_before) / (titrant - before);
        let next = titrant - off / slope;
        if !next.is_finite() {
            break;
        }
        (before, off_before, titrant) = (titrant, off, next);
    }
    Err(format!("no amount of titrant gives {expected}; does the result depend on {}?", find.name))
}

fn sensitivity(result: &PortionResult, find: &str, u_titrant: f64) -> f64 {
    let own = format!("end-point {find}");
    let line = result.results.first().and_then(|first| first.budget.iter().find(|line| line.name == own));
    line.map_or(0.0, |line| if u_titrant > 0.0 { line.contribution / u_titrant } else { 0.0 })
}

/// The end-point whose amount is looked for: the only one of the first formula that nobody told.
fn unknown_find<'a>(procedure: &'a Procedure, facts: &PortionFacts) -> Result<&'a Find, String> {
    let rule = procedure.results.first().ok_or("the procedure computes nothing")?;
    let names = rule.formula.names();
    let mut unknown = procedure
        .finds
        .iter()
        .filter(|find| names.contains(find.name.as_str()) && !facts.values.contains_key(&find.name));
    match (unknown.next(), unknown.next()) {
        (Some(only), None) => Ok(only),
        (Some(first), Some(_)) => Err(format!(
            "{} depends on several end-points: give the others, such as --value {}=\"5 {}\"",
            rule.name,
            first.name,
            procedure.titrant_unit()
        )),
        (None, _) => Err(format!("{} does not depend on an end-point that could be looked for", rule.name)),
    }
}

/// The name and value of the only mass that is asked, if there is just one and it is given.
#[must_use]
pub fn mass_of(procedure: &Procedure, facts: &PortionFacts) -> Option<(String, Quantity)> {
    let only = procedure.only_mass()?;
    let text = facts.values.get(&only.name)?;
    let (quantity, _) = typed_with_unit(text, &only.unit.to_string()).ok()?;
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
        assert!((found.titrant - 12.489).abs() < 0.002, "{}", found.titrant);
        assert_eq!(found.without, ["V_blank"]);
        let first = &found.result.results[0];
        assert!((found.u_with(0.005) - first.u).abs() < 1e-9 * first.u);
        assert!(found.u_with(0.05) > 3.0 * first.u);
        let none = rehearse(&procedure, &PortionFacts::default(), &Stock::default(), &expected, 0.005);
        assert!(none.unwrap_err().contains("mass of vinegar"));
    }

    #[test]
    fn every_shipped_procedure_is_rehearsed_or_says_what_it_needs() {
        for name in Procedure::shipped_names() {
            let procedure = Procedure::read(name, Procedure::shipped(name).unwrap()).unwrap();
            let expected = Quantity::new(1.0, procedure.results[0].unit.clone());
            match rehearse(&procedure, &PortionFacts::default(), &Stock::default(), &expected, 0.005) {
                Ok(found) => assert!(found.titrant.is_finite() && found.titrant > 0.0, "{name}"),
                Err(why) => assert!(!why.is_empty(), "{name}"),
            }
        }
    }
}
