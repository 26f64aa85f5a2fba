//! What a procedure file computes and judges.

use super::super::form::{
    AcceptWord, CompareWord, EquivalentForm, HalfWord, LimitsForm, ResultForm, RoundingForm, Text,
    procedure_form,
};
use super::super::{Limits, Procedure, Reagent, ResultRule};
use super::{Reader, molar_mass};
use crate::results::{self, Dimension, Formula, Unit};
use std::collections::{BTreeMap, BTreeSet};
use toml::Spanned;

impl Reader<'_, '_> {
    pub(super) fn results(&mut self, procedure: &Procedure, forms: &[ResultForm]) -> Vec<ResultRule> {
        // A name whose own unit is wrong was told; formulae that use it are not checked.
        let mut unclear = BTreeSet::new();
        let mut known = BTreeMap::new();
        for name in procedure.known() {
            match name.dimension {
                Some(dimension) => drop(known.insert(name.name, dimension)),
                None => drop(unclear.insert(name.name)),
            }
        }
        let mut rules = Vec::new();
        for form in forms {
            let unit = self.unit(&form.unit);
            let formula = self.formula(form, &known, &unclear, unit.as_ref());
            let rounding = form.rounding.as_ref().map_or(
                Some(results::Rounding { tie: results::Tie::HalfUp, to: results::To::Uncertainty(2) }),
                |rounding| self.rounding(rounding, unit.as_ref()),
            );
            if let Some(symbol) = &form.symbol {
                self.declare(symbol.get_ref(), symbol.span(), "a result");
                match &unit {
                    Some(unit) => drop(known.insert(symbol.get_ref().clone(), unit.dimension())),
                    None => drop(unclear.insert(symbol.get_ref().clone())),
                }
            }
            if let (Some(unit), Some(formula), Some(rounding)) = (unit, formula, rounding) {
                rules.push(ResultRule {
                    name: form.name.get_ref().clone(),
                    symbol: form.symbol.as_ref().map(|s| s.get_ref().clone()),
                    formula,
                    unit,
                    rounding,
                });
            }
        }
        rules
    }

    fn formula(
        &mut self,
        form: &ResultForm,
        known: &BTreeMap<String, Dimension>,
        unclear: &BTreeSet<String>,
        unit: Option<&Unit>,
    ) -> Option<Formula> {
        let text = &form.formula;
        let told = Formula::parse(text.get_ref()).and_then(|formula| {
            let checkable = formula.names().iter().all(|name| !unclear.contains(*name));
            if checkable {
                match unit {
                    Some(unit) => formula.check_unit(known, unit)?,
                    None => drop(formula.check(known)?),
                }
            }
            Ok(formula)
        });
        told.map_err(|wrong| {
            let length = wrong.span.end.saturating_sub(wrong.span.start);
            let place = self.mistakes.within(&text.span(), text.get_ref(), wrong.span.start, length);
            let code = procedure_form().code("formula");
            self.mistakes.error(code, place, message_of(&wrong), Some(wrong.remedy()));
        })
        .ok()
    }

    fn rounding(&mut self, form: &RoundingForm, unit: Option<&Unit>) -> Option<results::Rounding> {
        let half = match form.rule {
            HalfWord::HalfUp => "half-up",
            HalfWord::HalfEven => "half-even",
        };
        // Tried on a value, so that a step in another kind of unit is told now and not after the titration.
        let rule = results::Rounding::parse(half, form.to.get_ref()).and_then(|rule| {
            rule.apply(1.0, Some(0.1), unit.unwrap_or(&Unit::one()))?;
            Ok(rule)
        });
        rule.map_err(|wrong| {
            let remedy = "write \"uncertainty\", \"3 digits\", or a step in the unit of the result";
            self.error("rounding", form.to.span(), wrong.to_string(), remedy);
        })
        .ok()
    }

    /// `unit`: that of the first result, once it is known.
    pub(super) fn limits(&mut self, form: &LimitsForm, unit: Option<&Unit>) -> Limits {
        let planned = form.replicates.planned;
        let result = form.result.as_ref().zip(unit).map(|(limits, unit)| {
            let mut limit = |text: Option<&Text>| text.and_then(|text| self.limit(text, unit));
            results::Limits {
                from: limit(limits.from.as_ref()),
                to: limit(limits.to.as_ref()),
                compare: match limits.compare {
                    CompareWord::Rounded => results::Compare::Rounded,
                    CompareWord::Full => results::Compare::Full,
                },
                decision: match limits.rule {
                    AcceptWord::Simple => results::Decision::Simple,
                    AcceptWord::GuardBand => results::Decision::GuardBand,
                },
            }
        });
        let burette_use =
            form.burette_use.as_ref().and_then(|used| self.fraction(&used.from).zip(self.fraction(&used.to)));
        Limits {
            planned,
            most: form.replicates.most.unwrap_or(planned).max(planned),
            needed: form.replicates.needed.unwrap_or(planned),
            add_when: form.replicates.add_when,
            rsd_max: form.rsd_max.as_ref().and_then(|text| self.fraction(text)),
            range_max: form.range_max.as_ref().and_then(|text| self.fraction(text)),
            result,
            burette_use,
            from_nominal_max: form.from_nominal_max.as_ref().and_then(|text| self.fraction(text)),
        }
    }

    /// A limit of the first result.
    fn limit(&mut self, text: &Text, unit: &Unit) -> Option<results::Quantity> {
        let quantity = self.measure(text, &format!("5 {unit}"))?;
        if quantity.dimension() == unit.dimension() {
            return Some(quantity);
        }
        let message = format!("\"{}\" is no limit of a result in {unit}", text.get_ref());
        self.error("dimension", text.span(), message, &format!("state it in {unit}"));
        None
    }

    pub(super) fn standardisation(&mut self, procedure: &Procedure, first: Option<&ResultForm>) {
        let Some(reagent) = procedure.reagent.as_ref().filter(|r| r.is_standardised_here) else { return };
        let Some(first) = first else {
            let message = "a standardisation without a result gives no factor".to_owned();
            self.error(
                "no-result",
                0..0,
                message,
                "add a [[result]] that computes the strength of the titrant",
            );
            return;
        };
        let rule = procedure.results.first();
        if let (Some(nominal), Some(rule)) = (&reagent.nominal, rule)
            && nominal.unit.dimension() != rule.unit.dimension()
        {
            let message = format!("the first result is in {}, the strength in {}", rule.unit, nominal.unit);
            self.error("dimension", first.unit.span(), message, "the first result must be the strength");
        }
        if rule.is_some_and(|rule| rule.formula.names().contains(reagent.name.as_str())) {
            let message = format!("`{}` is found here, and its formula uses it", reagent.name);
            self.error("formula", first.formula.span(), message, "compute it from the standard alone");
        }
    }

    /// "1 mL is equivalent to x mg" must agree with strength and molar mass, to the digits that are written.
    pub(super) fn equivalent(&mut self, reagent: &Reagent, equivalent: &Spanned<EquivalentForm>) {
        let (form, span) = (equivalent.get_ref(), equivalent.span());
        let text = Text::new(span.clone(), form.mass.clone());
        let Some(stated) = self.coherent(&text, Dimension::MASS, "6.005 mg") else { return };
        let mass = match molar_mass(&form.of) {
            Ok(mass) => mass,
            Err(wrong) => {
                self.error("formula", span, wrong, "write the formula of what is determined");
                return;
            }
        };
        let Some(nominal) =
            reagent.nominal.as_ref().filter(|n| n.unit.dimension() == Dimension::CONCENTRATION)
        else {
            let message = "an equivalent needs a nominal strength in mol/L".to_owned();
            self.error("equivalent", span, message, "add `nominal = \"0.1 mol/L\"`");
            return;
        };
        let expected = nominal.coherent() * mass * form.ratio.unwrap_or(1.0);
        if ((stated - expected) / expected).abs() > 2e-3 {
            let message = format!(
                "1 mL of {nominal} is equivalent to {:.4} mg of {}, not to {}",
                expected * 1e3,
                form.of,
                form.mass
            );
            self.error("equivalent", span, message, "check mass, formula and `ratio`");
        }
    }
}

/// What is wrong with a formula, without the remedy that a diagnostic tells apart.
fn message_of(wrong: &results::FormulaError) -> String {
    let whole = wrong.to_string();
    let remedy = format!("; {}", wrong.remedy());
    whole.strip_suffix(&remedy).unwrap_or(&whole).to_owned()
}
