//! Dimensions of a formula, before any value is known.

use super::super::{Dimension, Unit};
use super::{Fault, Formula, FormulaError, Function, Node, What};
use crate::form::nearest;
use std::collections::BTreeMap;

impl Formula {
    /// The dimension of its value when the names have these dimensions.
    ///
    /// # Errors
    /// An unknown name (with the nearest known one), or a place where the dimensions do not fit, with a remedy.
    pub fn check(&self, known: &BTreeMap<String, Dimension>) -> Result<Dimension, FormulaError> {
        self.root.dimension(known).map_err(|(fault, node)| FormulaError::new(fault, node.span, &self.text))
    }

    /// Checks it like [`Formula::check`] and that its value can be told in `unit`.
    ///
    /// # Errors
    /// As `check`; also when the value measures something else than the unit.
    pub fn check_unit(&self, known: &BTreeMap<String, Dimension>, unit: &Unit) -> Result<(), FormulaError> {
        let got = self.check(known)?;
        if got == unit.dimension() {
            return Ok(());
        }
        let fault = Fault::Result(got, unit.to_string());
        Err(FormulaError::new(fault, self.root.span, &self.text))
    }
}

type Checked<'a> = Result<Dimension, (Fault, &'a Node)>;

impl Node {
    fn dimension(&self, known: &BTreeMap<String, Dimension>) -> Checked<'_> {
        match &self.what {
            What::Number(_) => Ok(Dimension::ONE),
            What::Quantity(_, unit) => Ok(unit.dimension()),
            What::MolarMass(_) => Ok(Dimension::MOLAR_MASS),
            What::Name(name) => known.get(name).copied().ok_or_else(|| {
                let near = nearest(name, known.keys().map(String::as_str)).map(str::to_owned);
                (Fault::UnknownName(near), self)
            }),
            What::Negative(inner) => inner.dimension(known),
            What::Sum(first, rest) => {
                let dimension = first.dimension(known)?;
                for (added, node) in rest {
                    let tried = if *added { "add" } else { "subtract" };
                    same(tried, dimension, node, known)?;
                }
                Ok(dimension)
            }
            What::Product(first, rest) => {
                rest.iter().try_fold(first.dimension(known)?, |d, (times, node)| {
                    let other = node.dimension(known)?;
                    Ok(if *times { d * other } else { d / other })
                })
            }
            What::Power(base, exponent) => {
                let dimension = base.dimension(known)?;
                let plain = exponent.dimension(known)?;
                if !plain.is_one() {
                    return Err((Fault::NotPlain("an exponent", plain), exponent));
                }
                if dimension.is_one() {
                    return Ok(dimension);
                }
                // What has a unit can only be raised to a number that stands in the formula.
                exponent
                    .constant()
                    .and_then(|power| dimension.power(power))
                    .ok_or((Fault::Power(dimension), &**exponent))
            }
            What::Call(function, arguments) => {
                let Some((first, rest)) = arguments.split_first() else {
                    return Err((Fault::Arguments("no argument is given".to_owned()), self));
                };
                let dimension = first.dimension(known)?;
                match function {
                    Function::Abs => Ok(dimension),
                    Function::Min | Function::Max | Function::Mean => {
                        for node in rest {
                            same("compare or average", dimension, node, known)?;
                        }
                        Ok(dimension)
                    }
                    Function::Sqrt => dimension.power(0.5).ok_or((Fault::Power(dimension), first)),
                    Function::Exp | Function::Ln | Function::Log10 if dimension.is_one() => Ok(dimension),
                    Function::Exp | Function::Ln | Function::Log10 => {
                        Err((Fault::NotPlain(function.name(), dimension), first))
                    }
                }
            }
        }
    }

    /// The value of a node that is made of plain numbers only.
    fn constant(&self) -> Option<f64> {
        match &self.what {
            What::Number(value) => Some(*value),
            What::Negative(inner) => inner.constant().map(|v| -v),
            What::Product(first, rest) => rest.iter().try_fold(first.constant()?, |v, (times, node)| {
                let other = node.constant()?;
                Some(if *times { v * other } else { v / other })
            }),
            _ => None,
        }
    }
}

fn same<'a>(
    tried: &'static str,
    first: Dimension,
    node: &'a Node,
    known: &BTreeMap<String, Dimension>,
) -> Result<(), (Fault, &'a Node)> {
    let other = node.dimension(known)?;
    if other == first {
        return Ok(());
    }
    Err((Fault::Mismatch(tried, first, other), node))
}
