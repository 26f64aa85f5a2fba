//! Monte Carlo propagation, as a cross-check of the first-order one.
//!
//! Source: JCGM 101:2008 (GUM Supplement 1), clauses 6.4 and 7: every source is drawn from its distribution, the same
//! formulae are evaluated, and the results are sorted.

use super::formula::{Number, Values};
use super::{Distribution, Formula, FormulaError, Formulae, Scope, Source, SourceId, Sources, Uncertain};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal, StudentT};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Fewest and most trials.
const TRIALS: (usize, usize) = (100, 10_000_000);

/// What a simulation gave, in coherent units.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Simulated {
    /// Mean of the trials.
    pub mean: f64,
    /// Standard deviation of the trials.
    pub u: f64,
    /// Standard error of `mean`.
    pub error_of_mean: f64,
    /// Standard error of `u`, from the fourth moment.
    pub error_of_u: f64,
    /// The probabilistically symmetric interval of the probability asked for.
    pub interval: (f64, f64),
    /// Trials that have a value.
    pub trials: usize,
    /// Trials for which the formula has no value (a division by zero, a root of a negative number).
    pub failed: usize,
}

/// Values of one trial.
struct Trial<'a> {
    names: &'a BTreeMap<String, f64>,
    molar_masses: &'a BTreeMap<String, f64>,
    scope: &'a Scope,
}

impl Values<f64> for Trial<'_> {
    fn name(&self, name: &str) -> Option<f64> {
        self.names.get(name).copied()
    }
    fn molar_mass(&self, substance: &str) -> Option<f64> {
        self.molar_masses
            .get(substance)
            .copied()
            .or_else(|| Values::<Uncertain>::molar_mass(self.scope, substance).map(|m| m.value()))
    }
}

/// Simulates one of several results: `wanted` is its name, `seed` makes it repeatable.
///
/// The values of `scope` vary as their sources say; the result is evaluated `trials` times (held to 100..10 000 000).
/// The interval encloses `probability` of the trials.
///
/// # Errors
/// As the evaluation of the formulae at the values themselves.
pub fn simulate(
    formulae: &Formulae,
    wanted: &str,
    scope: &Scope,
    sources: &Sources,
    options: Simulation,
) -> Result<Simulated, FormulaError> {
    formulae.evaluate(scope)?;
    let needed: Vec<(&str, &Formula)> = formulae.needed_for(wanted);
    let ids: BTreeSet<SourceId> =
        scope.iter().chain(scope.molar_masses()).flat_map(|(_, value)| value.parts.keys().copied()).collect();
    let mut generator = ChaCha8Rng::seed_from_u64(options.seed);
    let mut errors: BTreeMap<SourceId, f64> = BTreeMap::new();
    let plain = |(name, value): (&str, &Uncertain)| (name.to_owned(), value.value);
    let mut names: BTreeMap<String, f64> = scope.iter().map(plain).collect();
    let mut molar_masses: BTreeMap<String, f64> = scope.molar_masses().map(plain).collect();
    let trials = options.trials.clamp(TRIALS.0, TRIALS.1);
    let mut values = Vec::with_capacity(trials);
    for _ in 0..trials {
        for id in &ids {
            if let Some(source) = sources.get(*id) {
                errors.insert(*id, draw(source, &mut generator));
            }
        }
        let shifted = |value: &Uncertain| {
            value.value + value.parts.iter().filter_map(|(id, d)| Some(d * errors.get(id)?)).sum::<f64>()
        };
        for (name, value) in scope.iter() {
            set(&mut names, name, shifted(value));
        }
        for (name, value) in scope.molar_masses() {
            set(&mut molar_masses, name, shifted(value));
        }
        let mut last = None;
        for (name, formula) in &needed {
            let trial = Trial { names: &names, molar_masses: &molar_masses, scope };
            last = formula.compute::<f64>(&trial).ok();
            let Some(value) = last else { break };
            set(&mut names, name, value);
        }
        values.extend(last);
    }
    Ok(summary(values, trials, options.probability))
}

/// Sets a value without a copy of its name where there is one already.
fn set(values: &mut BTreeMap<String, f64>, name: &str, value: f64) {
    match values.get_mut(name) {
        Some(slot) => *slot = value,
        None => {
            values.insert(name.to_owned(), value);
        }
    }
}

/// How to simulate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Simulation {
    /// Number of trials.
    pub trials: usize,
    /// Seed of the random numbers.
    pub seed: u64,
    /// Probability of the interval, such as 0.95.
    pub probability: f64,
}

impl Default for Simulation {
    fn default() -> Self {
        Self { trials: 200_000, seed: 1, probability: 0.95 }
    }
}

/// An error drawn from a source, in coherent units.
fn draw(source: &Source, generator: &mut ChaCha8Rng) -> f64 {
    let unit = match source.distribution {
        Distribution::Normal => generator.sample(StandardNormal),
        Distribution::Rectangular => 3_f64.sqrt() * (2.0 * generator.random::<f64>() - 1.0),
        Distribution::Triangular => 6_f64.sqrt() * (generator.random::<f64>() - generator.random::<f64>()),
        // JCGM 101:2008, 6.4.9: x + u t; without a finite number of degrees it is normal.
        Distribution::Student => match StudentT::new(source.degrees) {
            Ok(t) if source.degrees.is_finite() => t.sample(generator),
            _ => generator.sample(StandardNormal),
        },
    };
    unit * source.u_coherent()
}

fn summary(mut values: Vec<f64>, asked: usize, probability: f64) -> Simulated {
    let n = values.len();
    let count = n.max(1) as f64;
    let mean = values.iter().sum::<f64>() / count;
    let second = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count;
    let fourth = values.iter().map(|v| (v - mean).powi(4)).sum::<f64>() / count;
    let u = (second * count / (count - 1.0).max(1.0)).sqrt();
    let error_of_u =
        if u > 0.0 { ((fourth - second * second).max(0.0) / count).sqrt() / (2.0 * u) } else { 0.0 };
    values.sort_by(f64::total_cmp);
    let at = |p: f64| {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0..n by the clamp")]
        let i = (p * count).floor().clamp(0.0, (count - 1.0).max(0.0)) as usize;
        values.get(i).copied().unwrap_or(f64::NAN)
    };
    let out = 0.5 * (1.0 - probability.clamp(0.0, 1.0));
    Simulated {
        mean,
        u,
        error_of_mean: u / count.sqrt(),
        error_of_u,
        interval: (at(out), at(1.0 - out)),
        trials: n,
        failed: asked - n,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::{Kind, Quantity, Unit};
    use proptest::prelude::*;

    fn one(text: &str) -> Formulae {
        Formulae::new(vec![("y".to_owned(), Formula::parse(text).unwrap())]).unwrap()
    }

    #[test]
    fn each_distribution_has_its_standard_deviation_and_its_ends() {
        for (distribution, quantile) in [
            (Distribution::Normal, 1.959_964),
            (Distribution::Rectangular, 3_f64.sqrt() * 0.95),
            // Triangular: 1 - sqrt(0.05) of the half width.
            (Distribution::Triangular, 6_f64.sqrt() * (1.0 - 0.05_f64.sqrt())),
        ] {
            let mut sources = Sources::default();
            let source = Source { distribution, ..Source::normal("x", 2.0, "1", Kind::Other).unwrap() };
            let id = sources.add(source).unwrap();
            let mut scope = Scope::default();
            scope.set("x", sources.quantity(&"10".parse().unwrap(), &[id]).unwrap());
            let got = simulate(&one("x"), "y", &scope, &sources, Simulation::default()).unwrap();
            assert!((got.u - 2.0).abs() < 5.0 * got.error_of_u, "{distribution:?} {got:?}");
            assert!((got.mean - 10.0).abs() < 5.0 * got.error_of_mean);
            let half = 0.5 * (got.interval.1 - got.interval.0);
            assert!((half / (2.0 * quantile) - 1.0).abs() < 0.01, "{distribution:?} {half}");
        }
    }

    /// The scatter of few readings has the heavy tails of Student's t: 4.303 for two degrees, not 1.96.
    #[test]
    fn few_readings_have_heavy_tails() {
        let mut sources = Sources::default();
        let id = sources.add(Source::student("x", 1.0, 2.0, "1", Kind::Repeatability).unwrap()).unwrap();
        let mut scope = Scope::default();
        scope.set("x", sources.quantity(&"0".parse().unwrap(), &[id]).unwrap());
        let got = simulate(&one("x"), "y", &scope, &sources, Simulation::default()).unwrap();
        assert!((got.interval.1 / 4.302_653 - 1.0).abs() < 0.03, "{got:?}");
    }

    #[test]
    fn the_seed_decides_and_failures_are_counted() {
        let mut sources = Sources::default();
        let id = sources.add(Source::normal("x", 1.0, "1", Kind::Other).unwrap()).unwrap();
        let mut scope = Scope::default();
        scope.set("x", sources.quantity(&"1".parse().unwrap(), &[id]).unwrap());
        let run = |seed| {
            let options = Simulation { trials: 5_000, seed, ..Simulation::default() };
            simulate(&one("ln(x)"), "y", &scope, &sources, options).unwrap()
        };
        assert_eq!(run(7), run(7));
        assert_ne!(run(7), run(8));
        // P(x < 0) = 0.159 for a normal variable one standard deviation above zero.
        assert!((run(7).failed as f64 / 5_000.0 - 0.1587).abs() < 0.03);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(12))]
        /// First order and simulation agree where the formula is nearly straight within the uncertainties.
        #[test]
        fn propagation_agrees_with_simulation(
            v in 5.0_f64..20.0, m in 0.2_f64..5.0, u in 1e-4_f64..3e-3, r in -0.9_f64..0.9, seed in 0_u64..1000,
        ) {
            let mut sources = Sources::default();
            let mut scope = Scope::default();
            let quantity = |value: f64, unit: &str| Quantity::new(value, Unit::parse(unit).unwrap());
            let (u_v, u_m) = (u * v, 0.7 * u * m);
            let model = Source::normal("joint", 0.0, "1", Kind::Other).unwrap();
            let covariance = [u_v * u_v, r * u_v * u_m, r * u_v * u_m, u_m * u_m];
            let joint = sources.correlated(&[quantity(v, "mL"), quantity(m, "g")], &covariance, &model).unwrap();
            scope.set("V", joint[0].clone());
            scope.set("m", joint[1].clone());
            let c = sources.add(Source::rectangular("c", 1e-4, "mol/L", Kind::Factor).unwrap()).unwrap();
            scope.set("c", sources.quantity(&quantity(0.1, "mol/L"), &[c]).unwrap());
            let formulae = Formulae::new(vec![
                ("n".to_owned(), Formula::parse("V * c").unwrap()),
                ("y".to_owned(), Formula::parse("sqrt(n * M(HCl) / m) + log10(n / 1 [mmol])").unwrap()),
            ]).unwrap();
            let first = &formulae.evaluate(&scope).unwrap()["y"];
            let options = Simulation { trials: 40_000, seed, ..Simulation::default() };
            let got = simulate(&formulae, "y", &scope, &sources, options).unwrap();
            prop_assert!((got.u - sources.u(first)).abs() < 5.0 * got.error_of_u + 1e-3 * got.u, "{:?} {}", got, sources.u(first));
            prop_assert!((got.mean - first.value).abs() < 5.0 * got.error_of_mean + 1e-2 * got.u);
        }
    }
}
