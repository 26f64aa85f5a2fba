//! The procedure file: one determination, as far as finding its end-points needs it.

use crate::detector::{Given, Level, Medium, Shape};
use crate::reading::{Quantity, Unit};
use serde::{Deserialize, Serialize};

/// A determination.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Procedure {
    /// What people call it.
    pub title: String,
    /// Its name in commands.
    pub id: String,
    /// Raised by the lab at each change.
    #[serde(default = "first_revision")]
    pub revision: u32,
    /// The titrant.
    #[serde(default)]
    pub reagent: Option<Reagent>,
    /// The vessel.
    #[serde(default)]
    pub vessel: Option<Vessel>,
    /// The end-points to look for, in their order.
    #[serde(default)]
    pub find: Vec<Find>,
    /// Cautions shown before the start.
    #[serde(default)]
    pub caution: Vec<Caution>,
    /// Whether somebody else than who performed it has to review and approve.
    #[serde(default)]
    pub second_person: bool,
}

/// The titrant.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reagent {
    /// Its name.
    pub titrant: String,
    /// Its nominal strength, such as `0.1 mol/L`.
    #[serde(default)]
    pub nominal: Option<String>,
}

/// The vessel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Vessel {
    /// Volume of the solution at the start, such as `100 mL`.
    #[serde(default)]
    pub volume: Option<String>,
    /// `water`, `mixed` or `non-aqueous`.
    #[serde(default)]
    pub medium: Option<String>,
}

/// One end-point to look for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Find {
    /// Its name in formulae.
    pub name: String,
    /// `jump`, `bend`, `level` or `peak`.
    #[serde(default)]
    pub shape: Option<String>,
    /// The signal to look at.
    #[serde(default)]
    pub signal: Option<Quantity>,
    /// Where it must lie, such as `["5 mL", "18 mL"]`.
    #[serde(default)]
    pub window: Option<[String; 2]>,
    /// Warn when this much is left, such as `0.5 mL`.
    #[serde(default)]
    pub warn_before: Option<String>,
    /// For `level`: the value, such as `8.2 pH`.
    #[serde(default)]
    pub level: Option<String>,
}

/// A caution.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Caution {
    /// In words.
    pub text: String,
}

/// Names and texts of the procedures that ship.
const SHIPPED: [(&str, &str); 1] =
    [("vinegar-acidity", include_str!("../../protocols/procedures/vinegar-acidity.toml"))];

/// Warned this much before the expected end-point where a procedure says nothing, in mL or g.
pub const DEFAULT_WARN_BEFORE: f64 = 0.5;

fn first_revision() -> u32 {
    1
}

impl Procedure {
    /// Reads the text of a procedure file.
    ///
    /// # Errors
    /// What is wrong and where, in words with line and column.
    pub fn parse(file_name: &str, text: &str) -> Result<Self, String> {
        let procedure: Self = toml::from_str(text)
            .map_err(|e| format!("procedure {file_name}: {}", e.to_string().trim_end()))?;
        procedure.given().map_err(|why| format!("procedure {file_name}: {why}"))?;
        for text in procedure.find.iter().filter_map(|find| find.warn_before.as_ref()) {
            amount(text).map_err(|why| format!("procedure {file_name}: {why}"))?;
        }
        Ok(procedure)
    }

    /// The text of a procedure that ships.
    #[must_use]
    pub fn shipped(id: &str) -> Option<&'static str> {
        SHIPPED.iter().find(|(name, _)| *name == id).map(|(_, text)| *text)
    }

    /// The names of the procedures that ship.
    pub fn shipped_names() -> impl Iterator<Item = &'static str> {
        SHIPPED.iter().map(|(name, _)| *name)
    }

    /// What the detector may know of it.
    ///
    /// # Errors
    /// In words, when a text of the file cannot be understood.
    pub fn given(&self) -> Result<Given, String> {
        let mut given = Given {
            titrant: self.reagent.as_ref().map(|r| r.titrant.clone()),
            looked_for: (!self.find.is_empty()).then_some(self.find.len()),
            ..Given::default()
        };
        let strength = self.reagent.as_ref().and_then(|r| r.nominal.as_deref());
        given.titrant_mol_l = strength.and_then(|text| text.strip_suffix("mol/L")?.trim().parse().ok());
        if let Some(vessel) = &self.vessel {
            given.sample_volume_ml = vessel.volume.as_deref().map(amount).transpose()?;
            given.medium = match vessel.medium.as_deref() {
                None | Some("water" | "mixed") => Medium::Aqueous,
                Some("non-aqueous") => Medium::NonAqueous,
                Some(other) => {
                    return Err(format!(
                        "medium \"{other}\" is not known; write water, mixed or non-aqueous"
                    ));
                }
            };
        }
        for find in &self.find {
            if let Some([from, to]) = &find.window {
                given.windows.push((amount(from)?, amount(to)?));
            }
            if let Some(text) = &find.level {
                given.level = Some(Level { signal: level(text)?, u_signal: 0.0, stay_s: 0.0 });
            }
        }
        given.shape = self.find.first().and_then(|f| f.shape.as_deref()).map(shape).transpose()?;
        Ok(given)
    }

    /// The signal to look at, where the procedure says so.
    #[must_use]
    pub fn signal(&self) -> Option<Quantity> {
        self.find.iter().find_map(|f| f.signal)
    }

    /// Warn when this much titrant (mL or g) is left.
    #[must_use]
    pub fn warn_before(&self) -> f64 {
        let texts = self.find.iter().filter_map(|f| f.warn_before.as_deref());
        texts.filter_map(|text| amount(text).ok()).next().unwrap_or(DEFAULT_WARN_BEFORE)
    }
}

/// A number with `mL` or `g` behind it.
///
/// # Errors
/// In words, with what would be right.
pub fn amount(text: &str) -> Result<f64, String> {
    let (number, unit) = text.trim().split_once(char::is_whitespace).unwrap_or((text, ""));
    let value = number.parse::<f64>().ok().filter(|v| v.is_finite());
    match (value, unit.trim()) {
        (Some(value), "mL" | "g") => Ok(value),
        _ => {
            Err(format!("\"{text}\" is no amount of titrant; write a number and mL or g, such as \"0.5 mL\""))
        }
    }
}

fn shape(word: &str) -> Result<Shape, String> {
    match word {
        "jump" => Ok(Shape::Jump),
        "bend" => Ok(Shape::Bend),
        "level" => Ok(Shape::Level),
        "peak" => Ok(Shape::Peak),
        _ => Err(format!("shape \"{word}\" is not known; write jump, bend, level or peak")),
    }
}

/// A number with a unit of a signal behind it, in the canonical unit.
fn level(text: &str) -> Result<f64, String> {
    let (number, unit) = text.trim().split_once(char::is_whitespace).unwrap_or((text, ""));
    let value = number.parse::<f64>().ok().filter(|v| v.is_finite());
    match (value, Unit::parse(unit.trim())) {
        (Some(value), Some(unit)) => Ok(unit.to_canonical(value)),
        _ => Err(format!(
            "\"{text}\" is no level; write a number and a unit, such as \"8.2 pH\" or \"250 mV\""
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_procedure_reads_and_carries_cautions() {
        for name in Procedure::shipped_names() {
            let text = Procedure::shipped(name).unwrap();
            let procedure = Procedure::parse(name, text).unwrap();
            assert_eq!(procedure.id, name);
            assert!(!procedure.caution.is_empty(), "{name}");
        }
    }

    #[test]
    fn a_misspelt_key_is_told_with_its_line() {
        let error = Procedure::parse("x.toml", "title = \"a\"\nid = \"b\"\nrevison = 2\n").unwrap_err();
        assert!(error.contains("line 3") && error.contains("revison"), "{error}");
    }

    #[test]
    fn an_amount_without_unit_is_refused() {
        assert!(amount("0.5").unwrap_err().contains("0.5 mL"));
        assert!((amount("0.5 mL").unwrap() - 0.5).abs() < 1e-12);
    }
}
