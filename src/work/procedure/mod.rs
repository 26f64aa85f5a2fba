//! The procedure: one determination, from what is titrated to what the result is judged by.
//!
//! [`Procedure::parse`] reads a procedure file and tells all its mistakes at once; dimensions of every formula are
//! checked then, before anything is weighed. The language is described in `protocols/procedures/README.md`.

mod form;
mod known;
mod other;
mod reaction;
mod read;
mod shipped;
mod values;

pub use form::{
    AddWhen, AmountWord, BlankWord, DistributionWord, HowWord, OverdueWord, ShapeWord, SignalWord, WhenWord,
    procedure_schema,
};
pub use known::{Known, RUN_TIME, blank_name};
pub use other::OtherLook;
pub use reaction::{Protons, Reaction};

use crate::detector::{Given, Level, Medium, Shape};
use crate::form::Diagnostic;
use crate::reading::Quantity;
use crate::results::{self, Formula, Unit};
use std::collections::BTreeMap;

/// Warned this much before the expected end-point where a procedure says nothing, in mL or g.
pub const DEFAULT_WARN_BEFORE: f64 = 0.5;

/// A determination.
#[derive(Debug, Clone)]
pub struct Procedure {
    /// What people call it.
    pub title: String,
    /// Its name in commands.
    pub id: String,
    /// Raised by the lab at each change.
    pub revision: u32,
    /// Which standard or text it follows, in words.
    pub follows: Option<String>,
    /// Whether somebody else than who performed it has to review and approve.
    pub second_person: bool,
    /// The titrant.
    pub reagent: Option<Reagent>,
    /// Further solutions of known strength.
    pub solutions: Vec<Solution>,
    /// Volume of the solution before the first addition in mL.
    pub vessel_ml: Option<f64>,
    /// The solvent.
    pub medium: Medium,
    /// What reacts, for the rehearsal.
    pub reaction: Option<Reaction>,
    /// Where the constants of the reaction come from, in words.
    pub reaction_source: Option<String>,
    /// The electrode.
    pub electrode: Option<Electrode>,
    /// What is asked for each portion.
    pub asked: Vec<Asked>,
    /// The end-points to look for, in their order.
    pub finds: Vec<Find>,
    /// The blank.
    pub blank: Blank,
    /// Values that are the same for every portion.
    pub constants: Vec<Constant>,
    /// What is computed; the first is judged.
    pub results: Vec<ResultRule>,
    /// What the uncertainty needs beside the equipment.
    pub uncertainty: Uncertainty,
    /// What the series is judged by.
    pub limits: Limits,
    /// Steps of preparation and care.
    pub steps: Vec<DueStep>,
    /// Cautions shown before the start and printed on the report.
    pub cautions: Vec<String>,
}

/// How fresh something must be, and what happens when it is not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Freshness {
    /// In seconds; `None`: it is not asked.
    pub within_s: Option<f64>,
    /// What happens when it is older.
    pub when_overdue: OverdueWord,
}

/// The titrant.
#[derive(Debug, Clone, PartialEq)]
pub struct Reagent {
    /// What it is.
    pub titrant: String,
    /// The name of its strength in formulae.
    pub name: String,
    /// Its nominal strength.
    pub nominal: Option<results::Quantity>,
    /// How fresh its factor must be.
    pub needs: Freshness,
    /// The first result of this procedure is the strength of this titrant.
    pub is_standardised_here: bool,
    /// Whether it is measured in mL or weighed.
    pub dispensed_by: AmountWord,
}

/// A further solution of known strength.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// The name of its strength in formulae.
    pub name: String,
    /// What it is.
    pub what: String,
    /// Its nominal strength.
    pub nominal: Option<results::Quantity>,
    /// How fresh its factor must be.
    pub needs: Freshness,
}

/// The electrode.
#[derive(Debug, Clone, PartialEq)]
pub struct Electrode {
    /// What kind.
    pub kind: String,
    /// How fresh its check must be.
    pub needs: Freshness,
    /// What becomes of a potential.
    pub signal: SignalWord,
}

/// One value asked for each portion.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// Its name in formulae.
    pub name: String,
    /// What it is, in words.
    pub what: String,
    /// Its unit.
    pub unit: Unit,
    /// The least that is sensible, in that unit.
    pub from: Option<f64>,
    /// The most that is sensible, in that unit.
    pub to: Option<f64>,
    /// How it is measured.
    pub how: HowWord,
    /// The value when nothing is typed.
    pub usual: Option<f64>,
}

/// One end-point to look for.
#[derive(Debug, Clone, PartialEq)]
pub struct Find {
    /// Its name in formulae.
    pub name: String,
    /// How it shows.
    pub shape: Option<ShapeWord>,
    /// The signal to look at.
    pub signal: Option<Quantity>,
    /// Where it must lie (mL or g).
    pub window: Option<(f64, f64)>,
    /// Warn when this much is left (mL or g).
    pub warn_before: Option<f64>,
    /// For a level: what is crossed, in the canonical unit of the signal.
    pub level: Option<Level>,
    /// Standard uncertainty (mL or g) of what a person or the instrument tells.
    pub u_told: Option<f64>,
    /// What may be fitted.
    pub model: Option<String>,
    /// Whether a result can do without it.
    pub may_be_missing: bool,
}

/// The blank.
#[derive(Debug, Clone, PartialEq)]
pub struct Blank {
    /// Which blank is taken.
    pub rule: BlankWord,
    /// The fixed value and its standard uncertainty, in mL or g.
    pub fixed: Option<(f64, Option<f64>)>,
    /// How many, for the mean of the last.
    pub last: usize,
    /// How long a blank is good, in seconds.
    pub within_s: Option<f64>,
    /// The most that a blank may be, in mL or g.
    pub most: Option<f64>,
}

/// A value that is the same for every portion.
#[derive(Debug, Clone, PartialEq)]
pub struct Constant {
    /// Its name in formulae.
    pub name: String,
    /// What it is, in words.
    pub what: Option<String>,
    /// Where the value is taken from.
    pub value: ConstantValue,
    /// Standard uncertainty in the same unit.
    pub u: Option<results::Quantity>,
    /// The distribution that it was computed from.
    pub distribution: Option<DistributionWord>,
    /// What kind of line in the budget.
    pub kind: ConstantKind,
    /// Where the value comes from, in words.
    pub source: Option<String>,
}

/// Where the value of a constant is taken from.
#[derive(Debug, Clone, PartialEq)]
pub enum ConstantValue {
    /// The file itself.
    Written(results::Quantity),
    /// Atomic weights, for this chemical formula.
    MolarMass(String),
    /// The lot of this primary standard in the list of equipment.
    PurityOf(String),
}

/// What kind of line a constant makes in the budget.
pub use form::KindWord as ConstantKind;

/// One result.
#[derive(Debug, Clone)]
pub struct ResultRule {
    /// What it is, in words.
    pub name: String,
    /// Its name in later formulae.
    pub symbol: Option<String>,
    /// The formula.
    pub formula: Formula,
    /// The unit in which it is stated.
    pub unit: Unit,
    /// How it is rounded.
    pub rounding: results::Rounding,
}

/// What the uncertainty needs beside the equipment.
#[derive(Debug, Clone, PartialEq)]
pub struct Uncertainty {
    /// Repeatability of the whole determination as a fraction of the result.
    pub repeatability: Option<f64>,
    /// Solutions may be this far from 20 degrees Celsius, in K.
    pub temperature_within_k: Option<f64>,
    /// Expansion of the titrant in 1/K.
    pub expansion_per_k: Option<f64>,
    /// Whether the dispensed volume is brought to 20 degrees Celsius.
    pub volume_to_20_degc: bool,
    /// Probability of the stated interval.
    pub coverage: f64,
}

/// What the series is judged by.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Limits {
    /// How many portions are planned.
    pub planned: u32,
    /// The most that may be started.
    pub most: u32,
    /// How many sound ones a result needs.
    pub needed: u32,
    /// When a further portion may be added.
    pub add_when: AddWhen,
    /// Largest relative standard deviation, as a fraction.
    pub rsd_max: Option<f64>,
    /// Largest range over mean, as a fraction.
    pub range_max: Option<f64>,
    /// Where the result must lie; `None`: it is reported without a verdict.
    pub result: Option<results::Limits>,
    /// How much of the burette a portion may use, as fractions.
    pub burette_use: Option<(f64, f64)>,
    /// Largest relative difference of a factor from the nominal strength, as a fraction.
    pub from_nominal_max: Option<f64>,
}

/// A step of preparation or care.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DueStep {
    /// What is to be done.
    pub text: String,
    /// When.
    pub when: WhenWord,
    /// Which standard asks for it; `None`: common practice.
    pub source: Option<String>,
}

impl Procedure {
    /// Reads the text of a procedure file.
    ///
    /// # Errors
    /// Every mistake of the file at once, in its order.
    pub fn parse(file_name: &str, text: &str) -> Result<Self, Vec<Diagnostic>> {
        read::procedure(file_name, text)
    }

    /// As [`Self::parse`], with the mistakes as one text.
    ///
    /// # Errors
    /// Every mistake, each with its place.
    pub fn read(file_name: &str, text: &str) -> Result<Self, String> {
        Self::parse(file_name, text)
            .map_err(|faults| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    }

    /// The text of a procedure that ships.
    #[must_use]
    pub fn shipped(id: &str) -> Option<&'static str> {
        shipped::text(id)
    }

    /// The names of the procedures that ship.
    pub fn shipped_names() -> impl Iterator<Item = &'static str> {
        shipped::names()
    }

    /// What the detector may know of it, for a single look at the curve.
    #[must_use]
    pub fn given(&self) -> Given {
        self.looks().into_iter().next().unwrap_or_else(|| self.given_for(&[]))
    }

    /// What the detector may know for each look at the curve: end-points that show in one way are looked for together,
    /// each fixed level for itself. None where all of them are told; one where the procedure names none.
    #[must_use]
    pub fn looks(&self) -> Vec<Given> {
        if self.finds.is_empty() {
            return vec![self.given_for(&[])];
        }
        let mut groups: Vec<Vec<&Find>> = Vec::new();
        for find in self.instrumental() {
            let alike =
                |other: &Find| other.shape == find.shape && other.model == find.model && find.level.is_none();
            match groups.iter_mut().find(|group| group.iter().all(|other| alike(other))) {
                Some(group) => group.push(find),
                None => groups.push(vec![find]),
            }
        }
        groups.iter().map(|group| self.given_for(group)).collect()
    }

    fn given_for(&self, finds: &[&Find]) -> Given {
        let nominal = self.reagent.as_ref().and_then(|r| r.nominal.as_ref());
        // A strength by mass or by equivalents says nothing about moles.
        let mol_l = Unit::parse("mol/L").ok().and_then(|unit| nominal?.in_unit(&unit));
        Given {
            titrant: self.reagent.as_ref().map(|r| r.titrant.clone()),
            titrant_mol_l: mol_l,
            sample_volume_ml: self.vessel_ml,
            looked_for: (!finds.is_empty()).then_some(finds.len()),
            shape: finds.first().and_then(|find| match find.shape? {
                ShapeWord::Jump => Some(Shape::Jump),
                ShapeWord::Bend => Some(Shape::Bend),
                ShapeWord::Level => Some(Shape::Level),
                ShapeWord::Peak => Some(Shape::Peak),
                ShapeWord::Seen | ShapeWord::Printed => None,
            }),
            windows: finds.iter().filter_map(|find| find.window).collect(),
            level: finds.iter().find_map(|find| find.level),
            model: finds.iter().find_map(|find| find.model.clone()),
            medium: self.medium,
            ..Given::default()
        }
    }

    /// The end-points that are found from a curve, not told by a person or printed by the instrument.
    pub fn instrumental(&self) -> impl Iterator<Item = &Find> {
        self.finds.iter().filter(|f| !matches!(f.shape, Some(ShapeWord::Seen | ShapeWord::Printed)))
    }

    /// Whether every end-point is told by a person or printed by the instrument.
    #[must_use]
    pub fn is_told_only(&self) -> bool {
        !self.finds.is_empty() && self.instrumental().next().is_none()
    }

    /// The signal to look at, where the procedure says so.
    #[must_use]
    pub fn signal(&self) -> Option<Quantity> {
        self.finds.iter().find_map(|f| f.signal)
    }

    /// Warn when this much titrant (mL or g) is left.
    #[must_use]
    pub fn warn_before(&self) -> f64 {
        self.finds.iter().find_map(|find| find.warn_before).unwrap_or(DEFAULT_WARN_BEFORE)
    }

    /// Whether the titrant is weighed: end-points, blanks and windows are in g.
    #[must_use]
    pub fn is_by_mass(&self) -> bool {
        self.reagent.as_ref().is_some_and(|reagent| reagent.dispensed_by == AmountWord::Mass)
    }

    /// The unit of amounts of titrant.
    #[must_use]
    pub fn titrant_unit(&self) -> &'static str {
        if self.is_by_mass() { "g" } else { "mL" }
    }

    /// The asked value with this name.
    #[must_use]
    pub fn asked(&self, name: &str) -> Option<&Asked> {
        self.asked.iter().find(|asked| asked.name == name)
    }

    /// The only mass that is asked, if there is just one.
    #[must_use]
    pub fn only_mass(&self) -> Option<&Asked> {
        let mut masses = self.asked.iter().filter(|a| a.unit.dimension() == results::Dimension::MASS);
        let only = masses.next()?;
        masses.next().is_none().then_some(only)
    }

    /// Gives a value that was told as `mass` the name of the only mass that is asked.
    pub fn name_the_mass(&self, values: &mut BTreeMap<String, String>) {
        if let Some(only) = self.only_mass()
            && let Some(text) = values.remove("mass")
        {
            values.entry(only.name.clone()).or_insert(text);
        }
    }

    /// The steps that are due at this moment.
    pub fn due(&self, when: WhenWord) -> impl Iterator<Item = &DueStep> {
        self.steps.iter().filter(move |step| step.when == when)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_procedure_reads_and_carries_cautions() {
        for name in Procedure::shipped_names() {
            let text = Procedure::shipped(name).unwrap();
            let procedure = Procedure::read(name, text).unwrap_or_else(|wrong| panic!("{wrong}"));
            assert_eq!(procedure.id, name);
            assert!(!procedure.cautions.is_empty(), "{name}");
            assert!(!procedure.results.is_empty(), "{name}");
        }
    }

    #[test]
    fn many_mistakes_are_told_at_once_each_with_its_place() {
        let text = r#"title = "a"
id = "Bad Id"
revison = 2
[reagent]
titrant = "x"
nominal = "0.1 mol/L"
needs = "fresh"
[portion]
m = { what = "mass", unit = "gram", from = 5, to = 4 }
[[find]]
name = "V"
window = ["9 mL", "5 mL"]
signal = "phh"
[[find]]
name = "V"
shape = "level"
[blank]
use = "mean-of-series"
[[result]]
name = "r"
formula = "(V - Vblank) * c"
unit = "mmol"
[[result]]
name = "s"
formula = "V + c"
unit = "mL"
"#;
        let wrong = Procedure::parse("x.toml", text).unwrap_err();
        let codes: Vec<(usize, &str)> = wrong.iter().map(|d| (d.line, d.code.as_ref())).collect();
        for expected in [
            (2, "procedure.bad-id"),
            (3, "procedure.unknown-key"),
            (7, "procedure.freshness"),
            (9, "procedure.unit"),
            (12, "procedure.empty-range"),
            (13, "procedure.signal"),
            (15, "procedure.declared-twice"),
            (15, "procedure.level"),
            (21, "procedure.formula"),
            (25, "procedure.formula"),
        ] {
            assert!(codes.contains(&expected), "{expected:?} is not in {codes:?}");
        }
        let formula = wrong.iter().find(|d| d.line == 21).unwrap();
        assert_eq!(formula.column, 17);
        assert!(formula.remedy.as_ref().unwrap().contains("V_blank"), "{formula}");
    }

    #[test]
    fn an_equivalent_that_does_not_fit_is_told_with_the_right_one() {
        let text = |mass: &str| {
            format!(
                "title = \"a\"\nid = \"a\"\n[reagent]\ntitrant = \"x\"\nnominal = \"0.1 mol/L\"\nequivalent = {{ mass = \"{mass}\", of = \"C2H4O2\" }}\n"
            )
        };
        assert!(Procedure::parse("a", &text("6.005 mg")).is_ok());
        let wrong = Procedure::read("a", &text("6.05 mg")).unwrap_err();
        assert!(wrong.contains("6.0052 mg"), "{wrong}");
    }
}
