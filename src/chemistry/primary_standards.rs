//! Primary standards: what they titrate and how they are dried.

use super::formula_mass::{AtomicWeights, Composition, MolarMass, NoMolarMass};

/// Name, formula, what it titrates with the equivalents in one mole, drying, source of the drying.
type Row = (&'static str, &'static str, &'static str, &'static str, &'static str);

#[rustfmt::skip]
const TABLE: &[Row] = &[
    ("potassium hydrogen phthalate", "C8H5KO4", "titrates bases (1)", "110 degC to constant mass [EP]; 105 degC 3 h [WHO]; 120 degC 3 h [BAM reference-material certificate U2-0113]", "European Pharmacopoeia 4.2.1 (seen); WHO Quality control methods (seen); BAM certificate (seen)"),
    ("sodium carbonate", "Na2CO3", "titrates acids (2)", "100-105 degC, then 270-300 degC to constant mass", "European Pharmacopoeia 4.2.1 (seen)"),
    ("sodium chloride", "NaCl", "titrates silver (1)", "300 degC to constant mass", "European Pharmacopoeia 4.2.1 (seen)"),
    ("potassium bromate", "KBrO3", "redox, with thiosulfate via iodine (6)", "180 degC to constant mass", "European Pharmacopoeia 4.2.1 (seen)"),
    ("benzoic acid", "C7H6O2", "titrates non-aqueous bases (1)", "sublimed", "European Pharmacopoeia 4.2.1 (seen)"),
    ("sulfanilic acid", "C6H7NO3S", "titrates nitrite (1)", "100-105 degC to constant mass", "European Pharmacopoeia 4.2.1 (seen)"),
    ("zinc", "Zn", "titrates EDTA (1)", "metal, min. 99.9 per cent (no drying)", "European Pharmacopoeia 4.2.1 (seen)"),
    ("potassium dichromate", "K2Cr2O7", "redox (6)", "140-150 degC", "Primary-standard list of a pharmacopoeia-style guide (pharmaguideline page, seen)"),
    ("potassium iodate", "KIO3", "redox (6)", "120 degC to constant mass", "Primary-standard list of a pharmacopoeia-style guide (pharmaguideline page, seen)"),
    ("arsenic trioxide", "As2O3", "redox (4)", "sublimed, kept over silica gel", "Primary-standard list of a pharmacopoeia-style guide (pharmaguideline page, seen)"),
    ("tris(hydroxymethyl)aminomethane", "C4H11NO3", "titrates acids (1)", "100-105 degC 1-2 h", "from memory"),
    ("sulfamic acid", "H3NO3S", "titrates bases (1)", "vacuum desiccator (not heated strongly)", "from memory"),
    ("oxalic acid dihydrate", "C2H2O4.2H2O", "titrates bases (2), permanganate (2)", "not heated: keeps its water of crystallisation", "from memory"),
    ("sodium oxalate", "Na2C2O4", "titrates permanganate (2)", "105-110 degC 2 h", "from memory"),
    ("calcium carbonate", "CaCO3", "titrates EDTA (1)", "105-110 degC (some methods 200-300 degC)", "from memory"),
    ("silver nitrate", "AgNO3", "titrates halides (1)", "110-120 degC 2 h, dark", "from memory"),
    ("potassium chloride", "KCl", "titrates silver (1)", "500-600 degC", "from memory"),
    ("potassium hydrogen diiodate", "KH(IO3)2", "titrates bases (1)", "110 degC or desiccator", "from memory"),
    ("disodium tetraborate decahydrate", "Na2B4O7.10H2O", "titrates acids (2)", "kept over saturated NaCl and sucrose; not heated", "from memory"),
    ("ammonium iron(II) sulfate hexahydrate", "Fe(NH4)2(SO4)2.6H2O", "redox (1)", "not heated", "from memory"),
    ("disodium EDTA dihydrate", "C10H14N2Na2O8.2H2O", "titrates metals (1)", "80 degC keeps the dihydrate", "from memory"),
];

/// A substance from which the content of a titrant is found.
///
/// ```
/// use dropwise::chemistry::primary_standards::PrimaryStandard;
/// let standard = PrimaryStandard::find("potassium hydrogen phthalate").unwrap();
/// assert!(standard.titrates.contains("bases"));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PrimaryStandard {
    /// Name.
    pub name: &'static str,
    /// Chemical formula.
    pub formula: &'static str,
    /// What it titrates, with the equivalents in one mole in brackets.
    pub titrates: &'static str,
    /// How it is dried before use; the label of the lot goes before.
    pub drying: &'static str,
    /// Where the drying was read; `from memory` where it was not.
    pub source: &'static str,
}

impl PrimaryStandard {
    /// All of them.
    pub fn all() -> impl Iterator<Item = Self> {
        TABLE.iter().map(|(name, formula, titrates, drying, source)| Self {
            name,
            formula,
            titrates,
            drying,
            source,
        })
    }

    /// The one of that name or formula.
    #[must_use]
    pub fn find(name: &str) -> Option<Self> {
        Self::all().find(|standard| standard.name == name || standard.formula == name)
    }

    /// Its molar mass with a set of atomic weights.
    ///
    /// # Errors
    /// When the set does not hold one of its elements.
    pub fn mass(&self, weights: &AtomicWeights) -> Result<MolarMass, NoMolarMass> {
        Composition::parse(self.formula)?.mass(weights)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    /// Whole table of substances, computed elsewhere from the same abridged weights: value and uncertainty to half of the
    /// last digit printed there.
    #[test]
    fn molar_masses_of_the_whole_table() {
        let text = include_str!("../../fixtures/reference/primary_standards.csv");
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
        let mut checked = BTreeMap::new();
        for row in reader.records() {
            let row = row.unwrap();
            let mass = Composition::parse(&row[1]).unwrap().mass(&AtomicWeights::abridged()).unwrap();
            assert!((mass.value - row[2].parse::<f64>().unwrap()).abs() < 6e-5, "{row:?}: {mass:?}");
            assert!((mass.u - row[3].parse::<f64>().unwrap()).abs() < 6e-5, "{row:?}: {mass:?}");
            checked.insert(row[0].to_owned(), row[1].to_owned());
        }
        assert_eq!(checked.len(), 31);
        for standard in PrimaryStandard::all() {
            assert_eq!(checked.get(standard.name).map(String::as_str), Some(standard.formula));
            assert!(standard.mass(&AtomicWeights::current()).is_ok());
        }
    }

    /// The full and the abridged weights describe the same materials: the masses agree within both uncertainties.
    #[test]
    fn the_two_sets_of_weights_agree() {
        for standard in PrimaryStandard::all() {
            let full = standard.mass(&AtomicWeights::current()).unwrap();
            let short = standard.mass(&AtomicWeights::abridged()).unwrap();
            assert!((full.value - short.value).abs() < 3.0 * full.u.hypot(short.u), "{}", standard.name);
        }
    }
}
