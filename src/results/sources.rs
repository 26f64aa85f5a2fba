//! All sources of a reckoning: entered once, named by an identity, combined into standard uncertainties.

use super::{BadSource, Extent, Kind, Quantity, Source, Uncertain, Unit};
use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

/// Names one source of a [`Sources`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SourceId(usize);

/// All sources of uncertainty of a reckoning.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Sources {
    list: Vec<Source>,
}

impl Sources {
    /// Takes a source in.
    ///
    /// # Errors
    /// When uncertainty or degrees of freedom are negative or no numbers.
    pub fn add(&mut self, source: Source) -> Result<SourceId, BadSource> {
        let why = if !(source.u.is_finite() && source.u >= 0.0) {
            format!("it is {}", source.u)
        } else if source.degrees.is_nan() || source.degrees <= 0.0 {
            format!("it has {} degrees of freedom", source.degrees)
        } else {
            self.list.push(source);
            return Ok(SourceId(self.list.len() - 1));
        };
        Err(BadSource::Figures { name: source.name, why })
    }

    /// The source with that identity; `None` if it belongs to other sources.
    #[must_use]
    pub fn get(&self, id: SourceId) -> Option<&Source> {
        self.list.get(id.0)
    }

    /// All sources in the order in which they came in.
    pub fn iter(&self) -> impl Iterator<Item = (SourceId, &Source)> {
        self.list.iter().enumerate().map(|(i, source)| (SourceId(i), source))
    }

    /// The shared source of that name and kind, to let one thing enter once however often it is used.
    #[must_use]
    pub fn find(&self, name: &str, kind: Kind) -> Option<SourceId> {
        self.iter()
            .find(|(_, s)| s.extent == Extent::Shared && s.kind == kind && s.name == name)
            .map(|(id, _)| id)
    }

    /// A quantity without uncertainty.
    #[must_use]
    pub fn exact(&self, quantity: &Quantity) -> Uncertain {
        Uncertain::exact(quantity.coherent(), quantity.dimension())
    }

    /// A quantity to which each of the given sources adds its error as it is (derivative 1).
    ///
    /// A source that is a plain number beside a quantity with a dimension is a relative one: its derivative is the value.
    ///
    /// # Errors
    /// When a source measures something else than the quantity.
    pub fn quantity(&self, quantity: &Quantity, from: &[SourceId]) -> Result<Uncertain, BadSource> {
        let mut uncertain = self.exact(quantity);
        for id in from {
            let Some(source) = self.get(*id) else { continue };
            let derivative = if source.unit.dimension() == uncertain.dimension {
                1.0
            } else if source.unit.dimension().is_one() {
                uncertain.value
            } else {
                return Err(BadSource::Dimension {
                    name: source.name.clone(),
                    unit: source.unit.to_string(),
                    value: quantity.unit.to_string(),
                });
            };
            *uncertain.parts.entry(*id).or_insert(0.0) += derivative;
        }
        Ok(uncertain)
    }

    /// Several quantities that vary together, from their covariances in the squares and products of their own units.
    ///
    /// The covariance matrix (n x n, row by row) is split by Cholesky into n independent sources, made after
    /// `model` (its name gets a number; its `u` and unit are not used), so that any later formula keeps the correlation.
    /// Source: G. H. Golub, C. F. Van Loan, Matrix Computations, section 4.2. A matrix without full rank is allowed.
    ///
    /// # Errors
    /// When no quantities can have these covariances.
    pub fn correlated(
        &mut self,
        quantities: &[Quantity],
        covariance: &[f64],
        model: &Source,
    ) -> Result<Vec<Uncertain>, BadSource> {
        let n = quantities.len();
        let bad = |why: &str| BadSource::Covariance { why: why.to_owned() };
        if covariance.len() != n * n {
            return Err(bad("the matrix has not as many rows and columns as there are quantities"));
        }
        let matrix = DMatrix::from_row_slice(n, n, covariance);
        let factor = semidefinite_cholesky(&matrix).map_err(bad)?;
        let mut ids = Vec::with_capacity(n);
        for j in 0..n {
            let name = if n == 1 { model.name.clone() } else { format!("{} ({} of {n})", model.name, j + 1) };
            ids.push(self.add(Source { name, u: 1.0, unit: Unit::one(), ..model.clone() })?);
        }
        Ok(quantities
            .iter()
            .enumerate()
            .map(|(i, quantity)| {
                let mut uncertain = self.exact(quantity);
                for (j, id) in ids.iter().enumerate().take(i + 1) {
                    let part = factor[(i, j)] * quantity.unit.scale();
                    if part.abs() > 0.0 {
                        uncertain.parts.insert(*id, part);
                    }
                }
                uncertain
            })
            .collect())
    }

    /// Contribution of one source to the standard uncertainty of a number, with its sign.
    fn contribution(&self, id: SourceId, derivative: f64) -> f64 {
        self.get(id).map_or(0.0, |source| derivative * source.u_coherent())
    }

    /// Contributions of all sources to the standard uncertainty of a number, with sign, in coherent units.
    pub fn contributions(&self, of: &Uncertain) -> impl Iterator<Item = (SourceId, f64)> {
        of.parts.iter().map(|(id, derivative)| (*id, self.contribution(*id, *derivative)))
    }

    /// Combined standard uncertainty in coherent units.
    #[must_use]
    pub fn u(&self, of: &Uncertain) -> f64 {
        self.covariance(of, of).max(0.0).sqrt()
    }

    /// Covariance of two numbers in coherent units.
    #[must_use]
    pub fn covariance(&self, a: &Uncertain, b: &Uncertain) -> f64 {
        a.parts
            .iter()
            .filter_map(|(id, part)| {
                let other = b.parts.get(id)?;
                Some(self.contribution(*id, *part) * self.contribution(*id, *other))
            })
            .sum()
    }

    /// Effective degrees of freedom: JCGM 100:2008, G.4.1 (Welch-Satterthwaite). Infinite where nothing scatters.
    #[must_use]
    pub fn effective_degrees(&self, of: &Uncertain) -> f64 {
        effective_degrees(self.contributions(of).filter_map(|(id, c)| Some((c, self.get(id)?.degrees))))
    }
}

/// Welch-Satterthwaite over contributions with their degrees of freedom.
pub(super) fn effective_degrees(contributions: impl Iterator<Item = (f64, f64)>) -> f64 {
    let list: Vec<(f64, f64)> = contributions.collect();
    let largest = list.iter().fold(0.0_f64, |m, (c, _)| m.max(c.abs()));
    if largest <= 0.0 {
        return f64::INFINITY;
    }
    // By the largest one, so that a fourth power cannot leave the range.
    let variance: f64 = list.iter().map(|(c, _)| (c / largest).powi(2)).sum();
    let below: f64 = list.iter().filter(|(_, v)| v.is_finite()).map(|(c, v)| (c / largest).powi(4) / v).sum();
    if below > 0.0 { variance.powi(2) / below } else { f64::INFINITY }
}

/// Lower triangle L with L Lt = matrix, zero columns where the rank is spent.
fn semidefinite_cholesky(matrix: &DMatrix<f64>) -> Result<DMatrix<f64>, &'static str> {
    const ROUNDING: f64 = 1e-12;
    let n = matrix.nrows();
    if matrix.iter().any(|c| !c.is_finite()) {
        return Err("an entry is no number");
    }
    let mut lower = DMatrix::zeros(n, n);
    for j in 0..n {
        if matrix[(j, j)] < 0.0 {
            return Err("a variance is negative");
        }
        let rest = matrix[(j, j)] - (0..j).map(|k| lower[(j, k)] * lower[(j, k)]).sum::<f64>();
        if rest < -1e3 * ROUNDING * matrix[(j, j)] {
            return Err("a correlation is beyond 1");
        }
        let spent = rest <= ROUNDING * matrix[(j, j)];
        lower[(j, j)] = if spent { 0.0 } else { rest.sqrt() };
        for i in j + 1..n {
            let size = (matrix[(i, i)] * matrix[(j, j)]).max(0.0).sqrt();
            if (matrix[(i, j)] - matrix[(j, i)]).abs() > 1e3 * ROUNDING * size {
                return Err("the matrix is not symmetric");
            }
            let above = matrix[(i, j)] - (0..j).map(|k| lower[(i, k)] * lower[(j, k)]).sum::<f64>();
            if spent {
                if above.abs() > ROUNDING.sqrt() * size {
                    return Err("a correlation is beyond 1");
                }
            } else {
                lower[(i, j)] = above / lower[(j, j)];
            }
        }
    }
    Ok(lower)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::Dimension;
    use proptest::prelude::*;

    fn quantity(text: &str) -> Quantity {
        text.parse().unwrap()
    }

    #[test]
    fn a_factor_that_enters_twice_counts_as_one() {
        let mut sources = Sources::default();
        let factor = sources.add(Source::normal("factor", 0.001, "1", Kind::Factor).unwrap()).unwrap();
        let f = sources.quantity(&quantity("1.002"), &[factor]).unwrap();
        assert!((sources.u(&f.times(&f)) - 2.0 * 1.002 * 0.001).abs() < 1e-15);
        assert!(sources.u(&f.over(&f).unwrap()) < 1e-15);
        assert!((sources.u(&f.plus(&f)) - 0.002).abs() < 1e-15);
        assert_eq!(f.over(&Uncertain::exact(0.0, Dimension::ONE)), None);
    }

    #[test]
    fn sources_and_numbers_are_read_back_from_json() {
        let mut sources = Sources::default();
        let a = Source::triangular("burette", 0.03, "mL", Kind::CalibrationOfVolume).unwrap();
        let b = Source::student("scatter", 0.01, 2.0, "mL", Kind::Repeatability).unwrap().of_portion(2);
        let ids = [sources.add(a).unwrap(), sources.add(b).unwrap()];
        let v = sources.quantity(&quantity("18.64 mL"), &ids).unwrap();
        let json = serde_json::to_string(&(&sources, &v)).unwrap();
        assert!(
            json.contains(r#""degrees":"infinite""#) && json.contains(r#""dimension":{"length":3.0}"#),
            "{json}"
        );
        let back: (Sources, Uncertain) = serde_json::from_str(&json).unwrap();
        assert_eq!(back, (sources, v));
        assert!(serde_json::from_str::<Source>(&json.replace("infinite", "many")).is_err());
    }

    #[test]
    fn a_relative_source_follows_the_value() {
        let mut sources = Sources::default();
        let rep =
            sources.add(Source::normal("repeatability", 0.05, "%", Kind::Repeatability).unwrap()).unwrap();
        let v = sources.quantity(&quantity("20 mL"), &[rep]).unwrap();
        assert!((sources.u(&v) - 0.01).abs() < 1e-15);
        let mass = sources.add(Source::normal("mass", 0.1, "g", Kind::Other).unwrap()).unwrap();
        let error = sources.quantity(&quantity("20 mL"), &[mass]).unwrap_err().to_string();
        assert!(error.contains("is in g") && error.contains("in mL"), "{error}");
    }

    #[test]
    fn impossible_sources_are_refused() {
        let mut sources = Sources::default();
        for (u, degrees) in [(-1.0, 5.0), (f64::NAN, 5.0), (1.0, 0.0), (1.0, f64::NAN), (f64::INFINITY, 1.0)]
        {
            let source = Source::student("x", u, degrees, "g", Kind::Other).unwrap();
            assert!(sources.add(source).is_err(), "{u} {degrees}");
        }
    }

    /// JCGM 100:2008, H.2 (resistance from voltage, current and phase read together): inputs as printed in Table H.2,
    /// R = 127.732 ohm with u = 0.071 ohm as printed in Table H.3 (from memory of the guide).
    #[test]
    fn correlated_inputs_of_the_guide() {
        let (u_v, u_i, u_p) = (0.0032, 0.0095e-3, 0.00075);
        let (r_vi, r_vp, r_ip) = (-0.36, 0.86, -0.65);
        let covariance = [
            u_v * u_v,
            r_vi * u_v * u_i,
            r_vp * u_v * u_p,
            r_vi * u_v * u_i,
            u_i * u_i,
            r_ip * u_i * u_p,
            r_vp * u_v * u_p,
            r_ip * u_i * u_p,
            u_p * u_p,
        ];
        let mut sources = Sources::default();
        let model = Source::normal("readings", 0.0, "1", Kind::Other).unwrap();
        let inputs = sources
            .correlated(
                &[quantity("4.9990 V"), quantity("0.019661 A"), quantity("1.04446")],
                &covariance,
                &model,
            )
            .unwrap();
        for (i, a) in inputs.iter().enumerate() {
            for (j, b) in inputs.iter().enumerate() {
                let scale = [1e7, 1.0, 1.0];
                let wanted = covariance[3 * i + j] * scale[i] * scale[j];
                assert!((sources.covariance(a, b) - wanted).abs() <= 1e-12 * wanted.abs());
            }
        }
        let z = inputs[0].over(&inputs[1]).unwrap();
        let (sin, cos) = inputs[2].value.sin_cos();
        let r = Uncertain::combined(z.value * cos, z.dimension, &[(cos, &z), (-z.value * sin, &inputs[2])]);
        assert!((r.value * 1e-7 - 127.732).abs() < 0.001, "{}", r.value);
        assert!((sources.u(&r) * 1e-7 - 0.071).abs() < 0.002, "{}", sources.u(&r));
    }

    #[test]
    fn covariances_that_cannot_be_are_told() {
        let mut sources = Sources::default();
        let model = Source::normal("line", 0.0, "1", Kind::Electrode).unwrap();
        let two = [quantity("1 mV"), quantity("2 mV")];
        for (matrix, word) in [
            (vec![1.0, 2.0, 2.0, 1.0], "beyond 1"),
            (vec![1.0, 0.5, 0.1, 1.0], "symmetric"),
            (vec![-1.0, 0.0, 0.0, 1.0], "negative"),
            (vec![1.0], "as many rows"),
            (vec![f64::NAN, 0.0, 0.0, 1.0], "no number"),
        ] {
            let error = sources.correlated(&two, &matrix, &model).unwrap_err().to_string();
            assert!(error.contains(word), "{error}");
        }
        // Fully correlated is allowed: one source serves both.
        let both = sources.correlated(&two, &[1.0, 2.0, 2.0, 4.0], &model).unwrap();
        assert!(sources.u(&both[1].minus(&both[0].scaled(2.0))) < 1e-12);
    }

    /// JCGM 100:2008, H.1.6 (calibration of an end-gauge): contributions in nm with their degrees of freedom give 16.7,
    /// cut to 16 (figures from memory of the guide).
    #[test]
    fn effective_degrees_of_the_end_gauge() {
        let list = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)];
        let v = effective_degrees(list.into_iter());
        assert!((16.6..16.85).contains(&v), "{v}");
    }

    proptest! {
        #[test]
        fn degrees_lie_between_the_smallest_and_the_sum(
            list in proptest::collection::vec((0.01_f64..10.0, 1.0_f64..50.0), 1..8)
        ) {
            let v = effective_degrees(list.iter().copied());
            let least = list.iter().fold(f64::INFINITY, |m, (_, v)| m.min(*v));
            let sum: f64 = list.iter().map(|(_, v)| v).sum();
            prop_assert!(v >= least * (1.0 - 1e-12) && v <= sum * (1.0 + 1e-12));
        }
    }
}
