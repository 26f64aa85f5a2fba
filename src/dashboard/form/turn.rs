//! Choosing in the form: a procedure by a part of its name, and what Left and Right turn through.

use super::super::options::Procedure;
use super::{AskedValue, Facts, Form, FormLine, NO_PROCEDURE, ROLES};
use crate::results::Dimension;
use crate::work::{self, Role};
use tui_input::Input;

impl Form {
    pub(super) fn take_procedure(&mut self, text: &str, procedures: &[Procedure]) {
        text.clone_into(&mut self.procedure);
        let known = procedures.iter().find(|p| p.text == text);
        self.title = match known {
            Some(procedure) => procedure.title.clone(),
            None if text.is_empty() => NO_PROCEDURE.to_owned(),
            None => "procedure as given".to_owned(),
        };
        self.cautions = known.map(|p| p.cautions.clone()).unwrap_or_default();
        self.facts = Facts::default();
        self.asked.clear();
        // A text that cannot be read is told by the recorder; here it only asks for a mass.
        let Ok(procedure) = work::Procedure::parse("of this portion", text) else { return };
        let mut masses = procedure.asked.iter().filter(|a| a.unit.dimension() == Dimension::MASS);
        let only = masses.next().filter(|_| masses.next().is_none());
        self.facts = Facts {
            planned: (procedure.limits.planned > 0).then_some(procedure.limits.planned),
            titrant: procedure.reagent.as_ref().map(|r| r.titrant.clone()),
            standardises: procedure.reagent.as_ref().is_some_and(|r| r.is_standardised_here),
            mass: only.map(|a| {
                // The coherent unit of a mass is the gram.
                let grams = |v: Option<f64>| v.map(|v| a.unit.to_coherent(v));
                (a.what.clone(), grams(a.from), grams(a.to))
            }),
            asked: procedure.asked.iter().map(|a| a.name.clone()).collect(),
        };
        let further = procedure.asked.iter().filter(|a| only.is_none_or(|o| o.name != a.name));
        self.asked = further
            .map(|a| {
                let range = match (a.from, a.to) {
                    (Some(from), Some(to)) => format!(", {from} to {to} {}", a.unit),
                    _ => String::new(),
                };
                let usual = a.usual.map_or(String::new(), |v| format!("; empty: {v}"));
                AskedValue {
                    name: a.name.clone(),
                    what: format!("{}{range}{usual}", a.what),
                    unit: a.unit.to_string(),
                    input: Input::default(),
                }
            })
            .collect();
    }

    /// Another procedure is chosen: what belonged to the last one goes.
    fn change_procedure(&mut self, chosen: Option<&Procedure>, procedures: &[Procedure]) {
        let text = chosen.map_or("", |p| p.text.as_str()).to_owned();
        if text == self.procedure {
            return;
        }
        self.end_past = None;
        self.series.reset();
        self.base.values.clear();
        self.take_procedure(&text, procedures);
        self.role = if self.facts.standardises { Role::Standardisation } else { Role::Sample };
        self.portion = (1, self.facts.planned.unwrap_or(self.portion.1).max(1));
    }

    /// The procedures that the search leaves.
    pub(in super::super) fn matching<'p>(&self, procedures: &'p [Procedure]) -> Vec<&'p Procedure> {
        let words: Vec<String> = self.search.split_whitespace().map(str::to_lowercase).collect();
        let fits = |p: &&Procedure| words.iter().all(|word| p.title.to_lowercase().contains(word.as_str()));
        procedures.iter().filter(fits).collect()
    }

    /// Types into the search for a procedure, or takes the last character back.
    pub(in super::super) fn search(&mut self, typed: Option<char>, procedures: &[Procedure]) {
        match typed {
            Some(c) if self.search.chars().count() < 40 => self.search.push(c),
            Some(_) => {}
            None => {
                self.search.pop();
            }
        }
        let matching = self.matching(procedures);
        if !self.search.is_empty()
            && !matching.iter().any(|p| p.text == self.procedure)
            && let Some(first) = matching.first().copied().cloned()
        {
            self.change_procedure(Some(&first), procedures);
        }
    }

    /// Left and right on a line that is chosen, not typed.
    pub(in super::super) fn turn(&mut self, procedures: &[Procedure], lots: &[String], forward: bool) {
        match self.line {
            FormLine::Procedure => {
                let matching: Vec<Procedure> = self.matching(procedures).into_iter().cloned().collect();
                if matching.is_empty() {
                    return;
                }
                let at = matching.iter().position(|p| p.text == self.procedure);
                let to = match (at, forward) {
                    (None, true) => Some(0),
                    (None, false) => Some(matching.len() - 1),
                    (Some(at), true) => Some(at + 1),
                    (Some(at), false) => at.checked_sub(1),
                };
                // Between the last and the first stands: no procedure.
                let chosen = to.and_then(|to| matching.get(to));
                self.change_procedure(chosen, procedures);
            }
            FormLine::Role => {
                let at = ROLES.iter().position(|role| *role == self.role).unwrap_or(0);
                let step = if forward { 1 } else { ROLES.len() - 1 };
                self.role = ROLES[(at + step) % ROLES.len()];
                self.portion.0 = 1;
            }
            FormLine::Portion => {
                let number = self.portion.0;
                self.portion.0 = if forward { number.saturating_add(1) } else { number.max(2) - 1 };
                self.portion.1 = self.portion.1.max(self.portion.0);
            }
            FormLine::Lot if !lots.is_empty() => {
                let at = lots.iter().position(|lot| lot == self.lot.value().trim());
                let to = match (at, forward) {
                    (None, _) => 0,
                    (Some(at), true) => (at + 1) % lots.len(),
                    (Some(at), false) => (at + lots.len() - 1) % lots.len(),
                };
                self.lot = Input::new(lots[to].clone());
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::work::RunPlan;

    #[test]
    fn the_range_of_a_mass_is_told_in_grams() {
        let text = work::Procedure::shipped("naoh-by-phthalate").unwrap();
        let plan = RunPlan { procedure: text.to_owned(), ..RunPlan::default() };
        let form = Form::of(&plan, &[]);
        assert_eq!(
            form.mass_words().as_deref(),
            Some("mass of potassium hydrogen phthalate, 0.25 to 0.45 g")
        );
        assert!(!form.mass_is_odd(0.3712) && form.mass_is_odd(371.2) && form.mass_is_odd(0.1));
    }
}
