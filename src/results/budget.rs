//! The uncertainty budget: which source contributes how much, and what follows for the result.

use super::sources::effective_degrees;
use super::{Distribution, Extent, Kind, Source, SourceId, Sources, Uncertain, Unit};
use crate::numeric::distribution::student_quantile;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How the expanded uncertainty is found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Coverage {
    /// A coverage probability, such as 0.95: the factor is Student's t of the effective degrees of freedom.
    Probability(f64),
    /// A fixed coverage factor, such as 2.
    Factor(f64),
}

impl Default for Coverage {
    fn default() -> Self {
        Self::Probability(0.95)
    }
}

impl Coverage {
    /// The coverage factor for these degrees of freedom (cut down to a whole number, JCGM 100:2008, G.4.1).
    ///
    /// Infinite degrees give the factor of the normal distribution. Below one degree the factor of one is used.
    #[must_use]
    pub fn factor(self, degrees: f64) -> f64 {
        match self {
            Self::Factor(k) => k,
            Self::Probability(p) => {
                let whole = degrees.floor().max(1.0);
                student_quantile(0.5 + 0.5 * p, whole).unwrap_or(f64::INFINITY)
            }
        }
    }
}

/// One line of a budget. Sources of single portions that have one name make one line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Name of the source.
    pub name: String,
    /// What it is, in words.
    pub words: String,
    /// Where it belongs.
    pub kind: Kind,
    /// Where the figure came from.
    pub from: String,
    /// Its distribution.
    pub distribution: Distribution,
    /// Standard uncertainty of the source in `unit` (root mean square where the line joins several portions).
    pub u: f64,
    /// The unit of `u`.
    pub unit: Unit,
    /// Sensitivity: unit of the result for each unit of the source. Of one portion where the line joins several.
    pub sensitivity: f64,
    /// Contribution to the standard uncertainty of the result, in the unit of the result, not negative.
    pub contribution: f64,
    /// Share of the variance of the result, 0 to 1.
    pub share: f64,
    /// Degrees of freedom (of the joined line, by Welch and Satterthwaite).
    #[serde(with = "super::degrees")]
    pub degrees: f64,
    /// How many portions it joins; 0 for a source that is shared by all.
    pub portions: usize,
}

/// The budget of one result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// The value in `unit`.
    pub value: f64,
    /// The unit of the result.
    pub unit: Unit,
    /// Combined standard uncertainty in `unit`.
    pub u: f64,
    /// Effective degrees of freedom; may be infinite.
    #[serde(with = "super::degrees")]
    pub degrees: f64,
    /// Coverage factor.
    pub k: f64,
    /// Expanded uncertainty k u in `unit`.
    pub expanded: f64,
    /// How the factor was found.
    pub coverage: Coverage,
    /// The lines, the largest contribution first.
    pub lines: Vec<Line>,
    /// Kinds that should be in the budget and are not: with any of these the budget is incomplete.
    pub missing: Vec<Kind>,
}

/// What every budget of a titration should hold.
pub const USUAL: &[Kind] = &[Kind::CalibrationOfVolume, Kind::CalibrationOfMass];

impl Budget {
    /// The budget of a number, told in `unit`.
    ///
    /// `expected` are the kinds without which it is incomplete, usually [`USUAL`]; a source that contributes nothing
    /// does not make it complete. Returns `None` if the unit measures something else than the number.
    #[must_use]
    pub fn of(
        number: &Uncertain,
        sources: &Sources,
        unit: &Unit,
        coverage: Coverage,
        expected: &[Kind],
    ) -> Option<Self> {
        if unit.dimension() != number.dimension {
            return None;
        }
        let u = unit.difference_from_coherent(sources.u(number)).abs();
        let mut lines = lines(number, sources, unit, u);
        lines.sort_by(|a, b| b.contribution.total_cmp(&a.contribution).then_with(|| a.name.cmp(&b.name)));
        let has = |kind: Kind| lines.iter().any(|line| line.kind == kind && line.contribution > 0.0);
        let missing = expected.iter().copied().filter(|kind| !has(*kind)).collect();
        let degrees = sources.effective_degrees(number);
        let k = coverage.factor(degrees);
        Some(Self {
            value: unit.from_coherent(number.value),
            unit: unit.clone(),
            u,
            degrees,
            k,
            expanded: k * u,
            coverage,
            lines,
            missing,
        })
    }

    /// Relative standard uncertainty; infinite for a value of zero.
    #[must_use]
    pub fn relative(&self) -> f64 {
        self.u / self.value.abs()
    }

    /// What is missing, in words; `None` for a complete budget.
    #[must_use]
    pub fn incomplete(&self) -> Option<String> {
        if self.missing.is_empty() {
            return None;
        }
        let kinds: Vec<&str> = self.missing.iter().map(|kind| kind.words()).collect();
        Some(format!("incomplete: nothing is entered for {}", kinds.join(" and ")))
    }
}

/// Sources that make one line, with their derivatives.
type Group<'a> = Vec<(SourceId, f64, &'a Source)>;

fn lines(number: &Uncertain, sources: &Sources, unit: &Unit, u: f64) -> Vec<Line> {
    // Shared sources stand alone, even if two have one name; those of portions meet under their name.
    let mut groups: BTreeMap<(Option<SourceId>, &str, Kind), Group<'_>> = BTreeMap::new();
    for (id, derivative) in &number.parts {
        let Some(source) = sources.get(*id) else { continue };
        let alone = (source.extent == Extent::Shared).then_some(*id);
        groups.entry((alone, &source.name, source.kind)).or_default().push((*id, *derivative, source));
    }
    groups.values().filter_map(|group| line(group, unit, u)).collect()
}

fn line(group: &Group<'_>, unit: &Unit, u: f64) -> Option<Line> {
    let (_, first_derivative, first) = group.first()?;
    let contributions: Vec<f64> = group.iter().map(|(_, d, source)| d * source.u_coherent()).collect();
    let variance: f64 = contributions.iter().map(|c| c * c).sum();
    let contribution = unit.difference_from_coherent(variance.sqrt()).abs();
    let mean_square = group.iter().map(|(_, _, s)| s.u * s.u).sum::<f64>() / group.len() as f64;
    let shared = first.extent == Extent::Shared;
    Some(Line {
        name: first.name.clone(),
        words: first.words.clone(),
        kind: first.kind,
        from: first.from.clone(),
        distribution: first.distribution,
        u: mean_square.sqrt(),
        unit: first.unit.clone(),
        sensitivity: unit.difference_from_coherent(*first_derivative) * first.unit.scale(),
        contribution,
        share: if u > 0.0 { (contribution / u).powi(2) } else { 0.0 },
        degrees: effective_degrees(contributions.iter().zip(group).map(|(c, (_, _, s))| (*c, s.degrees))),
        portions: if shared { 0 } else { group.len() },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::{Formula, Scope};

    #[test]
    fn lines_are_sorted_and_shares_make_one() {
        let mut sources = Sources::default();
        let mut scope = Scope::default();
        for (name, value, u, unit, kind) in [
            ("V", "18.64 mL", 0.013, "mL", Kind::CalibrationOfVolume),
            ("m", "0.3888 g", 0.13, "mg", Kind::CalibrationOfMass),
            ("P", "100 %", 0.0, "%", Kind::Standard),
        ] {
            let id = sources.add(Source::normal(name, u, unit, kind).unwrap()).unwrap();
            scope.set(name, sources.quantity(&value.parse().unwrap(), &[id]).unwrap());
        }
        let number = Formula::parse("m * P / V").unwrap().evaluate(&scope).unwrap();
        let unit = Unit::parse("g/L").unwrap();
        let budget = Budget::of(&number, &sources, &unit, Coverage::Factor(2.0), USUAL).unwrap();
        assert_eq!(budget.lines.iter().map(|l| l.name.as_str()).collect::<Vec<_>>(), ["V", "m", "P"]);
        assert!((budget.lines.iter().map(|l| l.share).sum::<f64>() - 1.0).abs() < 1e-12);
        assert!((budget.lines[1].sensitivity - 1.0 / 18.64).abs() < 1e-12, "g/L for each mg");
        assert!((budget.lines[1].contribution - 0.13 / 18.64).abs() < 1e-12);
        assert!((budget.expanded - 2.0 * budget.u).abs() < 1e-15);
        assert_eq!(budget.incomplete(), None);
        assert_eq!(Budget::of(&number, &sources, &Unit::one(), Coverage::default(), USUAL), None);
    }

    #[test]
    fn a_budget_without_calibrations_says_so() {
        let mut sources = Sources::default();
        let id =
            sources.add(Source::student("scatter", 0.01, 2.0, "mL", Kind::Repeatability).unwrap()).unwrap();
        let v = sources.quantity(&"10 mL".parse().unwrap(), &[id]).unwrap();
        let budget =
            Budget::of(&v, &sources, &Unit::parse("mL").unwrap(), Coverage::default(), USUAL).unwrap();
        assert_eq!(
            budget.incomplete().unwrap(),
            "incomplete: nothing is entered for calibration of volume and calibration of mass"
        );
        assert!((budget.k - 4.302_653).abs() < 1e-5);
        assert!((budget.degrees - 2.0).abs() < 1e-12);
    }

    #[test]
    fn coverage_cuts_degrees_down_and_bears_every_number_of_them() {
        let at = |degrees: f64| Coverage::Probability(0.95).factor(degrees);
        assert!((at(2.99) - 4.302_653).abs() < 1e-5);
        assert!((at(0.3) - 12.706_205).abs() < 1e-5);
        for degrees in [1e4, 1e6, 1e9, f64::INFINITY] {
            assert!((at(degrees) - 1.959_964).abs() < 3e-4, "{degrees}");
        }
    }
}
