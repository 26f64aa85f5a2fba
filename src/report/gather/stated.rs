//! The numbers that a report states, computed from what the record keeps of them.

use super::{Error, Subject, chart, procedure_of};
use crate::report::Stated;
use crate::store::{Reader, StoredPortion};
use crate::work::result::{
    Assembled, PortionResult, ResultValue, SeriesPortion, SeriesResult, SeriesValue, evaluate_portion, judge,
};
use crate::work::{Role, RunId};
use std::collections::BTreeMap;

/// The portions of a sample with what they come to.
#[derive(Debug, Clone)]
pub(super) struct Group {
    pub(super) role: Role,
    pub(super) sample: String,
    pub(super) portions: Vec<StoredPortion>,
    outcome: Outcome,
}

#[derive(Debug, Clone)]
enum Outcome {
    Series(Box<SeriesResult>),
    Portion(Box<PortionResult>),
    None,
}

impl Group {
    pub(super) fn runs(&self) -> impl Iterator<Item = RunId> + '_ {
        self.portions.iter().map(|p| p.portion.run)
    }

    /// The judgement of the series.
    pub(super) fn series_result(&self) -> Option<&SeriesResult> {
        match &self.outcome {
            Outcome::Series(result) => Some(result),
            _ => None,
        }
    }

    /// The means.
    pub(super) fn values(&self) -> &[SeriesValue] {
        self.series_result().map_or(&[], |result| &result.results)
    }

    /// The first result of a single run.
    pub(super) fn alone(&self) -> Option<&ResultValue> {
        match &self.outcome {
            Outcome::Portion(result) => result.results.first(),
            _ => None,
        }
    }

    /// Why there is no result.
    pub(super) fn missing(&self) -> Vec<&str> {
        match &self.outcome {
            Outcome::Portion(result) => result.missing.iter().map(String::as_str).collect(),
            Outcome::Series(result) if result.results.is_empty() => vec!["no portion counts"],
            _ => Vec::new(),
        }
    }

    /// What is stated of it.
    pub(super) fn stated(&self) -> Vec<Stated> {
        let of = |value: &ResultValue, counted: usize, started: usize| Stated {
            role: self.role,
            sample: self.sample.clone(),
            run: self.alone().and_then(|_| self.portions.first().map(|p| p.portion.run)),
            name: value.name.clone(),
            unit: value.unit.clone(),
            value: value.value,
            u: value.u,
            k: value.k,
            coverage: value.coverage,
            told: value.told.clone(),
            told_expanded: value.told_expanded.clone(),
            line: value.line(),
            counted,
            started,
        };
        match &self.outcome {
            Outcome::Series(result) => {
                result.results.iter().map(|value| of(&value.mean, result.counted, result.started)).collect()
            }
            Outcome::Portion(result) => result.results.iter().map(|value| of(value, 1, 1)).collect(),
            Outcome::None => Vec::new(),
        }
    }
}

/// The numbers that a report on this subject states, computed again from the inputs in the record.
///
/// # Errors
/// When the record has nothing of it, or something in it cannot be computed again.
pub fn stated(reader: &Reader, subject: &Subject) -> Result<Vec<Stated>, Error> {
    match subject {
        Subject::Run(_) | Subject::Series(_) => Ok(of_groups(&groups(reader, subject)?)),
        _ => chart::stated(reader, subject),
    }
}

pub(super) fn of_groups(groups: &[Group]) -> Vec<Stated> {
    groups.iter().flat_map(Group::stated).collect()
}

/// The portions of the subject by what they are for and by sample; samples before controls, blanks last.
pub(super) fn groups(reader: &Reader, subject: &Subject) -> Result<Vec<Group>, Error> {
    let series = match subject {
        Subject::Series(series) => series,
        Subject::Run(run) => return Ok(vec![single(reader, *run)?]),
        _ => return Err(Error::Words("a chart has no portions of samples".to_owned())),
    };
    let portions = reader.series(series)?;
    if portions.is_empty() {
        let known: Vec<String> = reader.series_list(5)?.into_iter().map(|row| row.series).collect();
        return Err(Error::Words(format!(
            "there is no series \"{series}\"; the latest are: {}",
            known.join(", ")
        )));
    }
    let mut by_sample: BTreeMap<(u8, Role, String), Vec<StoredPortion>> = BTreeMap::new();
    for portion in portions {
        let role = portion.portion.role;
        let order = match role {
            Role::Sample => 0,
            Role::Standardisation => 1,
            Role::Control => 2,
            Role::Blank => 3,
        };
        by_sample.entry((order, role, portion.sample.clone())).or_default().push(portion);
    }
    let mut groups = Vec::new();
    for ((_, role, sample), portions) in by_sample {
        let outcome = if role == Role::Blank { Outcome::None } else { judged(&portions)? };
        groups.push(Group { role, sample, portions, outcome });
    }
    Ok(groups)
}

fn judged(portions: &[StoredPortion]) -> Result<Outcome, Error> {
    // The latest portion's procedure: a series is worked by one, and a change shows in its revision.
    let text = portions.last().map_or("", |p| p.head.plan.procedure.as_str());
    let Some(procedure) = procedure_of(text) else { return Ok(Outcome::None) };
    let parts: Vec<SeriesPortion> = portions.iter().map(|p| p.portion.clone()).collect();
    Ok(Outcome::Series(Box::new(judge(&procedure, &parts)?)))
}

/// One run: its result is computed from the inputs that were kept with it.
fn single(reader: &Reader, run: RunId) -> Result<Group, Error> {
    let stored = reader.run(run)?;
    let kept = reader.result(run)?.map(|kept| kept.it);
    let plan = &stored.head.plan;
    let outcome = match (kept.clone(), procedure_of(&plan.procedure)) {
        (Some(kept), Some(procedure)) if plan.role != Role::Blank && !procedure.results.is_empty() => {
            let assembled = Assembled { inputs: kept.inputs, warnings: kept.warnings, missing: kept.missing };
            Outcome::Portion(Box::new(evaluate_portion(&procedure, assembled)))
        }
        _ => Outcome::None,
    };
    let portion = StoredPortion {
        sample: plan.sample.clone(),
        origin: stored.head.origin,
        portion: SeriesPortion {
            run,
            portion: plan.portion,
            role: plan.role,
            set_aside: stored.row.set_aside.clone(),
            going_on: stored.row.ended.is_none(),
            result: kept.unwrap_or_default(),
        },
        head: stored.head.clone(),
    };
    Ok(Group { role: plan.role, sample: plan.sample.clone(), portions: vec![portion], outcome })
}
