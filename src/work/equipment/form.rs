//! The form of an equipment file: a list for each kind.

use crate::work::procedure::DistributionWord;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::sync::LazyLock;
use toml::Spanned;

pub(super) type Text = Spanned<String>;

static SCHEMA: LazyLock<serde_json::Value> =
    LazyLock::new(|| schemars::schema_for!(EquipmentForm).to_value());

/// The JSON Schema of an equipment file, for editors.
#[must_use]
pub fn equipment_schema() -> &'static serde_json::Value {
    &SCHEMA
}

pub(super) fn equipment_form() -> crate::form::Form {
    crate::form::Form { noun: "equipment", schema: &SCHEMA }
}

/// What a piece of equipment is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EquipmentKind {
    /// Dispenses the titrant.
    Burette,
    /// Delivers one volume.
    Pipette,
    /// Holds one volume.
    Flask,
    /// Weighs.
    Balance,
    /// Measures temperature.
    Thermometer,
    /// A lot of a buffer solution.
    Buffer,
    /// A lot of a primary standard.
    Standard,
    /// A lot of a titrant or another solution of known strength.
    Titrant,
    /// An electrode.
    Electrode,
    /// A control material.
    Control,
}

impl EquipmentKind {
    /// All kinds, in the order of a list.
    pub const ALL: [Self; 10] = [
        Self::Burette,
        Self::Pipette,
        Self::Flask,
        Self::Balance,
        Self::Thermometer,
        Self::Buffer,
        Self::Standard,
        Self::Titrant,
        Self::Electrode,
        Self::Control,
    ];

    /// The word used in the record, in files and on screens.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Burette => "burette",
            Self::Pipette => "pipette",
            Self::Flask => "flask",
            Self::Balance => "balance",
            Self::Thermometer => "thermometer",
            Self::Buffer => "buffer",
            Self::Standard => "standard",
            Self::Titrant => "titrant",
            Self::Electrode => "electrode",
            Self::Control => "control",
        }
    }

    /// The kind with this word.
    #[must_use]
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// A list of equipment.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(title = "dropwise equipment")]
#[derive(Default)]
pub(super) struct EquipmentForm {
    /// Burettes; `value` is the capacity.
    pub burette: Vec<ItemForm>,
    /// Pipettes; `value` is the volume delivered.
    pub pipette: Vec<ItemForm>,
    /// Measuring flasks; `value` is the volume held.
    pub flask: Vec<ItemForm>,
    /// Balances.
    pub balance: Vec<ItemForm>,
    /// Thermometers.
    pub thermometer: Vec<ItemForm>,
    /// Lots of buffer solutions; `value` is the pH at 25 degC, or `table` names the table of values.
    pub buffer: Vec<ItemForm>,
    /// Lots of primary standards; `value` is the purity as a mass fraction.
    pub standard: Vec<ItemForm>,
    /// Lots of titrants and other solutions; `value` is the nominal strength.
    pub titrant: Vec<ItemForm>,
    /// Electrodes.
    pub electrode: Vec<ItemForm>,
    /// Control materials; `value` is the accepted content.
    pub control: Vec<ItemForm>,
}

/// One piece of equipment.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ItemForm {
    /// How people call it; unique within its kind.
    #[schemars(with = "String")]
    pub name: Text,
    /// Inventory or lot number.
    #[serde(default)]
    pub identity: Option<String>,
    /// The solution of a titrant, the substance of a standard, the kind of an electrode.
    #[serde(default)]
    pub what: Option<String>,
    /// What it stands for, with unit, such as "20 mL".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub value: Option<Text>,
    /// Standard uncertainty of the calibration, with unit.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub u: Option<Text>,
    /// Instead of `u`: tolerance, half the width of an interval, with unit.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub within: Option<Text>,
    /// The distribution of `within`; "rectangular" when nothing is said.
    #[serde(default)]
    pub distribution: Option<DistributionWord>,
    /// Standard deviation of one reading, with unit.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub repeatability: Option<Text>,
    /// For burettes: the error grows in proportion to the volume (a wrong bore, not an uneven screw or scale), so that it
    /// leaves the ratio of two volumes; without it volumes at different places err independently.
    #[serde(default)]
    pub in_proportion: bool,
    /// For burettes: [nominal volume, delivered more], each with unit, in rising order.
    #[serde(default)]
    #[schemars(with = "Vec<[String; 2]>")]
    pub corrections: Vec<[Text; 2]>,
    /// For buffers: the table that gives the pH at a temperature, such as "phthalate".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub table: Option<Text>,
    /// For control materials: the id of the procedure.
    #[serde(default)]
    pub procedure: Option<String>,
    /// For titrants: cubic expansion, such as "2.1e-4 1/K".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub expansion: Option<Text>,
    /// The certificate, in words.
    #[serde(default)]
    pub certificate: Option<String>,
    /// First day of use, as "2027-01-31".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub valid_from: Option<Text>,
    /// Last day of use, as "2027-01-31".
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub valid_to: Option<Text>,
    /// Out of use.
    #[serde(default)]
    pub retired: bool,
}
