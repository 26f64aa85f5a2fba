//! The form of a procedure file. One definition: serde reads it, and its JSON Schema serves editors and the check.

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
    pub blank: Option<BlankForm>,
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

/// What happens when a check is overdue.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum OverdueWord {
    /// The run carries a warning.
    #[default]
    Warn,
    /// A reason must be given; it is kept, and the run carries the warning.
    Reason,
    /// The run does not start.
    Refuse,
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

/// The solvent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum MediumWord {
    Water,
    Mixed,
    NonAqueous,
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

/// What becomes of a potential.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SignalWord {
    /// It is used as the instrument sends it.
    #[default]
    Sent,
    /// Millivolts become pH by the electrode's valid check.
    PhFromCheck,
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

/// How a value of a portion is measured; decides which equipment enters its uncertainty, and how often.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum HowWord {
    /// One reading of a tared balance.
    #[default]
    OneReading,
    /// Two weighings: with and without.
    ByDifference,
    /// The container is weighed again after the sample was taken from it.
    BackWeighed,
    /// A pipette.
    Pipette,
    /// A measuring flask.
    Flask,
    /// Typed from elsewhere; its uncertainty is not known unless typed too.
    Typed,
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
    /// What may be fitted, by the beginning of the name of a model, such as "acid-base".
    #[serde(default)]
    pub model: Option<String>,
    /// Whether a result can do without it; false when nothing is said.
    #[serde(default)]
    pub may_be_missing: bool,
}

/// How an end-point shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ShapeWord {
    /// The signal jumps.
    Jump,
    /// Branches meet.
    Bend,
    /// A level is crossed.
    Level,
    /// The signal goes through an extreme.
    Peak,
    /// A person sees it.
    Seen,
    /// The instrument prints it.
    Printed,
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

/// Which blank is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BlankWord {
    /// None.
    None,
    /// The value in the procedure.
    Fixed,
    /// The mean of the blanks titrated in the same series.
    MeanOfSeries,
    /// The mean of the last blanks of this procedure.
    MeanOfLast,
    /// The latest blank of this procedure that is still good.
    LatestValid,
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

/// A distribution within an interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DistributionWord {
    /// Every value is as likely.
    Rectangular,
    /// Values near the middle are likelier.
    Triangular,
    /// Normal, the half width being two standard deviations.
    NormalK2,
}

impl DistributionWord {
    /// Standard uncertainty over half the width.
    #[must_use]
    pub fn divisor(self) -> f64 {
        match self {
            Self::Rectangular => 3.0_f64.sqrt(),
            Self::Triangular => 6.0_f64.sqrt(),
            Self::NormalK2 => 2.0,
        }
    }
}

/// What kind of line a constant makes in the budget.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum KindWord {
    /// Calibration of a volume.
    Volume,
    /// Calibration of a mass.
    Mass,
    /// Purity, a certified value.
    Purity,
    /// Repeatability of the whole procedure.
    Repeatability,
    /// Anything else.
    Other,
}

/// One result.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ResultForm {
    /// What it is, in words: "acidity as acetic acid".
    #[schemars(with = "String")]
    pub name: Text,
    /// Its name in later formulae.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub symbol: Option<Text>,
    /// Ordinary algebra over the names that this file declares.
    #[schemars(with = "String")]
    pub formula: Text,
    /// The unit in which it is stated.
    #[schemars(with = "String")]
    pub unit: Text,
    /// How it is rounded; half-up to two digits of the uncertainty when nothing is said.
    #[serde(default)]
    pub rounding: Option<RoundingForm>,
}

/// How a result is rounded.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct RoundingForm {
    /// What happens to a half; "half-up" when nothing is said.
    #[serde(default)]
    pub rule: HalfWord,
    /// "uncertainty", a step such as "0.01 g/100 g", or digits such as "3 digits".
    #[schemars(with = "String")]
    pub to: Text,
}

/// What happens to a half.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum HalfWord {
    /// Away from zero.
    #[default]
    HalfUp,
    /// To the even neighbour.
    HalfEven,
}

/// What the uncertainty needs beside the equipment.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct UncertaintyForm {
    /// Repeatability of the whole determination as a fraction of the result, such as "0.05 %"; from validation.
    #[schemars(with = "Option<String>")]
    pub repeatability: Option<Text>,
    /// Solutions may be this far from 20 degC, such as "3 K"; rectangular. Not used where temperatures are measured.
    #[schemars(with = "Option<String>")]
    pub temperature_within: Option<Text>,
    /// Expansion of the titrant, such as "2.1e-4 1/K"; that of water when nothing is said.
    #[schemars(with = "Option<String>")]
    pub expansion: Option<Text>,
    /// Whether the dispensed volume is brought to 20 degC by the measured temperature; false when nothing is said.
    pub volume_to_20_degc: bool,
    /// Probability of the stated interval in per cent; 95 when nothing is said.
    #[schemars(range(min = 50, max = 99.99))]
    pub coverage_percent: Option<f64>,
}

/// What the series is judged by.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct LimitsForm {
    /// How many portions.
    pub replicates: ReplicatesForm,
    /// Largest relative standard deviation of the series, such as "0.3 %".
    #[schemars(with = "Option<String>")]
    pub rsd_max: Option<Text>,
    /// Largest difference between highest and lowest relative to the mean, such as "1 %".
    #[schemars(with = "Option<String>")]
    pub range_max: Option<Text>,
    /// Where the result must lie.
    pub result: Option<ResultLimitsForm>,
    /// How much of the burette a portion may use.
    pub burette_use: Option<BuretteUseForm>,
    /// For a standardisation: largest difference from the nominal strength, such as "10 %".
    #[schemars(with = "Option<String>")]
    pub from_nominal_max: Option<Text>,
}

/// How many portions.
#[derive(Debug, Clone, Copy, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct ReplicatesForm {
    /// How many are planned; 1 when nothing is said.
    #[schemars(range(min = 1, max = 100))]
    pub planned: u32,
    /// The most that may be started for a result; as many as planned when nothing is said.
    #[schemars(range(min = 1, max = 100))]
    pub most: Option<u32>,
    /// When a further portion may be added; never when nothing is said.
    pub add_when: AddWhen,
    /// How many sound ones a result needs; as many as planned when nothing is said.
    #[schemars(range(min = 1, max = 100))]
    pub needed: Option<u32>,
}

impl Default for ReplicatesForm {
    fn default() -> Self {
        Self { planned: 1, most: None, add_when: AddWhen::Never, needed: None }
    }
}

/// When a further portion may be added.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AddWhen {
    /// Never: no testing until it fits.
    #[default]
    Never,
    /// When the scatter is above its limit.
    Rsd,
    /// When a portion was set aside.
    SetAside,
    /// In both cases.
    Either,
}

/// Where the result must lie.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ResultLimitsForm {
    /// The least, with unit.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub from: Option<Text>,
    /// The most, with unit.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub to: Option<Text>,
    /// Whether the rounded or the full value is compared; "rounded" when nothing is said.
    #[serde(default)]
    pub compare: CompareWord,
    /// Whether the limits are narrowed by the expanded uncertainty; "simple" when nothing is said.
    #[serde(default)]
    pub rule: AcceptWord,
}

/// Which value is compared with limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum CompareWord {
    /// The value as it is stated.
    #[default]
    Rounded,
    /// The value with all its digits.
    Full,
}

/// How a limit is applied.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum AcceptWord {
    /// The value itself must lie inside.
    #[default]
    Simple,
    /// The value must lie inside by more than its expanded uncertainty.
    GuardBand,
}

/// How much of the burette a portion may use.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct BuretteUseForm {
    /// The least, such as "20 %".
    #[schemars(with = "String")]
    pub from: Text,
    /// The most, such as "100 %".
    #[schemars(with = "String")]
    pub to: Text,
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

/// When a step is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WhenWord {
    /// Before the first portion.
    BeforeSeries,
    /// Before each portion.
    BeforePortion,
    /// After each portion.
    AfterPortion,
    /// After the last portion.
    AfterSeries,
}

/// A caution.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct CautionForm {
    /// In words.
    pub text: String,
}
