//! What the lab measures with: burettes, pipettes, flasks, balances, thermometers, buffers, primary standards,
//! titrants, electrodes, control materials. Each has an identity, a value with its uncertainty, a certificate and a
//! time in which it is valid. They belong to the record, not to a bench; a run keeps the versions it used.

mod form;
mod read;

pub use form::{EquipmentKind, equipment_schema};
pub use read::read_equipment;

use super::procedure::DistributionWord;
use serde::{Deserialize, Serialize};

/// One piece of equipment, as it stands in the record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Equipment {
    /// What it is.
    pub kind: EquipmentKind,
    /// How people call it; unique within its kind.
    pub name: String,
    /// Inventory or lot number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub identity: Option<String>,
    /// What it is more exactly: the solution of a titrant, the substance of a standard, the kind of an electrode.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub what: Option<String>,
    /// The value that it stands for, in `unit`: capacity of a burette, volume of a pipette, purity of a standard,
    /// pH of a buffer, nominal strength of a titrant, content of a control material.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// The unit of `value`, `u` and `resolution`.
    pub unit: String,
    /// Standard uncertainty of its calibration, in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u: Option<f64>,
    /// The distribution that `u` was computed from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distribution: Option<DistributionWord>,
    /// Repeatability of one reading (standard deviation), in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub repeatability: Option<f64>,
    /// For a burette: its error grows in proportion to the volume.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub in_proportion: bool,
    /// Corrections from a gravimetric check: nominal volume, what was delivered more (mL).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub corrections: Vec<(f64, f64)>,
    /// For a buffer: the table that gives its pH at a temperature.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub table: Option<String>,
    /// For a control material: the procedure that it is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub procedure: Option<String>,
    /// Expansion of a titrant in 1/K.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expansion_per_k: Option<f64>,
    /// The certificate, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate: Option<String>,
    /// First day on which it may be used, as YYYY-MM-DD.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub valid_from: Option<jiff::civil::Date>,
    /// Last day on which it may be used, as YYYY-MM-DD.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub valid_to: Option<jiff::civil::Date>,
    /// Out of use: the latest version says so, the older ones stay.
    #[serde(default)]
    pub retired: bool,
}

impl Equipment {
    /// Why it may not be used on this day, in words; `None`: it may.
    #[must_use]
    pub fn why_not(&self, on: jiff::civil::Date) -> Option<String> {
        let name = format!("{} \"{}\"", self.kind.word(), self.name);
        if self.retired {
            return Some(format!("{name} is out of use"));
        }
        if let Some(to) = self.valid_to.filter(|to| on > *to) {
            return Some(format!("{name} was valid until {to}"));
        }
        self.valid_from.filter(|from| on < *from).map(|from| format!("{name} is valid only from {from}"))
    }
}
