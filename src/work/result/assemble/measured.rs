//! What is asked for each portion, and what is the same for all.

use super::{Gathering, InputSource, distribution, typed_with_unit};
use crate::results::{Distribution, Kind, Quantity};
use crate::work::procedure::{Asked, Constant, ConstantKind, ConstantValue, HowWord};
use crate::work::{Equipment, EquipmentKind};

impl<'a> Gathering<'a> {
    pub(super) fn asked(&mut self, asked: &Asked) {
        let unit = asked.unit.to_string();
        let typed = match (self.facts.values.get(&asked.name), asked.usual) {
            (Some(text), _) => typed_with_unit(text, &unit),
            (None, Some(usual)) => Ok((Quantity::new(usual, asked.unit.clone()), None)),
            (None, None) => {
                self.out.missing.push(format!("{} ({}) was not given", asked.what, asked.name));
                return;
            }
        };
        let (quantity, u) = match typed {
            Ok(typed) => typed,
            Err(why) => {
                self.out.missing.push(format!("{} ({}): {why}", asked.what, asked.name));
                return;
            }
        };
        let Some(value) = quantity.in_unit(&asked.unit) else {
            self.out.missing.push(format!(
                "{} ({}) is measured in {unit}, not in {}",
                asked.what, asked.name, quantity.unit
            ));
            return;
        };
        let outside = asked.from.is_some_and(|from| value < from) || asked.to.is_some_and(|to| value > to);
        if outside {
            let bound = |b: Option<f64>| b.map_or_else(|| "any".to_owned(), |b| b.to_string());
            self.out.warnings.push(format!(
                "{} is {value} {unit}; the procedure asks for {} to {} {unit}",
                asked.what,
                bound(asked.from),
                bound(asked.to)
            ));
        }
        let sources = match u {
            Some(u) => {
                let kind = if asked.unit.dimension() == crate::results::Dimension::MASS {
                    Kind::CalibrationOfMass
                } else if asked.unit.dimension() == crate::results::Dimension::VOLUME {
                    Kind::CalibrationOfVolume
                } else {
                    Kind::Other
                };
                let own =
                    InputSource::shared(asked.what.clone(), kind, u, &quantity.unit.to_string(), "keyed");
                vec![own.of_each_portion()]
            }
            None => self.measured_by(asked, value),
        };
        self.put(&asked.name, value, &unit, "keyed", None, sources);
    }

    fn measured_by(&self, asked: &Asked, value: f64) -> Vec<InputSource> {
        let weighings = match asked.how {
            HowWord::OneReading => 1.0,
            HowWord::ByDifference | HowWord::BackWeighed => 2.0,
            HowWord::Pipette | HowWord::Flask => {
                let kind =
                    if asked.how == HowWord::Pipette { EquipmentKind::Pipette } else { EquipmentKind::Flask };
                let in_ml = asked.unit.to_coherent(value);
                let fits = |e: &Equipment| e.value.is_some_and(|v| (v - in_ml).abs() <= 1e-6 * in_ml.abs());
                return self.equipment(kind, &asked.name, fits).map(|e| volume(&e.it)).unwrap_or_default();
            }
            HowWord::Typed => return Vec::new(),
        };
        // Only a mass is weighed; one reading of anything else is what was typed.
        let is_mass = asked.unit.dimension() == crate::results::Dimension::MASS;
        self.equipment(EquipmentKind::Balance, &asked.name, |_| true)
            .filter(|_| is_mass)
            .map(|balance| weighing(&balance.it, weighings, &asked.name))
            .unwrap_or_default()
    }

    pub(super) fn constant(&mut self, constant: &Constant) {
        if let Some(text) = self.facts.values.get(&constant.name) {
            // A value for this lot or this sample replaces the one of the procedure.
            let unit = match &constant.value {
                ConstantValue::Written(quantity) => quantity.unit.to_string(),
                ConstantValue::MolarMass(_) => "g/mol".to_owned(),
                ConstantValue::PurityOf(_) => "1".to_owned(),
            };
            match typed_with_unit(text, &unit) {
                Ok((quantity, u)) => {
                    let own = constant_source(constant, u, &quantity.unit.to_string(), "keyed");
                    self.put(&constant.name, quantity.value, &quantity.unit.to_string(), "keyed", None, own);
                }
                Err(why) => self.out.missing.push(format!("{}: {why}", constant.name)),
            }
            return;
        }
        let words = constant.source.clone().unwrap_or_else(|| "stated by the procedure".to_owned());
        match &constant.value {
            ConstantValue::Written(quantity) => {
                let unit = quantity.unit.to_string();
                let u = constant.u.as_ref().map(|u| u.value * u.unit.scale() / quantity.unit.scale());
                let own = constant_source(constant, u, &unit, &words);
                self.put(&constant.name, quantity.value, &unit, &words, None, own);
            }
            ConstantValue::MolarMass(formula) => self.molar_mass(constant, formula, &words),
            ConstantValue::PurityOf(standard) => {
                let lot = self.equipment(EquipmentKind::Standard, &constant.name, |lot| {
                    lot.what.as_deref() == Some(standard.as_str()) || lot.name == *standard
                });
                match lot {
                    Some(lot) if lot.it.value.is_some() => {
                        let name = format!("purity of {}", lot.it.name);
                        let source = lot.it.u.map(|u| InputSource {
                            distribution: distribution(lot.it.distribution),
                            ..InputSource::shared(
                                name,
                                Kind::Standard,
                                u,
                                &lot.it.unit,
                                lot.it.certificate.clone().unwrap_or_default(),
                            )
                        });
                        let (unit, from) = (lot.it.unit.clone(), format!("lot {}", lot.it.name));
                        self.put(
                            &constant.name,
                            lot.it.value.unwrap_or(1.0),
                            &unit,
                            &from,
                            Some(lot.datum),
                            source.into_iter().collect(),
                        );
                    }
                    _ => {
                        self.out.warnings.push(format!(
                            "no lot of {standard} is entered: its purity is taken as 1, and the budget is incomplete"
                        ));
                        self.put(&constant.name, 1.0, "1", "not entered", None, Vec::new());
                    }
                }
            }
        }
    }

    fn molar_mass(&mut self, constant: &Constant, formula: &str, words: &str) {
        use crate::chemistry::formula_mass::{AtomicWeights, Composition};
        let weights = AtomicWeights::current();
        let Ok(composition) = Composition::parse(formula) else {
            self.out.missing.push(format!("the formula {formula} of {} cannot be read", constant.name));
            return;
        };
        let Ok(mass) = composition.mass(&weights) else {
            self.out.missing.push(format!("{formula} has an element without an atomic weight"));
            return;
        };
        let sources = composition
            .elements()
            .filter_map(|(element, count)| {
                let weight = weights.get(element)?;
                Some(InputSource {
                    distribution: Distribution::Rectangular,
                    derivative: Some(count),
                    ..InputSource::shared(
                        format!("atomic weight of {element}"),
                        Kind::MolarMass,
                        weight.half_width / 3.0_f64.sqrt(),
                        "g/mol",
                        weights.source(),
                    )
                })
            })
            .collect();
        let from = if constant.source.is_some() { words.to_owned() } else { weights.source().to_owned() };
        self.put(&constant.name, mass.value, "g/mol", &from, None, sources);
    }
}

fn constant_source(constant: &Constant, u: Option<f64>, unit: &str, from: &str) -> Vec<InputSource> {
    let kind = match constant.kind {
        ConstantKind::Volume => Kind::CalibrationOfVolume,
        ConstantKind::Mass => Kind::CalibrationOfMass,
        ConstantKind::Purity => Kind::Standard,
        ConstantKind::Repeatability => Kind::Repeatability,
        ConstantKind::Other => Kind::Other,
    };
    let name = constant.what.clone().unwrap_or_else(|| constant.name.clone());
    u.map(|u| InputSource {
        distribution: distribution(constant.distribution),
        ..InputSource::shared(name, kind, u, unit, from)
    })
    .into_iter()
    .collect()
}

/// Calibration and repeatability of a balance over so many weighings.
///
/// The calibration (linearity) counts once for each weighing, as in EURACHEM/CITAC guide CG 4, example A2: a tare and a
/// gross reading lie at different places of the scale.
pub(super) fn weighing(balance: &Equipment, times: f64, of: &str) -> Vec<InputSource> {
    let mut sources = Vec::new();
    let from = balance.certificate.clone().unwrap_or_default();
    if let Some(u) = balance.u {
        let name = format!("calibration of balance {} for {of}", balance.name);
        sources.push(InputSource {
            distribution: distribution(balance.distribution),
            ..InputSource::shared(name, Kind::CalibrationOfMass, u * times.sqrt(), &balance.unit, from)
        });
    }
    if let Some(s) = balance.repeatability {
        let name = format!("weighing of {of}");
        let own = InputSource::shared(name, Kind::Repeatability, s * times.sqrt(), &balance.unit, "");
        sources.push(own.of_each_portion());
    }
    sources
}

/// Calibration and repeatability of a pipette or flask.
fn volume(piece: &Equipment) -> Vec<InputSource> {
    let mut sources = Vec::new();
    let name = format!("{} {}", piece.kind.word(), piece.name);
    if let Some(u) = piece.u {
        let from = piece.certificate.clone().unwrap_or_default();
        sources.push(InputSource {
            distribution: distribution(piece.distribution),
            ..InputSource::shared(
                format!("calibration of {name}"),
                Kind::CalibrationOfVolume,
                u,
                &piece.unit,
                from,
            )
        });
    }
    if let Some(s) = piece.repeatability {
        let own = InputSource::shared(format!("delivery of {name}"), Kind::Repeatability, s, &piece.unit, "");
        sources.push(own.of_each_portion());
    }
    sources
}
