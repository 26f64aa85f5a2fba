//! Are the values and things that are named for a portion those that the procedure knows?

use super::{ConstantValue, Procedure};
use crate::form::nearest;
use crate::results::{Dimension, Unit};
use crate::work::result::{REPEATABILITY, typed_with_unit};
use crate::work::{EquipmentKind, FROM_BALANCE};
use std::collections::BTreeMap;

impl Procedure {
    /// What is wrong with the values told for a portion, one sentence each: a name that no formula knows (with the nearest
    /// known one), a text that is no quantity, a unit that does not fit.
    #[must_use]
    pub fn wrong_values(&self, values: &BTreeMap<String, String>) -> Vec<String> {
        let known = self.known();
        let mut wrong = Vec::new();
        for (name, text) in values {
            let usual = match known.iter().find(|known| known.name == *name) {
                Some(_) => self.unit_of(name),
                None if name == REPEATABILITY => Some(Unit::one()),
                None => {
                    wrong.push(self.unknown(name, known.iter().map(|known| known.name.as_str())));
                    continue;
                }
            };
            if text.trim() == FROM_BALANCE {
                continue;
            }
            let Some(usual) = usual else { continue };
            match typed_with_unit(text, &usual.to_string()) {
                Err(why) => wrong.push(format!("{name}: {why}")),
                Ok((quantity, _)) if quantity.dimension() != usual.dimension() => {
                    wrong.push(format!("{name} is measured in {usual}, not in {}", quantity.unit));
                }
                Ok(_) => {}
            }
        }
        wrong
    }

    /// What is wrong with the names under which equipment and lots are told: kinds, or names of formulae.
    #[must_use]
    pub fn wrong_uses(&self, uses: &BTreeMap<String, String>) -> Vec<String> {
        let known = self.known();
        let mut names: Vec<&str> = EquipmentKind::ALL.into_iter().map(EquipmentKind::word).collect();
        names.extend(known.iter().map(|known| known.name.as_str()));
        uses.keys()
            .filter(|name| !names.contains(&name.as_str()))
            .map(|name| self.unknown(name, names.iter().copied()))
            .collect()
    }

    fn unknown<'a>(&self, name: &str, names: impl Iterator<Item = &'a str> + Clone) -> String {
        match nearest(name, names.clone()) {
            Some(near) => format!("{} knows no `{name}`; did you mean `{near}`?", self.id),
            None => {
                let names: Vec<&str> = names.collect();
                format!("{} knows no `{name}`; it knows: {}", self.id, names.join(", "))
            }
        }
    }

    /// The unit in which a name of the formulae is told when none is typed; `None`: any will do.
    fn unit_of(&self, name: &str) -> Option<Unit> {
        let strength = |own: &str, nominal: &Option<crate::results::Quantity>| {
            (own == name).then(|| nominal.as_ref().map(|nominal| nominal.unit.clone()))
        };
        if let Some(asked) = self.asked(name) {
            return Some(asked.unit.clone());
        }
        if let Some(unit) = self.reagent.as_ref().and_then(|r| strength(&r.name, &r.nominal)) {
            return unit;
        }
        if let Some(unit) = self.solutions.iter().find_map(|s| strength(&s.name, &s.nominal)) {
            return unit;
        }
        if let Some(constant) = self.constants.iter().find(|constant| constant.name == name) {
            return match &constant.value {
                ConstantValue::Written(quantity) => Some(quantity.unit.clone()),
                ConstantValue::MolarMass(_) => Unit::parse("g/mol").ok(),
                ConstantValue::PurityOf(_) => Some(Unit::one()),
            };
        }
        let known = self.known().into_iter().find(|known| known.name == name)?;
        match known.dimension? {
            Dimension::TIME => Unit::parse("s").ok(),
            _ => Unit::parse(self.titrant_unit()).ok(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(values: &[(&str, &str)]) -> Vec<String> {
        let text = Procedure::shipped("vinegar-acidity").unwrap();
        let procedure = Procedure::read("vinegar-acidity", text).unwrap();
        let values = values.iter().map(|(name, text)| ((*name).to_owned(), (*text).to_owned())).collect();
        procedure.wrong_values(&values)
    }

    #[test]
    fn what_fits_is_not_remarked() {
        let fits = [
            ("m", "1.6021"),
            ("V_blank", "0.03 mL +- 0.01"),
            ("c", "0.1002 mol/L"),
            ("t_run", "3 min"),
            ("repeatability", "0.1 %"),
        ];
        assert_eq!(told(&fits), Vec::<String>::new());
        assert!(told(&[("m", "balance")]).is_empty());
    }

    #[test]
    fn each_mistake_is_told_with_what_would_be_right() {
        for (name, text, words) in [
            ("V_blnak", "0.03 mL", "did you mean `V_blank`?"),
            ("zinc", "1 g", "it knows: "),
            ("m", "1,6", "m: "),
            ("m", "1.6 mL", "measured in g, not in mL"),
            ("m", "1.6 g +- 1 mL", "another kind of unit"),
            ("c", "0.1 g", "measured in mol/L"),
            ("t_run", "3 mL", "measured in s"),
        ] {
            let wrong = told(&[(name, text)]);
            assert!(wrong.len() == 1 && wrong[0].contains(words), "{name}={text}: {wrong:?}");
        }
    }

    #[test]
    fn things_are_named_by_their_kind_or_by_a_name_of_the_formulae() {
        let text = Procedure::shipped("vinegar-acidity").unwrap();
        let procedure = Procedure::read("vinegar-acidity", text).unwrap();
        let uses = |name: &str| [(name.to_owned(), "blue".to_owned())].into();
        assert!(procedure.wrong_uses(&uses("burette")).is_empty());
        assert!(procedure.wrong_uses(&uses("c")).is_empty());
        assert!(procedure.wrong_uses(&uses("buret"))[0].contains("`burette`"));
    }
}
