//! Evaluation: the value together with its derivatives by every source of uncertainty (forward mode).
//!
//! Source: A. Griewank, A. Walther, Evaluating Derivatives, 2nd edition (SIAM 2008), chapter 3.

use super::super::{BadSource, Dimension, Kind, Source, SourceId, Sources, Uncertain};
use super::{Fault, Formula, FormulaError, Function, Node, What};
use crate::chemistry::formula_mass::{AtomicWeights, Composition};
use std::collections::BTreeMap;

/// The values of names and of molar masses.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Scope {
    values: BTreeMap<String, Uncertain>,
    molar_masses: BTreeMap<String, Uncertain>,
}

/// How a number is computed with: plain for simulation, with derivatives for propagation.
pub(in crate::results) trait Number: Clone {
    fn exact(value: f64) -> Self;
    fn value(&self) -> f64;
    /// A number with this value and these derivatives by others.
    fn combined(value: f64, from: &[(f64, &Self)]) -> Self;
    /// Whether it depends on anything uncertain.
    fn varies(&self) -> bool;
}

impl Number for f64 {
    fn exact(value: f64) -> Self {
        value
    }
    fn value(&self) -> f64 {
        *self
    }
    fn combined(value: f64, _: &[(f64, &Self)]) -> Self {
        value
    }
    fn varies(&self) -> bool {
        false
    }
}

/// Within a formula the dimension was checked before: only the root gets it back.
impl Number for Uncertain {
    fn exact(value: f64) -> Self {
        Self::exact(value, Dimension::ONE)
    }
    fn value(&self) -> f64 {
        self.value
    }
    fn combined(value: f64, from: &[(f64, &Self)]) -> Self {
        Self::combined(value, Dimension::ONE, from)
    }
    fn varies(&self) -> bool {
        self.parts.values().any(|part| part.abs() > 0.0)
    }
}

/// Where values come from, by name and by substance.
pub(in crate::results) trait Values<T> {
    fn name(&self, name: &str) -> Option<T>;
    fn molar_mass(&self, substance: &str) -> Option<T>;
}

impl Values<Uncertain> for Scope {
    fn name(&self, name: &str) -> Option<Uncertain> {
        self.values.get(name).cloned()
    }
    fn molar_mass(&self, substance: &str) -> Option<Uncertain> {
        self.molar_masses.get(substance).cloned().or_else(|| {
            // Without weights of their own the substances of a formula have the current standard atomic weights.
            let mass = Composition::parse(substance).ok()?.mass(&AtomicWeights::current()).ok()?;
            Some(Uncertain::exact(mass.value, Dimension::MOLAR_MASS))
        })
    }
}

impl Scope {
    /// Gives a name its value.
    pub fn set(&mut self, name: &str, value: Uncertain) {
        self.values.insert(name.to_owned(), value);
    }

    /// The value of a name.
    #[must_use]
    pub fn get(&self, name: &str) -> Option<&Uncertain> {
        self.values.get(name)
    }

    /// All names with their values.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &Uncertain)> {
        self.values.iter().map(|(name, value)| (name.as_str(), value))
    }

    /// All substances whose molar mass was set, with it.
    pub fn molar_masses(&self) -> impl Iterator<Item = (&str, &Uncertain)> {
        self.molar_masses.iter().map(|(name, value)| (name.as_str(), value))
    }

    /// The dimensions of all names, for [`Formula::check`].
    #[must_use]
    pub fn dimensions(&self) -> BTreeMap<String, Dimension> {
        self.values.iter().map(|(name, value)| (name.clone(), value.dimension)).collect()
    }

    /// Sets the molar mass of a substance to a given value, which replaces the computed one.
    pub fn set_molar_mass(&mut self, substance: &str, value: Uncertain) {
        self.molar_masses.insert(substance.to_owned(), value);
    }

    /// Computes the molar masses of all substances of a formula with their uncertainties, where none was set.
    ///
    /// Each atomic weight is one shared source, however many substances it enters.
    ///
    /// # Errors
    /// When a substance has an element that the weights do not hold.
    pub fn fill_molar_masses(
        &mut self,
        formula: &Formula,
        weights: &AtomicWeights,
        sources: &mut Sources,
    ) -> Result<(), FormulaError> {
        for substance in formula.substances() {
            if !self.molar_masses.contains_key(substance) {
                let value = molar_mass(substance, weights, sources).map_err(|why| {
                    let mut found =
                        FormulaError::new(Fault::Substance(why), formula.root.span, &formula.text);
                    formula.root.visit(&mut |node| {
                        if matches!(&node.what, What::MolarMass(name) if name == substance) {
                            found = FormulaError::new(found.fault.clone(), node.span, &formula.text);
                        }
                    });
                    found
                })?;
                self.set_molar_mass(substance, value);
            }
        }
        Ok(())
    }
}

/// The molar mass of a substance, each of its atomic weights a shared source.
fn molar_mass(substance: &str, weights: &AtomicWeights, sources: &mut Sources) -> Result<Uncertain, String> {
    let composition = Composition::parse(substance).map_err(|e| e.to_string())?;
    let mass = composition.mass(weights).map_err(|e| e.to_string())?;
    let mut value = Uncertain::exact(mass.value, Dimension::MOLAR_MASS);
    for (element, count) in composition.elements() {
        let weight = weights.get(element).ok_or_else(|| format!("no atomic weight of {element}"))?;
        let id = atomic_weight(element, weight.half_width, weights.source(), sources)
            .map_err(|e| e.to_string())?;
        value.parts.insert(id, count);
    }
    Ok(value)
}

fn atomic_weight(
    element: &str,
    half_width: f64,
    from: &str,
    sources: &mut Sources,
) -> Result<SourceId, BadSource> {
    let name = format!("atomic weight of {element}");
    if let Some(id) = sources.find(&name, Kind::MolarMass) {
        return Ok(id);
    }
    let source = Source::rectangular(&name, half_width, "g/mol", Kind::MolarMass)?;
    sources.add(source.told("interval or stated uncertainty of the standard atomic weight", from))
}

impl Formula {
    /// Its value with derivatives, after a check of dimensions.
    ///
    /// # Errors
    /// As [`Formula::check`]; also division by zero and values for which a function has no result, with their place.
    pub fn evaluate(&self, scope: &Scope) -> Result<Uncertain, FormulaError> {
        let dimension = self.check(&scope.dimensions())?;
        let value: Uncertain = self.compute(scope)?;
        Ok(Uncertain { dimension, ..value })
    }

    pub(in crate::results) fn compute<T: Number>(&self, values: &impl Values<T>) -> Result<T, FormulaError> {
        self.root.compute(values).map_err(|(fault, node)| FormulaError::new(fault, node.span, &self.text))
    }
}

type Computed<'a, T> = Result<T, (Fault, &'a Node)>;

impl Node {
    fn compute<T: Number>(&self, values: &impl Values<T>) -> Computed<'_, T> {
        let result = match &self.what {
            What::Number(value) => T::exact(*value),
            What::Quantity(value, unit) => T::exact(unit.to_coherent(*value)),
            What::Name(name) => values.name(name).ok_or((Fault::UnknownName(None), self))?,
            What::MolarMass(substance) => values.molar_mass(substance).ok_or_else(|| {
                (Fault::Substance(format!("the molar mass of {substance} is not known")), self)
            })?,
            What::Negative(inner) => {
                let x = inner.compute(values)?;
                T::combined(-x.value(), &[(-1.0, &x)])
            }
            What::Sum(first, rest) => {
                let mut sum = first.compute(values)?;
                for (added, node) in rest {
                    let x = node.compute(values)?;
                    let sign = if *added { 1.0 } else { -1.0 };
                    sum = T::combined(sum.value() + sign * x.value(), &[(1.0, &sum), (sign, &x)]);
                }
                sum
            }
            What::Product(first, rest) => {
                let mut product = first.compute(values)?;
                for (times, node) in rest {
                    let x = node.compute(values)?;
                    product = if *times {
                        T::combined(
                            product.value() * x.value(),
                            &[(x.value(), &product), (product.value(), &x)],
                        )
                    } else {
                        quotient(&product, &x, node)?
                    };
                }
                product
            }
            What::Power(base, exponent) => power(&base.compute(values)?, &exponent.compute(values)?, self)?,
            What::Call(function, arguments) => {
                let arguments: Vec<T> =
                    arguments.iter().map(|a| a.compute(values)).collect::<Result<_, _>>()?;
                self.call(*function, &arguments)?
            }
        };
        if result.value().is_finite() { Ok(result) } else { Err((Fault::NotFinite, self)) }
    }

    fn call<T: Number>(&self, function: Function, arguments: &[T]) -> Computed<'_, T> {
        let Some(x) = arguments.first() else {
            return Err((Fault::Arguments("no argument is given".to_owned()), self));
        };
        let v = x.value();
        let outside = || Err((Fault::OutOfDomain(function.name(), v), self));
        Ok(match function {
            Function::Exp => T::combined(v.exp(), &[(v.exp(), x)]),
            Function::Ln if v > 0.0 => T::combined(v.ln(), &[(1.0 / v, x)]),
            Function::Log10 if v > 0.0 => T::combined(v.log10(), &[(std::f64::consts::LOG10_E / v, x)]),
            Function::Sqrt if v > 0.0 => T::combined(v.sqrt(), &[(0.5 / v.sqrt(), x)]),
            // The root of an exact zero is zero; of an uncertain one it has no derivative.
            Function::Sqrt if v >= 0.0 && !x.varies() => T::exact(0.0),
            Function::Ln | Function::Log10 | Function::Sqrt => return outside(),
            Function::Abs => T::combined(v.abs(), &[(if v < 0.0 { -1.0 } else { 1.0 }, x)]),
            Function::Min => pick(arguments, |a, b| a < b),
            Function::Max => pick(arguments, |a, b| a > b),
            Function::Mean => {
                let share = 1.0 / arguments.len() as f64;
                let from: Vec<(f64, &T)> = arguments.iter().map(|a| (share, a)).collect();
                T::combined(arguments.iter().map(Number::value).sum::<f64>() * share, &from)
            }
        })
    }
}

/// The first of the arguments that no other one beats.
fn pick<T: Number>(arguments: &[T], beats: impl Fn(f64, f64) -> bool) -> T {
    let mut best = &arguments[0];
    for argument in arguments {
        if beats(argument.value(), best.value()) {
            best = argument;
        }
    }
    best.clone()
}

fn quotient<'a, T: Number>(a: &T, b: &T, place: &'a Node) -> Computed<'a, T> {
    let inverse = 1.0 / b.value();
    if !inverse.is_finite() {
        return Err((Fault::DivisionByZero, place));
    }
    let value = a.value() / b.value();
    Ok(T::combined(value, &[(inverse, a), (-value * inverse, b)]))
}

fn power<'a, T: Number>(base: &T, exponent: &T, place: &'a Node) -> Computed<'a, T> {
    let (b, e) = (base.value(), exponent.value());
    let value = b.powf(e);
    if b.abs() <= 0.0 && e < 0.0 {
        return Err((Fault::DivisionByZero, place));
    }
    let by_base = if base.varies() { e * b.powf(e - 1.0) } else { 0.0 };
    let by_exponent = if exponent.varies() { value * b.ln() } else { 0.0 };
    if value.is_nan() || !by_base.is_finite() || !by_exponent.is_finite() {
        return Err((Fault::OutOfDomain("this power", b), place));
    }
    Ok(T::combined(value, &[(by_base, base), (by_exponent, exponent)]))
}
