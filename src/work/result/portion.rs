//! The result of one portion, with its budget.

use super::{Input, scope_of};
use crate::chemistry::formula_mass::AtomicWeights;
use crate::results::{Budget, Coverage, Dimension, FormulaError, Kind, Line, Sources, Uncertain};
use crate::work::procedure::{Procedure, ResultRule};
use serde::{Deserialize, Serialize};

/// The name under which the repeatability of the whole determination enters: a factor of 1.
pub const REPEATABILITY: &str = "repeatability";
/// Lines of a budget that are kept; further ones contribute less than any of them.
const LINES_KEPT: usize = 40;

/// One line of a budget, as it is kept and shown.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BudgetLine {
    /// The source.
    pub name: String,
    /// Where it belongs.
    pub kind: Kind,
    /// Standard uncertainty of the source in `unit`.
    pub u: f64,
    /// The unit of `u`.
    pub unit: String,
    /// Contribution to the standard uncertainty of the result, in the unit of the result.
    pub contribution: f64,
    /// Share of the variance, 0 to 1.
    pub share: f64,
    /// Degrees of freedom; `None`: as good as infinite.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees: Option<f64>,
    /// How many portions it joins; 0 for a source that all share.
    pub portions: usize,
    /// Where the figure came from.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub from: String,
}

impl BudgetLine {
    fn of(line: &Line) -> Self {
        Self {
            name: line.name.clone(),
            kind: line.kind,
            u: line.u,
            unit: line.unit.to_string(),
            contribution: line.contribution,
            share: line.share,
            degrees: line.degrees.is_finite().then_some(line.degrees),
            portions: line.portions,
            from: line.from.clone(),
        }
    }
}

/// One result as it is kept: the full value, what is told, and the budget.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ResultValue {
    /// What it is, in words.
    pub name: String,
    /// Its name in later formulae.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub symbol: Option<String>,
    /// The unit.
    pub unit: String,
    /// The full value in `unit`.
    pub value: f64,
    /// Combined standard uncertainty in `unit`.
    pub u: f64,
    /// Coverage factor.
    pub k: f64,
    /// Expanded uncertainty in `unit`.
    pub expanded: f64,
    /// Probability of the stated interval.
    pub coverage: f64,
    /// Effective degrees of freedom; `None`: as good as infinite.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees: Option<f64>,
    /// The value as it is told.
    pub told: String,
    /// The value that `told` means.
    pub told_value: f64,
    /// The expanded uncertainty as it is told.
    pub told_expanded: String,
    /// What the budget lacks, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub incomplete: Option<String>,
    /// The budget, the largest contribution first.
    pub budget: Vec<BudgetLine>,
}

impl ResultValue {
    /// From a number over its sources.
    ///
    /// # Errors
    /// In words, when the number has no value.
    pub fn of(
        procedure: &Procedure,
        rule: &ResultRule,
        number: &Uncertain,
        sources: &Sources,
    ) -> Result<Self, String> {
        let coverage = Coverage::Probability(procedure.uncertainty.coverage);
        let budget = Budget::of(number, sources, &rule.unit, coverage, &expected(procedure, rule))
            .ok_or_else(|| format!("{}: the formula does not give {}", rule.name, rule.unit))?;
        let told = rule
            .rounding
            .apply(budget.value, Some(budget.expanded).filter(|u| *u > 0.0), &rule.unit)
            .or_else(|_| {
                // A result without uncertainty cannot be rounded to it: four digits (common practice, no source).
                let to = crate::results::To::Digits(4);
                crate::results::Rounding { to, ..rule.rounding.clone() }.apply(budget.value, None, &rule.unit)
            })
            .map_err(|wrong| format!("{}: {wrong}", rule.name))?;
        let two_digits =
            crate::results::Rounding { tie: crate::results::Tie::HalfUp, to: crate::results::To::Digits(2) };
        let told_expanded = told
            .uncertainty
            .clone()
            .or_else(|| Some(two_digits.apply(budget.expanded, None, &rule.unit).ok()?.text));
        Ok(Self {
            name: rule.name.clone(),
            symbol: rule.symbol.clone(),
            unit: rule.unit.to_string(),
            value: budget.value,
            u: budget.u,
            k: budget.k,
            expanded: budget.expanded,
            coverage: procedure.uncertainty.coverage,
            degrees: budget.degrees.is_finite().then_some(budget.degrees),
            told: told.text,
            told_value: told.value,
            told_expanded: told_expanded.unwrap_or_default(),
            incomplete: budget.incomplete(),
            budget: budget.lines.iter().take(LINES_KEPT).map(BudgetLine::of).collect(),
        })
    }

    /// The result in one line: `5.02 g/100 g ± 0.04 g/100 g (k = 2.01)`.
    #[must_use]
    pub fn line(&self) -> String {
        if self.expanded > 0.0 {
            format!("{} {} ± {} {} (k = {:.2})", self.told, self.unit, self.told_expanded, self.unit, self.k)
        } else {
            format!("{} {}, no uncertainty", self.told, self.unit)
        }
    }
}

/// The kinds of source without which the budget of a result is incomplete.
fn expected(procedure: &Procedure, rule: &ResultRule) -> Vec<Kind> {
    let names = rule.formula.names();
    let uses = |name: &str| names.contains(name);
    let mut kinds = Vec::new();
    if procedure.finds.iter().any(|find| uses(&find.name)) {
        kinds.push(if procedure.is_by_mass() { Kind::CalibrationOfMass } else { Kind::CalibrationOfVolume });
    }
    if procedure.asked.iter().any(|a| uses(&a.name) && a.unit.dimension() == Dimension::MASS) {
        kinds.push(Kind::CalibrationOfMass);
    }
    let reagent = procedure.reagent.as_ref().filter(|r| !r.is_standardised_here && uses(&r.name));
    if reagent.is_some() {
        kinds.push(Kind::Factor);
    }
    kinds
}

/// The results of one portion.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct PortionResult {
    /// What entered.
    pub inputs: Vec<Input>,
    /// What came out, in the order of the procedure.
    pub results: Vec<ResultValue>,
    /// Things to know.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
    /// Why there is no result, in words.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<String>,
}

/// The numbers of one portion over common sources, in the order of the procedure's results. A result that uses a name
/// without a value (an end-point that was not found) is left out, the others are computed.
///
/// # Errors
/// In words: a formula without a value, an input that is damaged.
pub fn numbers_of(
    procedure: &Procedure,
    inputs: &[Input],
    portion: u32,
    sources: &mut Sources,
) -> Result<Vec<Option<Uncertain>>, String> {
    let mut scope = scope_of(inputs, portion, sources)?;
    let repeatability = scope.get(REPEATABILITY).cloned();
    let mut numbers = Vec::new();
    for rule in &procedure.results {
        let told = |wrong: FormulaError| format!("{}: {wrong}", rule.name);
        if rule.formula.names().iter().any(|name| scope.get(name).is_none()) {
            numbers.push(None);
            continue;
        }
        scope.fill_molar_masses(&rule.formula, &AtomicWeights::current(), sources).map_err(told)?;
        let number = rule.formula.evaluate(&scope).map_err(told)?;
        // The scatter of the determination counts once in each result, whatever results it is computed from.
        if let Some(symbol) = &rule.symbol {
            scope.set(symbol, number.clone());
        }
        numbers.push(Some(match &repeatability {
            Some(repeatability) => number.times(repeatability),
            None => number,
        }));
    }
    Ok(numbers)
}

/// The result of one portion from what was assembled.
#[must_use]
pub fn evaluate_portion(procedure: &Procedure, assembled: super::Assembled) -> PortionResult {
    let super::Assembled { inputs, warnings, mut missing } = assembled;
    let mut results = Vec::new();
    let mut sources = Sources::default();
    match numbers_of(procedure, &inputs, 1, &mut sources) {
        Ok(numbers) => {
            for (rule, number) in procedure.results.iter().zip(numbers) {
                let value = number.map(|number| ResultValue::of(procedure, rule, &number, &sources));
                match value {
                    Some(Ok(value)) => results.push(value),
                    Some(Err(why)) => missing.push(why),
                    None => {}
                }
            }
        }
        Err(why) => missing.push(why),
    }
    PortionResult { inputs, results, warnings, missing }
}

/// Whether the results of a portion follow from its inputs; `Some`: what differs, in words.
///
/// # Errors
/// In words, when they cannot be computed again.
pub fn repeats(procedure: &Procedure, kept: &PortionResult) -> Result<Option<String>, String> {
    let mut sources = Sources::default();
    let numbers = numbers_of(procedure, &kept.inputs, 1, &mut sources)?;
    for (rule, number) in procedure.results.iter().zip(numbers) {
        let stored = kept.results.iter().find(|value| value.name == rule.name);
        let (Some(number), Some(stored)) = (number, stored) else { continue };
        let again = ResultValue::of(procedure, rule, &number, &sources)?;
        for (what, a, b) in
            [("value", stored.value, again.value), ("standard uncertainty", stored.u, again.u)]
        {
            if (a - b).abs() > 1e-9 * b.abs().max(1e-300) {
                return Ok(Some(format!("{}: the {what} is {a}, computed again {b}", rule.name)));
            }
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::work::Stock;
    use crate::work::result::{Assembled, PortionFacts};

    #[test]
    fn the_scatter_of_a_determination_counts_once_in_a_result_that_is_computed_from_another() {
        let text = "title = \"a\"\nid = \"a\"\n[reagent]\ntitrant = \"t\"\nnominal = \"0.1 mol/L\"\n[[find]]\nname = \"V\"\nshape = \"seen\"\n\
            [uncertainty]\nrepeatability = \"1 %\"\n[[result]]\nname = \"x\"\nsymbol = \"x\"\nformula = \"V * c\"\nunit = \"mmol\"\n\
            [[result]]\nname = \"y\"\nformula = \"3 * x\"\nunit = \"mmol\"\n";
        let procedure = Procedure::read("a", text).unwrap();
        let values = [("V".to_owned(), "10 mL +- 0".to_owned()), ("c".to_owned(), "0.1 mol/L".to_owned())];
        let facts = PortionFacts { values: values.into(), ..PortionFacts::default() };
        let result = evaluate_portion(&procedure, Assembled::of(&procedure, &facts, &Stock::default()));
        let relative: Vec<f64> = result.results.iter().map(|value| value.u / value.value).collect();
        assert!(relative.len() == 2 && relative.iter().all(|u| (u - 0.01).abs() < 1e-12), "{relative:?}");
    }
}
