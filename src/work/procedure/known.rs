//! The names that the formulae of a procedure know.

use super::{BlankWord, ConstantValue, Procedure};
use crate::results::Dimension;

/// Duration of the run, in formulae.
pub const RUN_TIME: &str = "t_run";

/// A name that formulae know.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// As written in formulae.
    pub name: String,
    /// What it measures; `None` while its unit is not understood.
    pub dimension: Option<Dimension>,
    /// What it stands for, in words.
    pub what: String,
}

impl Procedure {
    /// The names that the formulae may use, earlier results left out.
    ///
    /// End-points and blanks are masses where the titrant is dispensed by mass.
    #[must_use]
    pub fn known(&self) -> Vec<Known> {
        let titrant = if self.is_by_mass() { Dimension::MASS } else { Dimension::VOLUME };
        let mut known = Vec::new();
        let mut add = |name: &str, dimension, what: String| {
            known.push(Known { name: name.to_owned(), dimension, what });
        };
        for find in &self.finds {
            add(&find.name, Some(titrant), format!("titrant at the end-point {}", find.name));
            if self.blank.rule != BlankWord::None {
                add(&blank_name(&find.name), Some(titrant), format!("blank of {}", find.name));
            }
        }
        if let Some(reagent) = &self.reagent {
            let dimension = reagent.nominal.as_ref().map(|n| n.unit.dimension());
            add(&reagent.name, dimension, format!("strength of {}", reagent.titrant));
        }
        for solution in &self.solutions {
            let dimension = solution.nominal.as_ref().map(|n| n.unit.dimension());
            add(&solution.name, dimension, format!("strength of {}", solution.what));
        }
        for asked in &self.asked {
            add(&asked.name, Some(asked.unit.dimension()), asked.what.clone());
        }
        for constant in &self.constants {
            let dimension = match &constant.value {
                ConstantValue::Written(measure) => measure.unit.dimension(),
                ConstantValue::MolarMass(_) => Dimension::MOLAR_MASS,
                ConstantValue::PurityOf(_) => Dimension::ONE,
            };
            let what = constant.what.clone().unwrap_or_else(|| match &constant.value {
                ConstantValue::Written(measure) => format!("{measure}"),
                ConstantValue::MolarMass(formula) => format!("molar mass of {formula}"),
                ConstantValue::PurityOf(standard) => format!("purity of {standard}"),
            });
            add(&constant.name, Some(dimension), what);
        }
        add(RUN_TIME, Some(Dimension::TIME), "duration of the run".to_owned());
        known
    }
}

/// The name of the blank of an end-point.
#[must_use]
pub fn blank_name(find: &str) -> String {
    format!("{find}_blank")
}
