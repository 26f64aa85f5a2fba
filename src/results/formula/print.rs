//! Printing: one form for each formula, with no more brackets than needed.

use super::super::quantity::plain_number;
use super::{Formula, Node, What};
use std::fmt;

/// How tightly a node binds: a weaker one within a stronger one needs brackets.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Rank {
    Sum,
    Product,
    Sign,
    Power,
    Atom,
}

impl Node {
    fn rank(&self) -> Rank {
        match &self.what {
            What::Sum(..) => Rank::Sum,
            What::Product(..) => Rank::Product,
            What::Negative(_) => Rank::Sign,
            What::Power(..) => Rank::Power,
            _ => Rank::Atom,
        }
    }

    /// Writes the node, in brackets if it binds less than `least`.
    fn write(&self, f: &mut fmt::Formatter<'_>, least: Rank) -> fmt::Result {
        if self.rank() < least {
            f.write_str("(")?;
            self.write_bare(f)?;
            return f.write_str(")");
        }
        self.write_bare(f)
    }

    fn write_bare(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.what {
            What::Number(value) => f.write_str(&plain_number(*value)),
            What::Quantity(value, unit) => write!(f, "{} [{unit}]", plain_number(*value)),
            What::Name(name) => f.write_str(name),
            What::MolarMass(substance) => write!(f, "M({substance})"),
            What::Negative(inner) => {
                f.write_str("-")?;
                inner.write(f, Rank::Sign)
            }
            What::Sum(first, rest) => {
                first.write(f, Rank::Product)?;
                for (added, node) in rest {
                    f.write_str(if *added { " + " } else { " - " })?;
                    node.write(f, Rank::Product)?;
                }
                Ok(())
            }
            What::Product(first, rest) => {
                first.write(f, Rank::Sign)?;
                for (multiplied, node) in rest {
                    f.write_str(if *multiplied { " * " } else { " / " })?;
                    node.write(f, Rank::Sign)?;
                }
                Ok(())
            }
            What::Power(base, exponent) => {
                base.write(f, Rank::Atom)?;
                f.write_str("^")?;
                exponent.write(f, Rank::Sign)
            }
            What::Call(function, arguments) => {
                write!(f, "{}(", function.name())?;
                for (i, node) in arguments.iter().enumerate() {
                    if i > 0 {
                        f.write_str(", ")?;
                    }
                    node.write(f, Rank::Sum)?;
                }
                f.write_str(")")
            }
        }
    }
}

impl fmt::Display for Formula {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.root.write(f, Rank::Sum)
    }
}
