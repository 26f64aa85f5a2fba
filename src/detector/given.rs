//! What a procedure knows before the run: everything is optional, and none of it is believed against the data.

use serde::Deserialize;

/// The kind of mark that an end-point leaves on the curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// The signal jumps (potential, pH).
    #[serde(alias = "step")]
    Jump,
    /// Branches meet (conductance, absorbance, current).
    #[serde(alias = "segments")]
    Bend,
    /// The signal crosses a level and stays beyond it.
    Level,
    /// The signal goes through an extreme.
    Peak,
}

/// The kind of determination, as far as it decides which models may be fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Family {
    /// Acid with base or base with acid.
    AcidBase,
    /// A sparingly soluble salt is formed.
    #[serde(alias = "argentometric")]
    Precipitation,
    /// Electrons change hands.
    Redox,
    /// A complex is formed.
    #[serde(alias = "complexometric")]
    Complexation,
    /// Conductance.
    Conductometric,
    /// Absorbance or transmittance.
    Photometric,
    /// Two polarised electrodes.
    #[serde(alias = "dead-stop")]
    Polarised,
    /// Not said, or something else.
    #[serde(alias = "none", other)]
    Other,
}

/// The solvent, as far as it decides whether water's constants hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Medium {
    /// Water or mostly water.
    #[default]
    Aqueous,
    /// Another solvent: models with water's ion product and the warning about the slope are off.
    NonAqueous,
}

/// A fixed end-point: the signal crosses this value and stays beyond it.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Level {
    /// The level in the unit of the curve.
    pub signal: f64,
    /// Standard uncertainty of the level (from the electrode check), in the unit of the curve.
    #[serde(default)]
    pub u_signal: f64,
    /// How long the signal must stay beyond it, in seconds (needs times).
    #[serde(default)]
    pub stay_s: f64,
}

/// What a procedure knows.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Given {
    /// The titrant, in words.
    pub titrant: Option<String>,
    /// Concentration of the titrant in mol/L (known to about one per cent).
    #[serde(rename = "titrant_mol_L")]
    pub titrant_mol_l: Option<f64>,
    /// Volume of the solution before the first addition, in mL.
    #[serde(rename = "sample_volume_mL")]
    pub sample_volume_ml: Option<f64>,
    /// How many end-points are looked for; at most so many are given, a missing one is a warning.
    pub looked_for: Option<usize>,
    /// The shape of the end-point.
    pub shape: Option<Shape>,
    /// The shape in words; for people.
    pub detail: Option<String>,
    /// The kind of determination.
    pub family: Option<Family>,
    /// The reaction in words; for people.
    pub chemistry: Option<String>,
    /// Windows of titrant (low, high; mL or g) in which an end-point is accepted; empty: anywhere.
    pub windows: Vec<(f64, f64)>,
    /// A fixed level, for `Shape::Level`.
    pub level: Option<Level>,
    /// Slope of the electrode from its check, as a fraction of the theoretical one, with its standard uncertainty.
    pub slope: Option<(f64, f64)>,
    /// The solvent.
    pub medium: Medium,
    /// Fit only models whose names begin so, such as `acid-base` or `bend, curved`; ignored with a warning if there are none.
    pub model: Option<String>,
}

impl Given {
    /// Whether a model of this name may be fitted.
    pub(super) fn allows(&self, name: &str) -> bool {
        self.model.as_deref().is_none_or(|wanted| begins(name, wanted))
    }

    /// Whether an end-point at `titrant` lies in an accepted window.
    #[must_use]
    pub fn accepts(&self, titrant: f64) -> bool {
        self.windows.is_empty() || self.windows.iter().any(|(low, high)| (*low..=*high).contains(&titrant))
    }
}

/// Whether a name begins with these letters, large or small.
pub(super) fn begins(name: &str, with: &str) -> bool {
    name.get(..with.len()).is_some_and(|first| first.eq_ignore_ascii_case(with))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entry_of_the_given_file_is_read() {
        let text = r#"{"titrant":"silver nitrate","titrant_mol_L":0.0976,"sample_volume_mL":75.0,"looked_for":1,
            "shape":"step","detail":"jump","family":"argentometric","chemistry":"chloride with silver nitrate"}"#;
        let given: Given = serde_json::from_str(text).unwrap();
        assert_eq!(given.shape, Some(Shape::Jump));
        assert_eq!(given.family, Some(Family::Precipitation));
        assert_eq!(given.looked_for, Some(1));
        assert_eq!(given.titrant_mol_l, Some(0.0976));
        assert!(given.accepts(3.0));
    }

    #[test]
    fn every_family_word_is_read_and_an_unknown_one_switches_nothing_on() {
        for (word, family) in [
            ("acid-base", Family::AcidBase),
            ("precipitation", Family::Precipitation),
            ("complexometric", Family::Complexation),
            ("dead-stop", Family::Polarised),
            ("none", Family::Other),
            ("enzymatic", Family::Other),
        ] {
            let given: Given = serde_json::from_str(&format!(r#"{{"family":"{word}"}}"#)).unwrap();
            assert_eq!(given.family, Some(family), "{word}");
        }
    }

    #[test]
    fn a_misspelt_key_is_an_error() {
        assert!(serde_json::from_str::<Given>(r#"{"looked_four":1}"#).is_err());
    }
}
