//! Formulae: ordinary algebra over quantities with units.
//!
//! `(V - V_blank) * c * M(CH3COOH) / m`: sums, products, quotients, powers, brackets, names, numbers, numbers with a
//! unit in square brackets (`0.0011 [1/K]`, `20 [degC]`), the molar mass of a substance `M(KHC8H4O4)`, and the
//! functions sqrt, exp, ln, log10, abs, min, max, mean. A power binds before a sign (`-2^2` is -4) and from the right
//! (`2^3^2` is 2^9); multiplication is always written. `·` and `×` may stand for `*`.

mod check;
mod error;
mod evaluate;
mod grammar;
mod print;
mod several;
#[cfg(test)]
mod tests;

pub use error::{Fault, FormulaError, Span};
pub use evaluate::Scope;
pub(super) use evaluate::{Number, Values};
pub use several::Formulae;

use super::{Quantity, Unit};
use std::collections::BTreeSet;

/// Longest formula in bytes.
pub(super) const LONGEST: usize = 2_000;
/// Deepest nesting of brackets.
pub(super) const DEEPEST: usize = 40;
/// Most powers and signs in one formula (each is one level of the tree).
pub(super) const MOST_LEVELS: usize = 100;

/// A function of a formula.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Function {
    Sqrt,
    Exp,
    Ln,
    Log10,
    Abs,
    Min,
    Max,
    Mean,
}

impl Function {
    /// Name and function; the last three take one or more arguments, the others exactly one.
    pub(super) const ALL: [(&'static str, Self); 8] = [
        ("sqrt", Self::Sqrt),
        ("exp", Self::Exp),
        ("ln", Self::Ln),
        ("log10", Self::Log10),
        ("abs", Self::Abs),
        ("min", Self::Min),
        ("max", Self::Max),
        ("mean", Self::Mean),
    ];

    pub(super) fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }

    pub(super) const fn takes_several(self) -> bool {
        matches!(self, Self::Min | Self::Max | Self::Mean)
    }
}

/// One node of a formula with its place in the text.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Node {
    pub(super) span: Span,
    pub(super) what: What,
}

/// What a node is.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum What {
    Number(f64),
    Quantity(f64, Unit),
    Name(String),
    /// The molar mass of a substance.
    MolarMass(String),
    Negative(Box<Node>),
    /// First term, then further ones with `true` for added, `false` for taken away.
    Sum(Box<Node>, Vec<(bool, Node)>),
    /// First factor, then further ones with `true` for multiplied, `false` for divided.
    Product(Box<Node>, Vec<(bool, Node)>),
    Power(Box<Node>, Box<Node>),
    Call(Function, Vec<Node>),
}

/// A formula that was understood.
///
/// ```
/// use dropwise::results::{Dimension, Formula};
/// use std::collections::BTreeMap;
///
/// let formula = Formula::parse("(V - V_blank) * c * M(CH3COOH) / m").unwrap();
/// let mut known = BTreeMap::from([
///     ("V".to_owned(), Dimension::VOLUME),
///     ("V_blank".to_owned(), Dimension::VOLUME),
///     ("c".to_owned(), Dimension::CONCENTRATION),
///     ("m".to_owned(), Dimension::MASS),
/// ]);
/// assert_eq!(formula.check(&known), Ok(Dimension::ONE));
///
/// known.insert("V_blank".to_owned(), Dimension::MASS);
/// let error = formula.check(&known).unwrap_err();
/// assert!(error.to_string().starts_with("cannot subtract g from mL at character 6 ('V_blank')"));
/// ```
#[derive(Debug, Clone)]
pub struct Formula {
    root: Node,
    text: String,
}

impl Formula {
    /// Reads a formula.
    ///
    /// # Errors
    /// Says where it is not understood, why, and what to write instead.
    pub fn parse(text: &str) -> Result<Self, FormulaError> {
        let root = grammar::parse(text)?;
        Ok(Self { root, text: text.to_owned() })
    }

    /// The text as it was given.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The names that it uses, each once, in alphabetical order.
    #[must_use]
    pub fn names(&self) -> BTreeSet<&str> {
        let mut names = BTreeSet::new();
        self.root.visit(&mut |node| {
            if let What::Name(name) = &node.what {
                names.insert(name.as_str());
            }
        });
        names
    }

    /// The substances whose molar mass it uses, such as `KHC8H4O4`.
    #[must_use]
    pub fn substances(&self) -> BTreeSet<&str> {
        let mut substances = BTreeSet::new();
        self.root.visit(&mut |node| {
            if let What::MolarMass(substance) = &node.what {
                substances.insert(substance.as_str());
            }
        });
        substances
    }

    /// The numbers with unit that stand in it.
    #[must_use]
    pub fn constants(&self) -> Vec<Quantity> {
        let mut constants = Vec::new();
        self.root.visit(&mut |node| {
            if let What::Quantity(value, unit) = &node.what {
                constants.push(Quantity::new(*value, unit.clone()));
            }
        });
        constants
    }
}

/// Two formulae are equal when they compute the same in the same way; blanks and superfluous brackets do not count.
impl PartialEq for Formula {
    fn eq(&self, other: &Self) -> bool {
        self.to_string() == other.to_string()
    }
}

impl Node {
    fn visit<'a>(&'a self, with: &mut impl FnMut(&'a Self)) {
        with(self);
        match &self.what {
            What::Number(_) | What::Quantity(..) | What::Name(_) | What::MolarMass(_) => {}
            What::Negative(inner) => inner.visit(with),
            What::Sum(first, rest) | What::Product(first, rest) => {
                first.visit(with);
                for (_, node) in rest {
                    node.visit(with);
                }
            }
            What::Power(base, exponent) => {
                base.visit(with);
                exponent.visit(with);
            }
            What::Call(_, arguments) => {
                for node in arguments {
                    node.visit(with);
                }
            }
        }
    }
}
