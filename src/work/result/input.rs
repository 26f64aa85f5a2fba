//! What enters the result of a portion: each value with its unit, its sources of uncertainty, and where it came from.
//!
//! This is what the record keeps of a result: from the inputs and the procedure everything else can be computed again.

use crate::results::{Distribution, Extent, Kind, Quantity, Scope, Source, Sources, Uncertain, Unit};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// One source of uncertainty of an input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InputSource {
    /// Its line in the budget; one name and kind is one source, wherever it enters.
    pub name: String,
    /// Where it belongs.
    pub kind: Kind,
    /// Standard uncertainty in `unit`.
    pub u: f64,
    /// The unit of `u`; a plain number is relative to the value.
    pub unit: String,
    /// Degrees of freedom; `None`: as good as infinite.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees: Option<f64>,
    /// Its distribution.
    pub distribution: Distribution,
    /// The same for all portions of a series, or drawn anew for each.
    pub shared: bool,
    /// Where the figure came from, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub from: String,
    /// Derivative of the input by this source in coherent units; `None`: its error is that of the input.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub derivative: Option<f64>,
}

impl InputSource {
    /// A normal source that is the same for all portions.
    #[must_use]
    pub fn shared(name: impl Into<String>, kind: Kind, u: f64, unit: &str, from: impl Into<String>) -> Self {
        Self {
            name: name.into(),
            kind,
            u,
            unit: unit.to_owned(),
            degrees: None,
            distribution: Distribution::Normal,
            shared: true,
            from: from.into(),
            derivative: None,
        }
    }

    /// The same source, drawn anew for each portion.
    #[must_use]
    pub fn of_each_portion(self) -> Self {
        Self { shared: false, ..self }
    }

    /// The sources of a number that was computed from others, so that it can enter further results.
    ///
    /// What was drawn anew for each portion becomes one source: the root of the sum of squares, with the degrees of
    /// freedom of Welch and Satterthwaite (JCGM 100:2008, G.4).
    #[must_use]
    pub fn of(number: &Uncertain, sources: &Sources) -> Vec<Self> {
        let mut all: Vec<Self> = Vec::new();
        // By place in `all`: sum of squares, sum of fourth powers over degrees of freedom.
        let mut drawn: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
        for (id, derivative) in &number.parts {
            let Some(source) = sources.get(*id) else { continue };
            let of_a_portion = source.extent != Extent::Shared;
            let same = |one: &Self| one.name == source.name && one.kind == source.kind;
            let place = all.iter().position(same).filter(|at| of_a_portion && drawn.contains_key(at));
            let at = place.unwrap_or_else(|| {
                all.push(Self {
                    name: source.name.clone(),
                    kind: source.kind,
                    u: source.u,
                    unit: source.unit.to_string(),
                    degrees: source.degrees.is_finite().then_some(source.degrees),
                    distribution: source.distribution,
                    shared: true,
                    from: source.from.clone(),
                    derivative: Some(*derivative),
                });
                all.len() - 1
            });
            if of_a_portion {
                // Portions may state the same source with other figures; all of them in terms of the first.
                let one = derivative * source.u * source.unit.scale();
                let sums = drawn.entry(at).or_insert((0.0, 0.0));
                sums.0 += one * one;
                sums.1 += one.powi(4) / source.degrees;
                let (squares, fourths) = *sums;
                let first = &mut all[at];
                let u = first.u * Unit::parse(&first.unit).map_or(1.0, |unit| unit.scale());
                if u > 0.0 {
                    first.derivative = Some(squares.sqrt() / u);
                }
                first.degrees = (fourths > 0.0).then(|| squares * squares / fourths);
            }
        }
        all
    }

    fn source(&self, portion: u32) -> Result<Source, String> {
        Ok(Source {
            name: self.name.clone(),
            words: String::new(),
            u: self.u,
            unit: Unit::parse(&self.unit).map_err(|wrong| wrong.to_string())?,
            degrees: self.degrees.unwrap_or(f64::INFINITY),
            distribution: self.distribution,
            extent: if self.shared { Extent::Shared } else { Extent::Portion(portion) },
            kind: self.kind,
            from: self.from.clone(),
        })
    }
}

/// One value that formulae may use.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Input {
    /// Its name in formulae.
    pub name: String,
    /// The value in `unit`.
    pub value: f64,
    /// The unit.
    pub unit: String,
    /// Where it came from, in words.
    pub from: String,
    /// The document of the record that it was taken from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub datum: Option<i64>,
    /// Its sources of uncertainty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sources: Vec<InputSource>,
}

impl Input {
    /// The value with its unit.
    ///
    /// # Errors
    /// When the unit is not understood, in words.
    pub fn quantity(&self) -> Result<Quantity, String> {
        Ok(Quantity::new(self.value, Unit::parse(&self.unit).map_err(|wrong| wrong.to_string())?))
    }

    fn uncertain(&self, portion: u32, sources: &mut Sources) -> Result<Uncertain, String> {
        let quantity = self.quantity()?;
        let mut number = sources.exact(&quantity);
        for own in &self.sources {
            let known = if own.shared { sources.find(&own.name, own.kind) } else { None };
            let id = match known {
                Some(id) => id,
                None => sources.add(own.source(portion)?).map_err(|wrong| wrong.to_string())?,
            };
            match own.derivative {
                Some(derivative) => *number.parts.entry(id).or_insert(0.0) += derivative,
                None => {
                    let with = sources.quantity(&quantity, &[id]).map_err(|wrong| wrong.to_string())?;
                    for (id, part) in with.parts {
                        *number.parts.entry(id).or_insert(0.0) += part;
                    }
                }
            }
        }
        Ok(number)
    }
}

/// All inputs as a scope for formulae.
///
/// Shared sources meet by their name and kind in `sources`; the others belong to portion `portion`.
///
/// # Errors
/// In words, when an input is damaged.
pub fn scope_of(inputs: &[Input], portion: u32, sources: &mut Sources) -> Result<Scope, String> {
    let mut scope = Scope::default();
    for input in inputs {
        let number =
            input.uncertain(portion, sources).map_err(|why| format!("the input `{}`: {why}", input.name))?;
        scope.set(&input.name, number);
    }
    Ok(scope)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shared_source_meets_itself_and_one_of_portions_does_not() {
        let input = |shared: bool| Input {
            name: "V".to_owned(),
            value: 10.0,
            unit: "mL".to_owned(),
            from: String::new(),
            datum: None,
            sources: vec![InputSource {
                shared,
                ..InputSource::shared("burette", Kind::CalibrationOfVolume, 0.03, "mL", "")
            }],
        };
        for (shared, expected) in [(true, 0.06), (false, 0.03 * 2.0_f64.sqrt())] {
            let mut sources = Sources::default();
            let of = |portion, sources: &mut Sources| {
                scope_of(&[input(shared)], portion, sources).unwrap().get("V").unwrap().clone()
            };
            let (a, b) = (of(1, &mut sources), of(2, &mut sources));
            assert!((sources.u(&a.plus(&b)) - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn a_mean_of_portions_hands_on_less_than_one_of_them() {
        let mut sources = Sources::default();
        let input = |shared: bool, name: &str| Input {
            name: "V".to_owned(),
            value: 10.0,
            unit: "mL".to_owned(),
            from: String::new(),
            datum: None,
            sources: vec![InputSource {
                shared,
                degrees: Some(4.0),
                ..InputSource::shared(name, Kind::EndPoint, 0.03, "mL", "")
            }],
        };
        let mean = |inputs: &[Input], sources: &mut Sources| {
            let numbers: Vec<Uncertain> = (1..=3)
                .map(|portion| scope_of(inputs, portion, sources).unwrap().get("V").unwrap().clone())
                .collect();
            numbers[0].plus(&numbers[1]).plus(&numbers[2]).scaled(1.0 / 3.0)
        };
        for (shared, expected_ml, degrees) in [(false, 0.03 / 3.0_f64.sqrt(), 12.0), (true, 0.03, 4.0)] {
            let name = if shared { "burette" } else { "end-point V" };
            let number = mean(&[input(shared, name)], &mut sources);
            let handed = InputSource::of(&number, &sources);
            assert_eq!(handed.len(), 1);
            let again = Input { sources: handed, ..input(true, "") };
            let mut fresh = Sources::default();
            let x = scope_of(&[again], 1, &mut fresh).unwrap().get("V").unwrap().clone();
            // The coherent unit of volume is the millilitre.
            assert!((fresh.u(&x) - expected_ml).abs() < 1e-12, "{shared}: {}", fresh.u(&x));
            assert!((fresh.effective_degrees(&x) - degrees).abs() < 1e-9, "{shared}");
        }
    }

    #[test]
    fn a_computed_number_keeps_its_sources_through_text() {
        let mut sources = Sources::default();
        let id =
            sources.add(Source::student("scatter", 0.2, 2.0, "mg", Kind::Repeatability).unwrap()).unwrap();
        let number = sources.quantity(&"5 g".parse().unwrap(), &[id]).unwrap().scaled(3.0);
        let kept = serde_json::to_string(&InputSource::of(&number, &sources)).unwrap();
        let again = Input {
            name: "x".to_owned(),
            value: 15.0,
            unit: "g".to_owned(),
            from: String::new(),
            datum: None,
            sources: serde_json::from_str(&kept).unwrap(),
        };
        let mut fresh = Sources::default();
        let scope = scope_of(&[again], 1, &mut fresh).unwrap();
        let x = scope.get("x").unwrap();
        assert!((fresh.u(x) - 6e-4).abs() < 1e-15);
        assert!((fresh.effective_degrees(x) - 2.0).abs() < 1e-9);
    }
}
