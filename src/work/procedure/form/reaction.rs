//! What reacts, as a procedure file says it for the rehearsal.

use super::ReactionWord;
use schemars::JsonSchema;
use serde::Deserialize;

/// What reacts. The rehearsal reckons the curve of a portion with it: height of the jump, width of the steps. Which keys
/// belong to it follows from `kind`.
#[derive(Debug, Clone, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(in crate::work::procedure) struct ReactionForm {
    /// What reacts with what.
    pub kind: ReactionWord,
    /// For "acid" and "base": pKa, first dissociation first, of an acid or of the acid that a base becomes; none for a
    /// strong one.
    #[serde(default)]
    pub pka: Vec<f64>,
    /// For "acid" and "base": charge of the form with all its protons; 0 for an acid, 1 for a base when nothing is said.
    #[serde(default)]
    pub charge: Option<i32>,
    /// For "acid" and "base": protons that are off at the beginning; none of an acid, all of a base when nothing is said.
    #[serde(default)]
    #[schemars(range(min = 0, max = 6))]
    pub protons_off: Option<u32>,
    /// For "acid" and "base": protons given or taken up to the end-point; all that can be when nothing is said.
    #[serde(default)]
    #[schemars(range(min = 1, max = 6))]
    pub steps: Option<u32>,
    /// For "silver": pKsp of the salt of the anion.
    #[serde(default)]
    pub pksp: Option<f64>,
    /// For "complex": decadic logarithm of the constant at the pH of the solution, in L/mol.
    #[serde(default)]
    pub log_k: Option<f64>,
    /// For "redox": formal potential of the analyte in mV.
    #[serde(default)]
    pub analyte_mv: Option<f64>,
    /// For "redox": formal potential of the titrant in mV, against the same electrode.
    #[serde(default)]
    pub titrant_mv: Option<f64>,
    /// For "redox": electrons that one particle of the analyte and of the titrant gives or takes; 1 and 1 when nothing is
    /// said.
    #[serde(default)]
    pub electrons: Option<[u32; 2]>,
    /// Where the constants come from.
    #[serde(default)]
    pub source: Option<String>,
}
