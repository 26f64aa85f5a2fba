//! The result of a series: the mean of its portions, what the limits say, what may be done next.

use super::{Input, InputSource, PortionResult, ResultValue, portion::numbers_of};
use crate::results::statistics::{OutlierAdvice, Standing, Summary, dixon, grubbs_one, grubbs_two};
use crate::results::{Scatter, SeriesMean, Sources, Uncertain, Verdict, mean_of_portions};
use crate::work::Role;
use crate::work::procedure::{AddWhen, Procedure, ResultRule};
use serde::{Deserialize, Serialize};

/// One portion of a series, as the record has it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeriesPortion {
    /// The run.
    pub run: i64,
    /// Which portion, from 1.
    pub portion: u32,
    /// What it is for.
    pub role: Role,
    /// Why it was set aside; such portions are listed and do not count.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_aside: Option<String>,
    /// It still goes on.
    #[serde(default)]
    pub going_on: bool,
    /// Its result.
    pub result: PortionResult,
}

impl SeriesPortion {
    fn counts(&self) -> bool {
        self.set_aside.is_none() && !self.going_on && !self.result.results.is_empty()
    }
}

/// A sentence of a judgement.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// Whether it is as it should be.
    pub passes: bool,
    /// In words.
    pub words: String,
}

/// What can be done next in a series.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "next")]
pub enum NextStep {
    /// Titrate this portion.
    Portion {
        /// Its number, from 1.
        portion: u32,
        /// Why, in words.
        why: String,
    },
    /// A portion goes on.
    Wait,
    /// The series is complete and passes.
    Done,
    /// The series is complete and does not pass: no further portion may be added.
    Failed {
        /// Why, in words.
        why: String,
    },
}

/// One result of a series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeriesValue {
    /// The mean with its uncertainty and budget.
    pub mean: ResultValue,
    /// The portions that count, in the unit of the result.
    pub values: Vec<f64>,
    /// Standard deviation in the unit of the result.
    pub s: Option<f64>,
    /// Relative standard deviation as a fraction.
    pub rsd: Option<f64>,
    /// Half the confidence interval of the mean by scatter alone, in the unit of the result.
    pub confidence: Option<f64>,
    /// Median in the unit of the result.
    pub median: f64,
    /// Robust standard deviation from the median of deviations, in the unit of the result.
    pub robust_s: f64,
    /// Standard uncertainty by the lines of the portions, propagated, in the unit of the result.
    pub u_propagated: f64,
    /// Standard uncertainty by what all portions share, in the unit of the result.
    pub u_shared: f64,
    /// s / sqrt n in the unit of the result.
    pub u_observed: Option<f64>,
    /// The observed scatter is the larger one and was used.
    pub scatter_used: bool,
    /// Probability of a scatter as large as this, if the budget of a portion is true.
    pub plausibility: Option<f64>,
}

/// What a series comes to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeriesResult {
    /// The results in the order of the procedure; empty while no portion counts.
    pub results: Vec<SeriesValue>,
    /// How many portions count.
    pub counted: usize,
    /// How many were started.
    pub started: usize,
    /// What the limits say.
    pub findings: Vec<Finding>,
    /// Outlier tests, as advice.
    pub advice: Vec<String>,
    /// What can be done next.
    pub next: NextStep,
}

impl SeriesResult {
    /// Whether the series is complete and everything is as it should be.
    #[must_use]
    pub fn passes(&self) -> bool {
        self.next == NextStep::Done
    }
}

/// Judges a series.
///
/// # Errors
/// In words, when a stored portion cannot be computed again.
pub fn judge(procedure: &Procedure, portions: &[SeriesPortion]) -> Result<SeriesResult, String> {
    let counted: Vec<&SeriesPortion> = portions.iter().filter(|p| p.counts()).collect();
    let inputs: Vec<&[Input]> = counted.iter().map(|p| p.result.inputs.as_slice()).collect();
    let results = means(procedure, &inputs)?;
    let mut findings = Vec::new();
    let mut advice = Vec::new();
    if let Some(first) = results.first() {
        let is_control = portions.iter().all(|portion| portion.role == Role::Control);
        limits(procedure, first, is_control, &mut findings)?;
        advice = outliers(&first.values).iter().map(|advice| named(advice, &counted)).collect();
    }
    let started = portions.len();
    let next = next(procedure, portions, counted.len(), &findings);
    Ok(SeriesResult { results, counted: counted.len(), started, findings, advice, next })
}

/// The sources of the mean of each result, so that it can enter further results (a factor, a blank).
///
/// # Errors
/// In words, when a portion cannot be computed.
pub fn mean_sources(
    procedure: &Procedure,
    portions: &[SeriesPortion],
) -> Result<Vec<Vec<InputSource>>, String> {
    let inputs: Vec<&[Input]> =
        portions.iter().filter(|p| p.counts()).map(|p| p.result.inputs.as_slice()).collect();
    let (means, sources) = mean_numbers(procedure, &inputs)?;
    Ok(means.iter().map(|(_, mean, _)| InputSource::of(&mean.mean, &sources)).collect())
}

/// A result with its mean and its portions.
type ResultMean<'p> = (&'p ResultRule, SeriesMean, Vec<Uncertain>);

/// The mean of each result with its portions, over common sources.
fn mean_numbers<'p>(
    procedure: &'p Procedure,
    portions: &[&[Input]],
) -> Result<(Vec<ResultMean<'p>>, Sources), String> {
    let mut sources = Sources::default();
    let mut by_result = vec![Vec::new(); procedure.results.len()];
    for (n, inputs) in (1..).zip(portions) {
        let numbers = numbers_of(procedure, inputs, n, &mut sources)?;
        for (list, number) in by_result.iter_mut().zip(numbers) {
            list.extend(number);
        }
    }
    let mut means = Vec::new();
    for (rule, numbers) in procedure.results.iter().zip(by_result) {
        // A mean over some of the portions would hide that the others lack the result.
        if numbers.len() < portions.len() {
            continue;
        }
        let mean =
            mean_of_portions(&rule.name, &numbers, &rule.unit, &mut sources).map_err(|e| e.to_string())?;
        if let Some(mean) = mean {
            means.push((rule, mean, numbers));
        }
    }
    Ok((means, sources))
}

/// The means of portions that are given by their inputs.
///
/// # Errors
/// In words, when a portion cannot be computed.
pub fn means(procedure: &Procedure, portions: &[&[Input]]) -> Result<Vec<SeriesValue>, String> {
    let (means, sources) = mean_numbers(procedure, portions)?;
    let mut out = Vec::new();
    for (rule, mean, numbers) in &means {
        let values: Vec<f64> = numbers.iter().map(|x| rule.unit.from_coherent(x.value)).collect();
        let Some(summary) = Summary::of(&values) else { continue };
        let told = |coherent: f64| rule.unit.difference_from_coherent(coherent).abs();
        out.push(SeriesValue {
            mean: ResultValue::of(procedure, rule, &mean.mean, &sources)?,
            s: summary.s,
            rsd: summary.relative(),
            confidence: summary.confidence(procedure.uncertainty.coverage),
            median: summary.median,
            robust_s: summary.robust_s,
            u_propagated: told(mean.propagated),
            u_shared: told(mean.shared),
            u_observed: mean.observed.map(told),
            scatter_used: mean.used == Scatter::Observed,
            plausibility: mean.plausibility,
            values,
        });
    }
    Ok(out)
}

/// A control material is no sample: where its content must lie is told by its chart, not by the limits of the product.
fn limits(
    procedure: &Procedure,
    first: &SeriesValue,
    is_control: bool,
    findings: &mut Vec<Finding>,
) -> Result<(), String> {
    let rules = &procedure.limits;
    let mut add = |passes: bool, words: String| findings.push(Finding { passes, words });
    if let (Some(most), Some(rsd)) = (rules.rsd_max, first.rsd) {
        let words =
            format!("relative standard deviation {:.3} %, at most {:.3} %", rsd * 100.0, most * 100.0);
        add(rsd <= most, words);
    }
    if let (Some(most), true) = (rules.range_max, first.values.len() > 1) {
        let (low, high) = first
            .values
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(*v), high.max(*v)));
        let range = (high - low) / first.mean.value.abs();
        add(
            range <= most,
            format!("range {:.3} % of the mean, at most {:.3} %", range * 100.0, most * 100.0),
        );
    }
    if let Some(limits) = rules.result.as_ref().filter(|_| !is_control)
        && let Some(rule) = procedure.results.first()
    {
        let m = &first.mean;
        let expanded = Some(m.expanded).filter(|u| *u > 0.0);
        let verdict = limits.judge(m.value, m.told_value, expanded, &rule.unit).map_err(|e| e.to_string())?;
        let bound = |q: &Option<crate::results::Quantity>| {
            q.as_ref().map_or_else(|| "any".to_owned(), ToString::to_string)
        };
        let words = format!(
            "{} {}: {} (from {} to {})",
            m.told,
            m.unit,
            verdict.words(),
            bound(&limits.from),
            bound(&limits.to)
        );
        add(verdict == Verdict::Within, words);
    }
    if let (Some(most), Some(nominal)) =
        (rules.from_nominal_max, procedure.reagent.as_ref().and_then(|r| r.nominal.as_ref()))
        && let Some(nominal) = procedure.results.first().and_then(|rule| nominal.in_unit(&rule.unit))
    {
        let away = (first.mean.value / nominal - 1.0).abs();
        let words = format!("{:.2} % from the nominal strength, at most {:.2} %", away * 100.0, most * 100.0);
        add(away <= most, words);
    }
    if let Some(p) = first.plausibility.filter(|p| *p < 0.01) {
        // Advice, not a limit: the observed scatter is what counts then.
        add(
            true,
            format!(
                "the portions scatter more than their budgets explain (probability {p:.4}); the observed scatter is used"
            ),
        );
    }
    Ok(())
}

/// All outlier tests that see more than chance.
fn outliers(values: &[f64]) -> Vec<OutlierAdvice> {
    [grubbs_one(values), grubbs_two(values), dixon(values)]
        .into_iter()
        .flatten()
        .filter(|advice| advice.standing != Standing::Unremarkable)
        .collect()
}

fn named(advice: &OutlierAdvice, counted: &[&SeriesPortion]) -> String {
    let which: Vec<String> = advice
        .suspects
        .iter()
        .filter_map(|at| {
            Some(format!("portion {} (run {})", counted.get(*at)?.portion, counted.get(*at)?.run))
        })
        .collect();
    format!(
        "{}: {}; advice only, nothing is excluded without a person and a reason",
        which.join(" and "),
        advice.words()
    )
}

fn next(procedure: &Procedure, portions: &[SeriesPortion], counted: usize, findings: &[Finding]) -> NextStep {
    let rules = &procedure.limits;
    if portions.iter().any(|p| p.going_on) {
        return NextStep::Wait;
    }
    let started = portions.len();
    let portion = portions.iter().map(|p| p.portion).max().unwrap_or(0) + 1;
    if started < rules.planned as usize {
        let why = format!("{} of {} planned", started + 1, rules.planned);
        return NextStep::Portion { portion, why };
    }
    let failing: Vec<&str> = findings.iter().filter(|f| !f.passes).map(|f| f.words.as_str()).collect();
    let short = counted < rules.needed as usize;
    if !short && failing.is_empty() {
        return NextStep::Done;
    }
    let scattered = failing
        .iter()
        .any(|words| words.starts_with("relative standard deviation") || words.starts_with("range"));
    let set_aside = portions.iter().any(|p| !p.counts());
    let may = match rules.add_when {
        AddWhen::Never => false,
        AddWhen::Rsd => scattered,
        AddWhen::SetAside => set_aside && short,
        AddWhen::Either => scattered || (set_aside && short),
    };
    if may && started < rules.most as usize {
        let why = format!(
            "the procedure allows up to {} portions: {}",
            rules.most,
            failing.first().unwrap_or(&"too few count")
        );
        return NextStep::Portion { portion, why };
    }
    let mut why: Vec<String> = failing.iter().map(|words| (*words).to_owned()).collect();
    if short {
        why.push(format!("{counted} portions count, {} are needed", rules.needed));
    }
    NextStep::Failed { why: why.join("; ") }
}
