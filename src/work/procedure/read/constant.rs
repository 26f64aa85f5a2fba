//! Values that are the same for every portion, and what the uncertainty needs.

use super::super::form::{ConstantForm, UncertaintyForm};
use super::super::{Constant, ConstantKind, ConstantValue, DistributionWord, Uncertainty};
use super::{Reader, molar_mass};
use crate::results::Dimension;

impl Reader<'_, '_> {
    pub(super) fn constant(&mut self, form: &ConstantForm) -> Option<Constant> {
        self.declare(form.name.get_ref(), form.name.span(), "a constant");
        let value = match (&form.value, &form.molar_mass, &form.purity_of) {
            (Some(text), None, None) => ConstantValue::Written(self.measure(text, "25 mL")?),
            (None, Some(formula), None) => {
                if let Err(wrong) = molar_mass(formula.get_ref()) {
                    self.error("formula", formula.span(), wrong, "write it as KHC8H4O4 or Na2CO3");
                    return None;
                }
                ConstantValue::MolarMass(formula.get_ref().clone())
            }
            (None, None, Some(standard)) => ConstantValue::PurityOf(standard.get_ref().clone()),
            _ => {
                let message =
                    format!("`{}` needs one of `value`, `molar_mass`, `purity_of`", form.name.get_ref());
                self.error("missing-key", form.name.span(), message, "write exactly one of them");
                return None;
            }
        };
        let u = match (&form.u, &form.within) {
            (Some(u), None) => self.measure(u, "0.01 mL"),
            (None, Some(within)) => self.measure(within, "0.03 mL").map(|mut half| {
                half.value /= form.distribution.map_or(3.0_f64.sqrt(), DistributionWord::divisor);
                half
            }),
            (None, None) => None,
            (Some(u), Some(_)) => {
                let message = "`u` and `within` say the same thing twice".to_owned();
                self.error("declared-twice", u.span(), message, "keep one of them");
                None
            }
        };
        if let (Some(u), ConstantValue::Written(value)) = (&u, &value)
            && u.unit.dimension() != value.unit.dimension()
        {
            let message = format!("{} is {}, its uncertainty {}", form.name.get_ref(), value.unit, u.unit);
            self.error("dimension", form.name.span(), message, "state both in one unit");
        }
        Some(Constant {
            name: form.name.get_ref().clone(),
            what: form.what.clone(),
            value,
            u,
            distribution: form
                .within
                .as_ref()
                .map(|_| form.distribution.unwrap_or(DistributionWord::Rectangular)),
            kind: form.kind.unwrap_or(ConstantKind::Other),
            source: form.source.clone(),
        })
    }

    pub(super) fn uncertainty(&mut self, form: &UncertaintyForm) -> Uncertainty {
        let per_kelvin = Dimension::ONE / Dimension::TEMPERATURE;
        Uncertainty {
            repeatability: form.repeatability.as_ref().and_then(|text| self.fraction(text)),
            temperature_within_k: form
                .temperature_within
                .as_ref()
                .and_then(|text| self.coherent(text, Dimension::TEMPERATURE, "3 K")),
            expansion_per_k: form
                .expansion
                .as_ref()
                .and_then(|text| self.coherent(text, per_kelvin, "2.1e-4 1/K")),
            volume_to_20_degc: form.volume_to_20_degc,
            coverage: form.coverage_percent.unwrap_or(95.0) / 100.0,
        }
    }
}
