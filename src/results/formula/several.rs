//! Several results that may use each other.

use super::super::{Dimension, Uncertain};
use super::{Fault, Formula, FormulaError, Scope, Span};
use std::collections::BTreeMap;

/// Named formulae in an order in which each comes behind those that it uses.
///
/// ```
/// use dropwise::results::{Dimension, Formula, Formulae, Scope, Uncertain};
/// let parse = |text| Formula::parse(text).unwrap();
/// let formulae = Formulae::new(vec![
///     ("hydroxide".to_owned(), parse("V_total - carbonate")),
///     ("carbonate".to_owned(), parse("2 * (V_total - V_first)")),
/// ]).unwrap();
/// let mut scope = Scope::default();
/// scope.set("V_total", Uncertain::exact(10.0, Dimension::VOLUME));
/// scope.set("V_first", Uncertain::exact(8.0, Dimension::VOLUME));
/// let results = formulae.evaluate(&scope).unwrap();
/// assert_eq!(results["hydroxide"].value, 6.0);
/// ```
#[derive(Debug, Clone, Default)]
pub struct Formulae {
    list: Vec<(String, Formula)>,
}

impl Formulae {
    /// Puts named formulae in order.
    ///
    /// # Errors
    /// Two formulae of one name, or formulae that need each other in a circle.
    pub fn new(mut formulae: Vec<(String, Formula)>) -> Result<Self, FormulaError> {
        for (i, (name, formula)) in formulae.iter().enumerate() {
            if formulae[..i].iter().any(|(other, _)| other == name) {
                return Err(FormulaError::new(Fault::Twice, Span::default(), formula.text()).of_result(name));
            }
        }
        let mut list: Vec<(String, Formula)> = Vec::with_capacity(formulae.len());
        while !formulae.is_empty() {
            let waits =
                |formula: &Formula| formulae.iter().any(|(name, _)| formula.names().contains(name.as_str()));
            match formulae.iter().position(|(_, formula)| !waits(formula)) {
                Some(ready) => list.push(formulae.remove(ready)),
                None => return Err(circle(&formulae)),
            }
        }
        Ok(Self { list })
    }

    /// Names and formulae, each behind those that it uses.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &Formula)> {
        self.list.iter().map(|(name, formula)| (name.as_str(), formula))
    }

    /// A result and all that it uses, in order; empty if there is no such result.
    pub(in crate::results) fn needed_for(&self, wanted: &str) -> Vec<(&str, &Formula)> {
        let mut needed: Vec<(&str, &Formula)> = Vec::new();
        for (name, formula) in self.iter().collect::<Vec<_>>().into_iter().rev() {
            if name == wanted || needed.iter().any(|(_, other)| other.names().contains(name)) {
                needed.push((name, formula));
            }
        }
        needed.reverse();
        needed
    }

    /// The dimension of each result when the other names have these dimensions.
    ///
    /// # Errors
    /// The first fault, with the name of the result.
    pub fn check(
        &self,
        known: &BTreeMap<String, Dimension>,
    ) -> Result<BTreeMap<String, Dimension>, FormulaError> {
        let mut known = known.clone();
        let mut found = BTreeMap::new();
        for (name, formula) in &self.list {
            let dimension = formula.check(&known).map_err(|e| e.of_result(name))?;
            known.insert(name.clone(), dimension);
            found.insert(name.clone(), dimension);
        }
        Ok(found)
    }

    /// The value of each result.
    ///
    /// # Errors
    /// The first fault, with the name of the result.
    pub fn evaluate(&self, scope: &Scope) -> Result<BTreeMap<String, Uncertain>, FormulaError> {
        let mut scope = scope.clone();
        let mut found = BTreeMap::new();
        for (name, formula) in &self.list {
            let value = formula.evaluate(&scope).map_err(|e| e.of_result(name))?;
            scope.set(name, value.clone());
            found.insert(name.clone(), value);
        }
        Ok(found)
    }
}

/// Follows one need after the other until a name comes back.
fn circle(formulae: &[(String, Formula)]) -> FormulaError {
    let mut path: Vec<usize> = vec![0];
    loop {
        let last = path[path.len() - 1];
        let names = formulae[last].1.names();
        // Each formula of the rest waits for another of the rest.
        let next = formulae.iter().position(|(name, _)| names.contains(name.as_str())).unwrap_or(last);
        let back = path.iter().position(|seen| *seen == next);
        path.push(next);
        if let Some(start) = back {
            let names: Vec<String> = path[start..].iter().map(|i| formulae[*i].0.clone()).collect();
            let (name, formula) = &formulae[next];
            let fault = Fault::Circle(names);
            return FormulaError::new(fault, Span::default(), formula.text()).of_result(name);
        }
    }
}
