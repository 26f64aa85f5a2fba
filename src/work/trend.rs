//! What the fits of earlier runs leave: trends of electrode and solutions, at no cost for the bench.

use super::{Kept, Role, RunEnd, RunHead, RunId};
use crate::detector::{Evaluation, Fitted};
use crate::results::control::{Change, change};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// So many of the latest runs of a group are looked at.
const LOOKED_AT: usize = 200;
/// The first so many of them tell what is usual.
const LEARN: usize = 10;
/// Fits that state a quantity no better than this, relative to its size, say nothing of its trend.
const BLUNT: f64 = 0.2;

/// What the best fit of a run found besides its end-points.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FitRecord {
    /// The run.
    pub run: RunId,
    /// What it may be compared with.
    pub group: FitGroup,
    /// The model.
    pub model: String,
    /// Its parameters.
    pub fitted: Vec<Fitted>,
    /// Scale of the residuals over what noise and burette explain (1 is right).
    pub misfit: f64,
    /// Correlation of neighbouring residuals.
    pub lag_one: f64,
}

/// Runs that may be compared: the same determination with the same things.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct FitGroup {
    /// Title of the procedure.
    pub title: String,
    /// What the portion was for.
    pub role: Role,
    /// The lot of the titrant, where one was named.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub titrant: String,
    /// The electrode, where one was named.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub electrode: String,
    /// The data came from a real instrument or a person.
    pub real: bool,
}

impl FitGroup {
    /// The group in words.
    #[must_use]
    pub fn words(&self) -> String {
        let mut words = format!("{} ({})", self.title, self.role.word());
        for (what, name) in [("titrant", &self.titrant), ("electrode", &self.electrode)] {
            if !name.is_empty() {
                words.push_str(&format!(", {what} {name}"));
            }
        }
        if !self.real {
            words.push_str(", simulated or replayed");
        }
        words
    }
}

impl FitRecord {
    /// What is kept of an evaluation; `None` when no model describes the curve.
    #[must_use]
    pub fn of(head: &RunHead, end: &RunEnd, evaluation: &Evaluation) -> Option<Self> {
        let best = evaluation.tried.iter().max_by(|a, b| a.weight.total_cmp(&b.weight))?;
        // Free runs have no determination in common.
        if best.weight <= 0.0 || evaluation.fitted.is_empty() || head.plan.procedure.is_empty() {
            return None;
        }
        let used = |kind: &str| head.plan.uses.get(kind).cloned().unwrap_or_default();
        Some(Self {
            run: end.run,
            group: FitGroup {
                title: head.title.clone(),
                role: head.plan.role,
                titrant: used(super::EquipmentKind::Titrant.word()),
                electrode: used(super::EquipmentKind::Electrode.word()),
                real: head.origin.is_real(),
            },
            model: best.model.clone(),
            fitted: evaluation.fitted.clone(),
            misfit: best.misfit,
            lag_one: best.lag_one,
        })
    }

    /// The quantities of which a trend makes sense: name, unit, value.
    fn quantities(&self) -> impl Iterator<Item = (&str, &str, f64)> {
        // What follows from the amount weighed in is no property of electrode or solutions.
        let of_the_portion = |name: &str| name == "sample volume" || name.starts_with("portion ");
        let told = self
            .fitted
            .iter()
            .filter(move |f| f.value.is_finite() && f.u <= BLUNT * f.value.abs() && !of_the_portion(&f.name));
        told.map(|f| (f.name.as_str(), f.unit.as_str(), f.value))
            .chain([("misfit of the curve", "", self.misfit), ("correlation of residuals", "", self.lag_one)])
    }
}

/// One quantity over the runs of a group.
#[derive(Debug, Clone, PartialEq)]
pub struct Trend {
    /// The runs that are compared.
    pub group: FitGroup,
    /// The quantity: `slope`, `pKa 1`, ...
    pub name: String,
    /// Its unit symbol.
    pub unit: String,
    /// Run and value, the oldest first.
    pub values: Vec<(RunId, f64)>,
    /// The first lasting change, if there is one.
    pub change: Option<Change>,
}

impl Trend {
    /// The change in words: what, since which run.
    #[must_use]
    pub fn words(&self) -> Option<String> {
        let change = self.change?;
        let since = self.values.get(change.since)?.0;
        Some(format!("{} has {} since run {since}", self.name, change.words()))
    }
}

/// Group, quantity and unit.
type Which<'a> = (&'a FitGroup, &'a str, &'a str);

/// The trends of all groups; the records the oldest first.
#[must_use]
pub fn trends(records: &[Kept<FitRecord>]) -> Vec<Trend> {
    let mut gathered: BTreeMap<Which<'_>, Vec<(RunId, f64)>> = BTreeMap::new();
    for record in records {
        for (name, unit, value) in record.it.quantities() {
            gathered.entry((&record.it.group, name, unit)).or_default().push((record.it.run, value));
        }
    }
    let trend = |((group, name, unit), values): (Which<'_>, Vec<(RunId, f64)>)| {
        let values = values[values.len().saturating_sub(LOOKED_AT)..].to_vec();
        let numbers: Vec<f64> = values.iter().map(|v| v.1).collect();
        let size = numbers.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
        // Values that repeat to the last digits are no reason to find a change in the next digit.
        let change = change(&numbers, LEARN, 1e-6 * size);
        Trend { group: group.clone(), name: name.to_owned(), unit: unit.to_owned(), values, change }
    };
    gathered.into_iter().map(trend).collect()
}

/// What the latest run makes certain: changes that are found with it and were not before it.
#[must_use]
pub fn newly_changed(records: &[Kept<FitRecord>], latest: &FitRecord) -> Vec<String> {
    let same: Vec<Kept<FitRecord>> =
        records.iter().filter(|kept| kept.it.group == latest.group).cloned().collect();
    trends(&same)
        .into_iter()
        .filter(|trend| {
            trend.change.is_some_and(|c| trend.values.get(c.at).is_some_and(|v| v.0 == latest.run))
        })
        .filter_map(|trend| trend.words())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(run: RunId, slope: f64, electrode: &str) -> Kept<FitRecord> {
        let group = FitGroup {
            title: "acidity".to_owned(),
            role: Role::Sample,
            titrant: String::new(),
            electrode: electrode.to_owned(),
            real: true,
        };
        let fitted = vec![
            Fitted { name: "slope".to_owned(), value: slope, u: 0.1, unit: "mV".to_owned() },
            Fitted { name: "pKa 1".to_owned(), value: 4.7, u: 9.0, unit: String::new() },
        ];
        let it = FitRecord { run, group, model: "weak acid".to_owned(), fitted, misfit: 1.0, lag_one: 0.0 };
        Kept { datum: run, utc_us: run, who: String::new(), it }
    }

    /// A slope that wavers by 0.2 mV, and falls by 2 mV with run 21.
    fn records() -> Vec<Kept<FitRecord>> {
        (1..=24)
            .map(|run| {
                let waver = 0.2 * (run as f64 * 2.4).sin();
                record(run, 58.0 + waver - if run >= 21 { 2.0 } else { 0.0 }, "glass 3")
            })
            .collect()
    }

    #[test]
    fn a_falling_slope_is_told_once_with_the_run_since_when() {
        let records = records();
        let told: Vec<(RunId, Vec<String>)> = (1..=records.len())
            .map(|n| (records[n - 1].it.run, newly_changed(&records[..n], &records[n - 1].it)))
            .filter(|(_, words)| !words.is_empty())
            .collect();
        assert_eq!(told.len(), 1, "{told:?}");
        assert!((21..=22).contains(&told[0].0));
        let words = &told[0].1[0];
        assert!(words.starts_with("slope has fallen by"), "{told:?}");
        // The value before it may already have lain low by chance.
        assert!(words.ends_with("since run 20") || words.ends_with("since run 21"), "{told:?}");
    }

    #[test]
    fn another_electrode_is_another_trend_and_blunt_figures_are_none() {
        let mut records = records();
        for record in &mut records[20..] {
            record.it.group.electrode = "glass 4".to_owned();
        }
        let all = trends(&records);
        assert!(all.iter().all(|trend| trend.change.is_none()), "{all:?}");
        assert_eq!(all.iter().filter(|trend| trend.name == "slope").count(), 2);
        assert!(all.iter().all(|trend| trend.name != "pKa 1"));
    }
}
