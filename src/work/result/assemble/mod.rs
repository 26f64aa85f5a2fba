//! From a run to the inputs of its result: end-points, what was typed, and what the record knows beside the run.

mod blank;
mod find;
mod level;
mod measured;
mod strength;
mod typed;

pub use level::titrant_per_signal;
pub use typed::{typed_titrant, typed_with_unit};

use super::portion::REPEATABILITY;
use super::{Input, InputSource};
use crate::detector::EndPoint;
use crate::results::{Distribution, Kind};
use crate::work::procedure::{DistributionWord, Find, Procedure, RUN_TIME};
use crate::work::{Equipment, EquipmentKind, Kept, Stock};
use std::collections::BTreeMap;

/// Expansion of dilute aqueous titrants near 20 degrees Celsius in 1/K (EURACHEM/CITAC guide CG 4, examples A2 and A3,
/// from memory; 2.07e-4 follows from the density equation of Tanaka et al., Metrologia 38 (2001) 301).
pub const WATER_EXPANSION_PER_K: f64 = 2.1e-4;

/// What is known of a portion beside the procedure.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PortionFacts {
    /// The run; 0 for one that is not in a record.
    pub run: i64,
    /// Its series.
    pub series: String,
    /// Values as typed, by their names: `5.0231 g`.
    pub values: BTreeMap<String, String>,
    /// Equipment and lots by kind or by the name in formulae.
    pub uses: BTreeMap<String, String>,
    /// End-points of the final evaluation, in their order.
    pub end_points: Vec<EndPoint>,
    /// The titrant was weighed.
    pub by_mass: bool,
    /// Titrant for a unit of signal at end-points: the end-point, and the slope of the curve there upside down.
    pub per_signal: Vec<(f64, f64)>,
    /// Duration in s.
    pub duration_s: Option<f64>,
    /// Temperature of the solution in degrees Celsius, if it was measured.
    pub temperature_c: Option<f64>,
    /// The data come from a real instrument or a person.
    pub real: bool,
    /// When the run began, microseconds since 1970 UTC.
    pub utc_us: i64,
}

/// The inputs of a result, and what is to be said about them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Assembled {
    /// What formulae may use.
    pub inputs: Vec<Input>,
    /// Things to know; the result stands.
    pub warnings: Vec<String>,
    /// Without these there is no result, in words.
    pub missing: Vec<String>,
}

impl Assembled {
    /// Gathers the inputs of a portion.
    #[must_use]
    pub fn of(procedure: &Procedure, facts: &PortionFacts, stock: &Stock) -> Self {
        let mut all = Gathering { procedure, facts, stock, out: Self::default() };
        if facts.by_mass != procedure.is_by_mass() {
            let (was, is) = if facts.by_mass { ("weighed", "volume") } else { ("not weighed", "mass") };
            all.out.missing.push(format!("the titrant was {was}, the procedure dispenses it by {is}"));
            return all.out;
        }
        all.finds();
        all.blanks();
        all.strengths();
        for asked in &procedure.asked {
            all.asked(asked);
        }
        for constant in &procedure.constants {
            all.constant(constant);
        }
        all.repeatability();
        let typed = facts.values.get(RUN_TIME).and_then(|text| typed_with_unit(text, "s").ok());
        let (seconds, from) = match typed {
            Some((quantity, _)) => (Some(quantity.coherent()), "keyed"),
            None => (facts.duration_s, "clock of the run"),
        };
        if let Some(seconds) = seconds {
            all.put(RUN_TIME, seconds, "s", from, None, Vec::new());
        }
        all.out
    }
}

struct Gathering<'a> {
    procedure: &'a Procedure,
    facts: &'a PortionFacts,
    stock: &'a Stock,
    out: Assembled,
}

/// Which of the end-points belongs to which find: those in its window, else in their order.
#[must_use]
pub fn match_finds<'e>(finds: &[&Find], end_points: &'e [EndPoint]) -> Vec<Option<&'e EndPoint>> {
    let mut free: Vec<&EndPoint> = end_points.iter().collect();
    free.sort_by(|a, b| a.titrant.total_cmp(&b.titrant));
    let mut matched: Vec<Option<&EndPoint>> = vec![None; finds.len()];
    for (slot, find) in matched.iter_mut().zip(finds) {
        if let Some((from, to)) = find.window
            && let Some(at) = free.iter().position(|e| (from..=to).contains(&e.titrant))
        {
            *slot = Some(free.remove(at));
        }
    }
    for (slot, find) in matched.iter_mut().zip(finds) {
        if slot.is_none() && find.window.is_none() && !free.is_empty() {
            *slot = Some(free.remove(0));
        }
    }
    matched
}

impl<'a> Gathering<'a> {
    /// Scatter of the whole determination, as validation or the analyst states it: a factor of 1.
    fn repeatability(&mut self) {
        let typed = self.facts.values.get(REPEATABILITY).map(|text| typed_with_unit(text, "1"));
        let stated = match typed {
            Some(Ok((quantity, _))) => Some(quantity.coherent()),
            Some(Err(why)) => {
                self.out.missing.push(format!("the repeatability: {why}"));
                None
            }
            None => self.procedure.uncertainty.repeatability,
        };
        if let Some(u) = stated {
            let name = "repeatability of the procedure";
            let own = InputSource::shared(name, Kind::Repeatability, u, "1", "validation, as stated");
            self.put(REPEATABILITY, 1.0, "1", "stated", None, vec![own.of_each_portion()]);
        }
    }

    fn put(
        &mut self,
        name: &str,
        value: f64,
        unit: &str,
        from: &str,
        datum: Option<i64>,
        sources: Vec<InputSource>,
    ) {
        self.out.inputs.push(Input {
            name: name.to_owned(),
            value,
            unit: unit.to_owned(),
            from: from.to_owned(),
            datum: datum.filter(|id| *id > 0),
            sources,
        });
    }

    /// A piece of equipment: named for this value, named for its kind, or the only one that fits.
    fn equipment(
        &self,
        kind: EquipmentKind,
        for_name: &str,
        fits: impl Fn(&Equipment) -> bool,
    ) -> Option<&'a Kept<Equipment>> {
        let named = self.facts.uses.get(for_name).or_else(|| self.facts.uses.get(kind.word()));
        match named {
            Some(name) => self.stock.named(kind, name),
            None => self.stock.only(kind, fits),
        }
    }

    fn titrant_unit(&self) -> &'static str {
        self.procedure.titrant_unit()
    }
}

fn distribution(word: Option<DistributionWord>) -> Distribution {
    match word {
        Some(DistributionWord::Rectangular) => Distribution::Rectangular,
        Some(DistributionWord::Triangular) => Distribution::Triangular,
        Some(DistributionWord::NormalK2) | None => Distribution::Normal,
    }
}

#[cfg(test)]
mod tests {
    use super::find::correction;
    use super::*;

    #[test]
    fn typed_values_carry_unit_and_uncertainty() {
        let (q, u) = typed_with_unit("18.64 mL +- 0.013", "mL").unwrap();
        assert_eq!((q.value, u), (18.64, Some(0.013)));
        let (q, u) = typed_with_unit("0.3888 ± 0.13 mg", "g").unwrap();
        assert_eq!(q.unit.to_string(), "g");
        assert!((u.unwrap() - 1.3e-4).abs() < 1e-12);
        assert!(typed_with_unit("5 g +- 1 mL", "g").is_err());
        assert!(typed_with_unit("5,2 g", "g").is_err());
        assert!((typed_titrant("12 uL", "mL").unwrap().0 - 0.012).abs() < 1e-12);
    }

    #[test]
    fn a_correction_lies_on_the_line_between_the_volumes_of_the_check() {
        let table = [(5.0, 0.004), (10.0, 0.010), (20.0, -0.002)];
        for (volume, expected) in [(0.0, 0.0), (2.5, 0.002), (7.5, 0.007), (15.0, 0.004), (25.0, -0.002)] {
            assert!((correction(&table, volume) - expected).abs() < 1e-12, "{volume}");
        }
        assert!(correction(&[], 3.0).abs() < 1e-12);
    }
}
