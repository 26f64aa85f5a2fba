//! The form of a procedure file. One definition: serde reads it, and its JSON Schema serves editors and the check.

mod judged;
mod reaction;
mod words;

pub(super) use judged::{LimitsForm, ResultForm, RoundingForm, UncertaintyForm};
pub(super) use reaction::ReactionForm;
pub(super) use words::{AcceptWord, CompareWord, HalfWord, MediumWord, ReactionWord};
pub use words::{
    AddWhen, AmountWord, BlankWord, DistributionWord, HowWord, KindWord, OverdueWord, ShapeWord, SignalWord,
    WhenWord,
};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::LazyLock;
use toml::Spanned;

/// A text with its place in the file.
pub(super) type Text = Spanned<String>;

static SCHEMA: LazyLock<serde_json::Value> =
    LazyLock::new(|| schemars::schema_for!(ProcedureForm).to_value());

/// The JSON Schema of a procedure file, for editors.
#[must_use]
pub fn procedure_schema() -> &'static serde_json::Value {
    &SCHEMA
}

/// What a procedure file is checked against.
pub(super) fn procedure_form() -> crate::form::Form {
    crate::form::Form { noun: "procedure", schema: &SCHEMA }
}

/// One determination: what is titrated with what, what is asked, which end-points are looked for, how the
/// result is computed, and what it is judged by.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "dropwise procedure")]
pub(super) struct ProcedureForm {
    /// What people call it.
    #[schemars(with = "String")]
    pub title: Text,
    /// Its name in commands: small letters, digits and hyphens.
    #[schemars(with = "String")]
    pub id: Text,
    /// Raised by the lab at each change; 1 when nothing is said.
    #[serde(default = "one")]
    #[schemars(range(min = 1))]
    pub revision: u32,
    /// Which standard or text it follows, and what is common practice without a source, in words.
    #[serde(default)]
    pub follows: Option<String>,
    /// Whether somebody else than who performed it has to review and approve; false when nothing is said.
    #[serde(default)]
    pub second_person: bool,
    /// The titrant in the burette.
    #[serde(default)]
    pub reagent: Option<ReagentForm>,
    /// Further solutions whose strength enters the result, such as an excess that is titrated back.
    #[serde(default)]
    pub solution: Vec<SolutionForm>,
    /// The vessel.
    #[serde(default)]
    pub vessel: VesselForm,
    /// What reacts, for the rehearsal (`dropwise plan`); a run does not use it.
    #[serde(default)]
    #[schemars(with = "Option<ReactionForm>")]
    pub reaction: Option<Spanned<ReactionForm>>,
    /// The electrode.
    #[serde(default)]
    pub electrode: Option<ElectrodeForm>,
    /// What is asked for each portion: the name in formulae, then what it is.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, AskedForm>")]
    pub portion: BTreeMap<Text, AskedForm>,
    /// The end-points to look for, in their order.
    #[serde(default)]
    pub find: Vec<FindForm>,
    /// The blank.
    #[serde(default)]
    #[schemars(with = "Option<BlankForm>")]
    pub blank: Option<Spanned<BlankForm>>,
    /// Values that are the same for every portion.
    #[serde(default)]
    pub constant: Vec<ConstantForm>,
    /// What is computed; the first is the result that the limits judge, others may use earlier ones by `name`.
    #[serde(default)]
    pub result: Vec<ResultForm>,
    /// What the uncertainty needs beside the equipment.
    #[serde(default)]
    pub uncertainty: UncertaintyForm,
    /// What the series is judged by.
    #[serde(default)]
    pub limits: LimitsForm,
    /// Steps before the first portion.
    #[serde(default)]
    pub prepare: Vec<StepForm>,
    /// Steps after the last portion, and between portions.
    #[serde(default)]
    pub care: Vec<StepForm>,
    /// Cautions: shown before the start and printed on the report.
    #[serde(default)]
    pub caution: Vec<CautionForm>,
}

fn one() -> u32 {
    1
}

/// The titrant.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ReagentForm {
    /// Its name.
    pub titrant: String,
    /// Whether it is dispensed by volume or by mass (a weight burette, a balance under the bottle); by volume when
    /// nothing is said. By mass every end-point, blank and window is in g.
    #[serde(default)]
    pub dispensed_by: AmountWord,
    /// The name of its strength in formulae; "c" when nothing is said.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub name: Option<Text>,
    /// Its nominal strength, such as "0.1 mol/L" or "5 mg/mL".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub nominal: Option<Text>,
    /// How fresh its factor must be, such as "standardised within 7 d".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub needs: Option<Text>,
    /// What happens when it is older; "warn" when nothing is said.
    #[serde(default)]
    pub when_overdue: OverdueWord,
    /// The procedure finds the strength of this titrant: its first result becomes the titrant's factor.
    #[serde(default)]
    pub is_standardised_here: bool,
    /// "1 mL of titrant is equivalent to ..." as a pharmacopoeia states it; checked against formula and molar mass.
    #[serde(default)]
    #[schemars(with = "Option<EquivalentForm>")]
    pub equivalent: Option<Spanned<EquivalentForm>>,
}

/// One millilitre of titrant of nominal strength is equivalent to this mass of what is determined.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct EquivalentForm {
    /// The mass, such as "6.005 mg".
    pub mass: String,
    /// The chemical formula of what is determined.
    pub of: String,
    /// Moles of it for one mole of titrant; 1 when nothing is said.
    #[serde(default)]
    pub ratio: Option<f64>,
}

/// A further solution of known strength.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct SolutionForm {
    /// The name of its strength in formulae.
    #[schemars(with = "String")]
    pub name: Text,
    /// What it is.
    pub what: String,
    /// Its nominal strength.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub nominal: Option<Text>,
    /// How fresh its factor must be.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub needs: Option<Text>,
    /// What happens when it is older; "warn" when nothing is said.
    #[serde(default)]
    pub when_overdue: OverdueWord,
}

/// The vessel.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct VesselForm {
    /// Volume of the solution at the start, such as "100 mL".
    #[schemars(with = "Option<String>")]
    pub volume: Option<Text>,
    /// The solvent.
    pub medium: Option<MediumWord>,
}

/// The electrode.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ElectrodeForm {
    /// What kind, such as "glass" or "silver".
    pub kind: String,
    /// How fresh its check must be, such as "checked within 1 d".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub needs: Option<Text>,
    /// What happens when it is older; "warn" when nothing is said.
    #[serde(default)]
    pub when_overdue: OverdueWord,
    /// Volts, or pH from the valid check; "sent" takes the signal as the instrument sends it.
    #[serde(default)]
    pub signal: SignalWord,
}

/// One value asked for each portion.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct AskedForm {
    /// What it is, in words: "mass of vinegar".
    pub what: String,
    /// Its unit.
    #[schemars(with = "String")]
    pub unit: Text,
    /// The least that is sensible, in that unit.
    #[serde(default)]
    pub from: Option<f64>,
    /// The most that is sensible, in that unit.
    #[serde(default)]
    pub to: Option<f64>,
    /// How it is measured; "one-reading" when nothing is said.
    #[serde(default)]
    pub how: Option<HowWord>,
    /// The value when nothing is typed, such as a pipetted volume.
    #[serde(default)]
    pub usual: Option<f64>,
}

/// One end-point.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct FindForm {
    /// Its name in formulae.
    #[schemars(with = "String")]
    pub name: Text,
    /// How it shows; found from the data when nothing is said.
    #[serde(default)]
    pub shape: Option<ShapeWord>,
    /// The signal to look at, such as "ph" or "emf".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub signal: Option<Text>,
    /// Where it must lie, such as ["5 mL", "18 mL"].
    #[serde(default)]
    #[schemars(with = "Option<[String; 2]>")]
    pub window: Option<[Text; 2]>,
    /// Warn when this much titrant is left, such as "0.5 mL".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub warn_before: Option<Text>,
    /// For "level": the value, such as "8.2 pH".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub level: Option<Text>,
    /// For "level": its standard uncertainty in the unit of the level.
    #[serde(default)]
    pub u_level: Option<f64>,
    /// For "level": how long the signal must stay beyond it, such as "10 s".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub stay: Option<Text>,
    /// For "seen" and "printed": standard uncertainty of the amount that is told, such as "0.02 mL"; from trials of the
    /// lab: how alike people see the change, and the size of a drop. What is typed behind +- stands for it.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub u: Option<Text>,
    /// What may be fitted, by the beginning of the name of a model, such as "acid-base".
    #[serde(default)]
    pub model: Option<String>,
    /// Whether a result can do without it; false when nothing is said.
    #[serde(default)]
    pub may_be_missing: bool,
}

/// The blank.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct BlankForm {
    /// Which blank is taken. For each end-point V the formulae then know V_blank.
    #[serde(rename = "use")]
    pub rule: BlankWord,
    /// For "fixed": the volume, such as "0.02 mL".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub value: Option<Text>,
    /// For "fixed": its standard uncertainty, such as "0.005 mL".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub u: Option<Text>,
    /// For "mean-of-last": how many.
    #[serde(default)]
    #[schemars(range(min = 1, max = 100))]
    pub last: Option<u32>,
    /// How long a blank is good, such as "7 d"; for ever when nothing is said.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub within: Option<Text>,
    /// The most that a blank may be, such as "0.2 mL".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub most: Option<Text>,
}

/// A value that is the same for every portion.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ConstantForm {
    /// Its name in formulae.
    #[schemars(with = "String")]
    pub name: Text,
    /// What it is, in words.
    #[serde(default)]
    pub what: Option<String>,
    /// The value with its unit, such as "25 mL" or "2".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub value: Option<Text>,
    /// Instead of a value: the molar mass of this chemical formula, from atomic weights.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub molar_mass: Option<Text>,
    /// Instead of a value: the purity of the lot of this primary standard in the list of equipment.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub purity_of: Option<Text>,
    /// Standard uncertainty with its unit.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub u: Option<Text>,
    /// Instead of `u`: half the width of an interval, with its unit.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub within: Option<Text>,
    /// The distribution of `within`; "rectangular" when nothing is said.
    #[serde(default)]
    pub distribution: Option<DistributionWord>,
    /// What kind of line in the budget; "other" when nothing is said.
    #[serde(default)]
    pub kind: Option<KindWord>,
    /// Where the value comes from.
    #[serde(default)]
    pub source: Option<String>,
}

/// A step of preparation or care.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct StepForm {
    /// What is to be done.
    pub text: String,
    /// When: before the series, before each portion, after each portion, or after the series.
    #[serde(default)]
    pub when: Option<WhenWord>,
    /// Which standard asks for it; common practice when nothing is said.
    #[serde(default)]
    pub source: Option<String>,
}

/// A caution.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct CautionForm {
    /// In words.
    pub text: String,
}
