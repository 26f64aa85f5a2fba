//! Molar masses: from a chemical formula and a set of atomic weights, with uncertainty.

pub use super::atomic_weights::{AtomicWeight, AtomicWeights};

use nom::branch::alt;
use nom::character::complete::{char, one_of, satisfy, u32 as whole_number};
use nom::combinator::{opt, recognize};
use nom::error::{Error, ErrorKind};
use nom::multi::{many0, many1};
use nom::sequence::delimited;
use nom::{Err, IResult, Parser};
use std::collections::BTreeMap;

/// Longest formula in bytes.
const LONGEST: usize = 100;
/// Deepest nesting of brackets.
const DEEPEST: usize = 8;
/// Most atoms of one element.
const MOST_ATOMS: f64 = 1e6;

/// A molar mass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MolarMass {
    /// Value in g/mol.
    pub value: f64,
    /// Standard uncertainty in g/mol: atomic weights rectangular, independent of each other, atoms of one element not.
    pub u: f64,
}

/// Why there is no molar mass.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoMolarMass {
    /// The text is no chemical formula.
    #[error("'{text}' is no chemical formula: {why} at character {character}")]
    Formula {
        /// The text as given.
        text: String,
        /// What is wrong.
        why: &'static str,
        /// Where, counted from 1.
        character: usize,
    },
    /// The set of atomic weights does not hold an element.
    #[error(
        "{weights} here hold no value for {element}; give the molar mass with its uncertainty and source"
    )]
    Element {
        /// The element.
        element: String,
        /// The set.
        weights: String,
    },
}

/// The elements of a substance with their numbers of atoms.
///
/// ```
/// use dropwise::chemistry::formula_mass::{AtomicWeights, Composition};
/// let borax = Composition::parse("Na2B4O7.10H2O").unwrap();
/// let mass = borax.mass(&AtomicWeights::abridged()).unwrap();
/// assert_eq!(format!("{:.2} {:.2}", mass.value, mass.u), "381.36 0.05");
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Composition {
    atoms: BTreeMap<String, f64>,
}

impl Composition {
    /// Reads a formula such as `KHC8H4O4`, `Fe(NH4)2(SO4)2.6H2O` or `Na2CO3·10H2O`.
    ///
    /// # Errors
    /// Says where it is not understood.
    pub fn parse(text: &str) -> Result<Self, NoMolarMass> {
        let fault = |left: usize, why| NoMolarMass::Formula {
            text: text.chars().take(LONGEST).collect(),
            why,
            character: text[..text.len() - left.min(text.len())].chars().count() + 1,
        };
        if text.len() > LONGEST {
            return Err(fault(0, "it is too long"));
        }
        if deepest(text) > DEEPEST {
            return Err(fault(0, "its brackets are too deep"));
        }
        let mut parts = (part, many0((one_of(".·⋅*"), part)));
        let (first, rest) = match parts.parse(text) {
            Ok(("", found)) => found,
            Ok((rest, _)) => return Err(fault(rest.len(), "an element or a number was expected")),
            Err(Err::Error(e) | Err::Failure(e)) => {
                return Err(fault(e.input.len(), "an element was expected"));
            }
            Err(Err::Incomplete(_)) => return Err(fault(0, "it ends too early")),
        };
        let mut atoms = first;
        for (_, more) in rest {
            add(&mut atoms, &more, 1.0);
        }
        if let Some(element) = atoms.keys().find(|element| !ELEMENTS.contains(&element.as_str())) {
            let at = text.find(element.as_str()).unwrap_or(0);
            return Err(fault(text.len() - at, "there is no such element"));
        }
        if atoms.values().any(|n| *n > MOST_ATOMS) {
            return Err(fault(0, "it has too many atoms"));
        }
        Ok(Self { atoms })
    }

    /// The elements in alphabetical order with their numbers of atoms.
    pub fn elements(&self) -> impl Iterator<Item = (&str, f64)> {
        self.atoms.iter().map(|(element, n)| (element.as_str(), *n))
    }

    /// The molar mass with a set of atomic weights.
    ///
    /// # Errors
    /// When the set does not hold one of the elements.
    pub fn mass(&self, weights: &AtomicWeights) -> Result<MolarMass, NoMolarMass> {
        let mut value = 0.0;
        let mut variance = 0.0;
        for (element, n) in &self.atoms {
            let weight = weights.get(element).ok_or_else(|| NoMolarMass::Element {
                element: element.clone(),
                weights: weights.source().to_owned(),
            })?;
            value += n * weight.value;
            variance += (n * weight.half_width).powi(2) / 3.0;
        }
        Ok(MolarMass { value, u: variance.sqrt() })
    }
}

type Atoms = BTreeMap<String, f64>;

fn add(atoms: &mut Atoms, more: &Atoms, times: f64) {
    for (element, n) in more {
        *atoms.entry(element.clone()).or_insert(0.0) += times * n;
    }
}

fn deepest(text: &str) -> usize {
    let (mut depth, mut most) = (0_usize, 0);
    for c in text.chars() {
        depth =
            if "([".contains(c) { depth + 1 } else { depth.saturating_sub(usize::from(")]".contains(c))) };
        most = most.max(depth);
    }
    most
}

/// One part between dots: a number in front and groups.
fn part(input: &str) -> IResult<&str, Atoms> {
    let (rest, times) = opt(count).parse(input)?;
    let (rest, atoms) = groups(rest)?;
    let mut scaled = Atoms::new();
    add(&mut scaled, &atoms, times.unwrap_or(1.0));
    Ok((rest, scaled))
}

fn groups(input: &str) -> IResult<&str, Atoms> {
    let bracketed = alt((delimited(char('('), groups, char(')')), delimited(char('['), groups, char(']'))));
    let element = recognize((satisfy(|c| c.is_ascii_uppercase()), opt(satisfy(|c| c.is_ascii_lowercase()))))
        .map(|name: &str| Atoms::from([(name.to_owned(), 1.0)]));
    let (rest, found) = many1((alt((bracketed, element)), opt(count))).parse(input)?;
    let mut atoms = Atoms::new();
    for (group, times) in found {
        add(&mut atoms, &group, times.unwrap_or(1.0));
    }
    Ok((rest, atoms))
}

/// A number of atoms: 1 or more.
fn count(input: &str) -> IResult<&str, f64> {
    let (rest, n) = whole_number(input)?;
    if n == 0 || n > 100_000 {
        return Err(Err::Failure(Error { input, code: ErrorKind::Digit }));
    }
    Ok((rest, f64::from(n)))
}

/// All elements, so that a mistyped one is told from one whose weight is not in the set.
#[rustfmt::skip]
const ELEMENTS: [&str; 118] = [
    "H", "He", "Li", "Be", "B", "C", "N", "O", "F", "Ne", "Na", "Mg", "Al", "Si", "P", "S", "Cl", "Ar", "K", "Ca",
    "Sc", "Ti", "V", "Cr", "Mn", "Fe", "Co", "Ni", "Cu", "Zn", "Ga", "Ge", "As", "Se", "Br", "Kr", "Rb", "Sr", "Y",
    "Zr", "Nb", "Mo", "Tc", "Ru", "Rh", "Pd", "Ag", "Cd", "In", "Sn", "Sb", "Te", "I", "Xe", "Cs", "Ba", "La", "Ce",
    "Pr", "Nd", "Pm", "Sm", "Eu", "Gd", "Tb", "Dy", "Ho", "Er", "Tm", "Yb", "Lu", "Hf", "Ta", "W", "Re", "Os", "Ir",
    "Pt", "Au", "Hg", "Tl", "Pb", "Bi", "Po", "At", "Rn", "Fr", "Ra", "Ac", "Th", "Pa", "U", "Np", "Pu", "Am", "Cm",
    "Bk", "Cf", "Es", "Fm", "Md", "No", "Lr", "Rf", "Db", "Sg", "Bh", "Hs", "Mt", "Ds", "Rg", "Cn", "Nh", "Fl", "Mc",
    "Lv", "Ts", "Og",
];

#[cfg(test)]
mod tests {
    use super::*;

    fn elements(text: &str) -> Vec<(String, f64)> {
        Composition::parse(text).unwrap().elements().map(|(e, n)| (e.to_owned(), n)).collect()
    }

    #[test]
    fn brackets_and_water_of_crystallisation_are_counted() {
        let mohr = elements("Fe(NH4)2(SO4)2.6H2O");
        let wanted = [("Fe", 1.0), ("H", 20.0), ("N", 2.0), ("O", 14.0), ("S", 2.0)];
        assert_eq!(mohr, wanted.map(|(e, n)| (e.to_owned(), n)));
        assert_eq!(elements("Na2CO3·10H2O"), elements("Na2CO3.10H2O"));
        assert_eq!(elements("[Co(NH3)6]Cl3"), elements("CoN6H18Cl3"));
        assert_eq!(elements("CH3COOH"), elements("C2H4O2"));
    }

    #[test]
    fn what_is_no_formula_says_where() {
        for (text, word) in [
            ("", "element"),
            ("khp", "element"),
            ("Xq2", "no such element"),
            ("Na(OH", "expected"),
            ("NaCl.", "expected"),
            ("Na0", "expected"),
            ("H2O)", "expected"),
            ("((((((((((H))))))))))", "too deep"),
        ] {
            let error = Composition::parse(text).unwrap_err().to_string();
            assert!(error.contains(word), "{text}: {error}");
        }
        assert!(Composition::parse(&"H".repeat(200)).is_err());
        let error = Composition::parse("UO2").unwrap().mass(&AtomicWeights::current()).unwrap_err();
        assert!(error.to_string().contains("no value for U"), "{error}");
    }

    /// EURACHEM/CITAC guide QUAM, example A2: 204.2212 g/mol; 0.003765302 in a published model file of the example.
    #[test]
    fn potassium_hydrogen_phthalate_of_the_guide() {
        let mass = Composition::parse("KHC8H4O4").unwrap().mass(&AtomicWeights::of_1999()).unwrap();
        assert!((mass.value - 204.2212).abs() < 5e-5, "{}", mass.value);
        assert!((mass.u - 0.003_765_302).abs() < 2e-9, "{}", mass.u);
    }

    #[test]
    fn a_set_of_ones_own_is_used_and_named() {
        let weight = AtomicWeight { value: 35.5, half_width: 0.1 };
        let own = AtomicWeights::own("rounded for teaching", &[("Cl", weight)]);
        assert_eq!(own.source(), "rounded for teaching");
        assert!((Composition::parse("Cl2").unwrap().mass(&own).unwrap().value - 71.0).abs() < 1e-12);
    }
}
