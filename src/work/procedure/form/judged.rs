//! What is computed and judged, as a procedure file says it.

use super::{AcceptWord, AddWhen, CompareWord, HalfWord, Text};
use schemars::JsonSchema;
use serde::Deserialize;

/// One result.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::work::procedure) struct ResultForm {
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
pub(in crate::work::procedure) struct RoundingForm {
    /// What happens to a half; "half-up" when nothing is said.
    #[serde(default)]
    pub rule: HalfWord,
    /// "uncertainty", a step such as "0.01 g/100 g", or digits such as "3 digits".
    #[schemars(with = "String")]
    pub to: Text,
}

/// What the uncertainty needs beside the equipment.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub(in crate::work::procedure) struct UncertaintyForm {
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
pub(in crate::work::procedure) struct LimitsForm {
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
pub(in crate::work::procedure) struct ReplicatesForm {
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

/// Where the result must lie.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::work::procedure) struct ResultLimitsForm {
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

/// How much of the burette a portion may use.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::work::procedure) struct BuretteUseForm {
    /// The least, such as "20 %".
    #[schemars(with = "String")]
    pub from: Text,
    /// The most, such as "100 %".
    #[schemars(with = "String")]
    pub to: Text,
}
