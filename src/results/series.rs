//! The mean of the portions of a series, with its uncertainty.

use super::{BadSource, Extent, Kind, Source, SourceId, Sources, Uncertain, Unit};
use crate::numeric::distribution::chi_squared_cdf;
use serde::{Deserialize, Serialize};

/// Which of the two ways to see the scatter of the portions was used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scatter {
    /// The lines of the portions as propagated.
    Propagated,
    /// The observed standard deviation of the portions, because it is larger.
    Observed,
}

/// The mean of n portions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeriesMean {
    /// The mean; its parts are the shared sources, and either those of the portions or one source for their scatter.
    pub mean: Uncertain,
    /// Number of portions.
    pub n: usize,
    /// Standard uncertainty by the shared sources alone, in coherent units.
    pub shared: f64,
    /// Standard uncertainty of the mean by the lines of the portions, propagated (about u / sqrt n), in coherent units.
    pub propagated: f64,
    /// Standard deviation of the portions / sqrt n in coherent units; `None` for one portion.
    pub observed: Option<f64>,
    /// Which of the last two entered the mean.
    pub used: Scatter,
    /// Probability of a scatter at least as large as the observed one if the lines of the portions are true
    /// (chi-squared with n - 1 degrees of freedom): small values say that something is missing in the budget.
    pub plausibility: Option<f64>,
}

/// The mean of results that were evaluated over common sources.
///
/// Shared lines count once; the lines of the portions are the larger of what is propagated and what is observed.
/// `name` and `unit` are those of the result: the observed scatter becomes a source with n - 1 degrees of freedom in it.
///
/// # Errors
/// `None` inside for no results at all; an error when the scatter is not finite.
pub fn mean_of_portions(
    name: &str,
    results: &[Uncertain],
    unit: &Unit,
    sources: &mut Sources,
) -> Result<Option<SeriesMean>, BadSource> {
    let Some(mean) = Uncertain::mean(results) else { return Ok(None) };
    let n = results.len();
    let is_shared = |id: SourceId| sources.get(id).is_some_and(|source| source.extent == Extent::Shared);
    let (mut shared, mut own) = (mean.clone(), mean.clone());
    shared.parts.retain(|id, _| is_shared(*id));
    own.parts.retain(|id, _| !is_shared(*id));
    let (u_shared, propagated) = (sources.u(&shared), sources.u(&own));
    let variance =
        results.iter().map(|x| (x.value - mean.value).powi(2)).sum::<f64>() / (n.max(2) - 1) as f64;
    let observed = (n > 1).then(|| (variance / n as f64).sqrt());
    let degrees = (n - 1) as f64;
    let plausibility = observed
        .filter(|_| propagated > 0.0)
        .and_then(|s| chi_squared_cdf(degrees * (s / propagated).powi(2), degrees).map(|below| 1.0 - below));
    let mut used = Scatter::Propagated;
    let mut result = mean;
    if let Some(s) = observed.filter(|s| *s > propagated) {
        let unit_text = unit.to_string();
        let in_unit = unit.difference_from_coherent(s).abs();
        let source = Source::student(
            &format!("scatter of {name}"),
            in_unit,
            degrees,
            &unit_text,
            Kind::Repeatability,
        )?
        .told(
            &format!("standard deviation of {n} portions divided by the root of their number"),
            "observed; larger than what the lines of the portions explain",
        );
        let id = sources.add(source)?;
        result = shared;
        result.parts.insert(id, 1.0);
        used = Scatter::Observed;
    }
    Ok(Some(SeriesMean { mean: result, n, shared: u_shared, propagated, observed, used, plausibility }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::Quantity;

    fn portions(values: &[f64], u_own: f64) -> (Vec<Uncertain>, Sources) {
        let mut sources = Sources::default();
        let factor = sources.add(Source::normal("factor", 0.05, "mL", Kind::Factor).unwrap()).unwrap();
        let list = (1..)
            .zip(values)
            .map(|(portion, value)| {
                let own = Source::normal("weighing", u_own, "mL", Kind::CalibrationOfMass).unwrap();
                let own = sources.add(own.of_portion(portion)).unwrap();
                let quantity = Quantity::new(*value, Unit::parse("mL").unwrap());
                sources.quantity(&quantity, &[factor, own]).unwrap()
            })
            .collect();
        (list, sources)
    }

    #[test]
    fn shared_lines_count_once_and_own_lines_shrink_with_the_number() {
        let (results, mut sources) = portions(&[10.0, 10.01, 9.99, 10.0], 0.04);
        let unit = Unit::parse("mL").unwrap();
        let mean = mean_of_portions("V", &results, &unit, &mut sources).unwrap().unwrap();
        assert_eq!(mean.used, Scatter::Propagated);
        assert!((mean.propagated - 0.02).abs() < 1e-15 && (mean.shared - 0.05).abs() < 1e-15);
        assert!((sources.u(&mean.mean) - 0.05_f64.hypot(0.02)).abs() < 1e-15);
        assert!(mean.plausibility.unwrap() > 0.9);
        let budget = super::super::Budget::of(&mean.mean, &sources, &unit, Default::default(), &[]).unwrap();
        assert_eq!(budget.lines.len(), 2, "one line for the factor, one for all weighings");
        assert_eq!(budget.lines[1].portions, 4);
        assert!((budget.lines[1].contribution - 0.02).abs() < 1e-15);
        assert!((budget.lines[1].u - 0.04).abs() < 1e-15);
    }

    #[test]
    fn a_larger_scatter_takes_the_place_of_the_own_lines() {
        let (results, mut sources) = portions(&[10.0, 10.3, 9.7], 0.01);
        let mean =
            mean_of_portions("V", &results, &Unit::parse("mL").unwrap(), &mut sources).unwrap().unwrap();
        let wanted = 0.3 / 3_f64.sqrt();
        assert_eq!(mean.used, Scatter::Observed);
        assert!((mean.observed.unwrap() - wanted).abs() < 1e-12);
        assert!((sources.u(&mean.mean) - 0.05_f64.hypot(wanted)).abs() < 1e-12);
        assert!(mean.plausibility.unwrap() < 1e-6);
        let degrees = sources.effective_degrees(&mean.mean);
        assert!((degrees - 2.0 * (0.05_f64.hypot(wanted) / wanted).powi(4)).abs() < 1e-9);
    }

    #[test]
    fn one_portion_has_no_scatter_and_none_no_mean() {
        let (results, mut sources) = portions(&[10.0], 0.01);
        let unit = Unit::parse("mL").unwrap();
        let mean = mean_of_portions("V", &results, &unit, &mut sources).unwrap().unwrap();
        assert_eq!((mean.observed, mean.used), (None, Scatter::Propagated));
        assert_eq!(mean_of_portions("V", &[], &unit, &mut sources).unwrap(), None);
    }
}
