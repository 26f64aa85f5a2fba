//! The page of a series: portions side by side, what they come to, what comes next.

use super::books::consult;
use super::desk::{Group, Question};
use super::entry::Asks;
use super::hands;
use super::state::State;
use super::update::{Effect, warn};
use crate::work::result::NextStep;
use crate::work::{EquipmentKind, Role, RunId, RunPlan};

/// Where one is on the page.
#[derive(Debug, Clone, Default)]
pub(super) struct SeriesPage {
    /// The series that is looked at.
    pub(super) name: Option<String>,
    /// Line chosen, over all groups and their portions.
    pub(super) line: usize,
}

/// A line of the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Row {
    /// The heading of a group.
    Group(usize),
    /// A portion of a group.
    Portion(usize, usize),
}

/// The lines of the page.
pub(super) fn rows(groups: &[Group]) -> Vec<Row> {
    let of = |(at, group): (usize, &Group)| {
        let portions = (0..group.portions.len()).map(move |n| Row::Portion(at, n));
        std::iter::once(Row::Group(at)).chain(portions)
    };
    groups.iter().enumerate().flat_map(of).collect()
}

/// The groups of the series that is looked at.
pub(super) fn groups(state: &State) -> &[Group] {
    match &state.books.series {
        Some((name, groups)) if state.series.name.as_ref() == Some(name) => groups,
        _ => &[],
    }
}

/// The line chosen.
pub(super) fn row(state: &State) -> Option<Row> {
    rows(groups(state)).get(state.series.line).copied()
}

/// The group that is looked at.
pub(super) fn group(state: &State) -> Option<&Group> {
    match row(state)? {
        Row::Group(at) | Row::Portion(at, _) => groups(state).get(at),
    }
}

/// The run of the portion chosen.
pub(super) fn run(state: &State) -> Option<RunId> {
    match row(state)? {
        Row::Portion(at, n) => groups(state).get(at)?.portions.get(n).map(|(p, _)| p.run),
        Row::Group(_) => None,
    }
}

/// Keeps the chosen line within the page.
pub(super) fn clamp(state: &mut State) {
    let count = rows(groups(state)).len();
    state.series.line = state.series.line.min(count.saturating_sub(1));
}

/// To the series before or after in the list (the list has the latest first).
pub(super) fn turn(state: &mut State, older: bool) -> Vec<Effect> {
    let list = &state.books.list;
    let at = list.iter().position(|line| Some(&line.series) == state.series.name.as_ref());
    let to = match (at, older) {
        (None, _) => 0,
        (Some(at), true) => (at + 1).min(list.len().saturating_sub(1)),
        (Some(at), false) => at.saturating_sub(1),
    };
    let Some(name) = list.get(to).map(|line| line.series.clone()) else { return Vec::new() };
    if state.series.name.as_ref() != Some(&name) {
        state.series.line = 0;
    }
    state.series.name = Some(name.clone());
    consult(state, Question::Series(name))
}

/// The plan of the portion that comes next in a group.
pub(super) fn next_plan(group: &Group) -> RunPlan {
    let portion = match &group.result.as_ref().map(|r| &r.next) {
        Some(NextStep::Portion { portion, .. }) => *portion,
        _ => group.portions.iter().map(|(p, _)| p.portion).max().unwrap_or(0) + 1,
    };
    RunPlan {
        portion,
        portions: group.plan.portions.max(portion),
        mass_g: None,
        reason: None,
        warnings: Vec::new(),
        weighed: None,
        values: group
            .plan
            .values
            .iter()
            .filter(|(name, _)| name.as_str() != "m")
            .map(|(n, v)| (n.clone(), v.clone()))
            .collect(),
        ..group.plan.clone()
    }
}

/// Opens the form with the portion that comes next.
pub(super) fn next(state: &mut State) -> Vec<Effect> {
    let Some(group) = group(state) else {
        return hands::begin(state, None);
    };
    if let Some(NextStep::Failed { why }) = group.result.as_ref().map(|r| r.next.clone()) {
        let words = format!("closed as failed, no further portion by the procedure's rule: {why}");
        return vec![warn(state, words)];
    }
    let plan = next_plan(group);
    hands::begin(state, Some(plan))
}

/// Accepts what the group came to.
pub(super) fn accept(state: &mut State) -> Vec<Effect> {
    let Some(group) = group(state) else { return vec![warn(state, "no series is chosen")] };
    let series = group.series.clone();
    let why = state.remark.clone();
    let question = match group.role {
        Role::Blank => return vec![warn(state, "a blank is not accepted: it counts in its series")],
        Role::Standardisation => match group.plan.uses.get(EquipmentKind::Titrant.word()) {
            Some(lot) => Question::AcceptFactor { lot: lot.clone(), series, why },
            None => return vec![warn(state, "the portions name no lot of titrant: no factor can be kept")],
        },
        Role::Sample | Role::Control => Question::AcceptSeries { series, sample: group.sample.clone(), why },
    };
    consult(state, question)
}

/// Asks why the portion chosen is set aside.
pub(super) fn set_aside(state: &mut State) -> Vec<Effect> {
    let Some(Row::Portion(at, n)) = row(state) else {
        return vec![warn(state, "choose a portion with Up and Down first")];
    };
    let Some((portion, _)) = groups(state).get(at).and_then(|g| g.portions.get(n)) else { return Vec::new() };
    if portion.going_on && state.live_run().is_some_and(|run| run.head.run == portion.run) {
        return vec![warn(state, "this run goes on: end it first")];
    }
    if portion.set_aside.is_some() {
        return vec![warn(state, "this run is set aside already")];
    }
    let asks = Asks::Reason(portion.run);
    hands::open_entry(state, asks);
    Vec::new()
}
