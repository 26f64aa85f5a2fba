//! The page of titrants: lots, their factors, their standardisations.

use super::books::consult;
use super::desk::{Lot, Question};
use super::hands;
use super::series::next_plan;
use super::sheet::{SheetFor, lay_open};
use super::state::State;
use super::update::{Effect, warn};
use crate::work::result::NextStep;
use crate::work::{EquipmentKind, LaneState, Role, RunPlan};

/// The lots that are known.
pub(super) fn lots(state: &State) -> &[Lot] {
    state.books.lots.as_ref().map_or(&[], |(lots, _)| lots.as_slice())
}

/// The lot chosen.
pub(super) fn lot(state: &State) -> Option<&Lot> {
    lots(state).get(state.titrant_line)
}

/// Opens the form for the next portion of a standardisation of the lot.
pub(super) fn next(state: &mut State) -> Vec<Effect> {
    let Some(lot) = lot(state) else {
        return vec![warn(state, "no lot of titrant is entered: a enters one")];
    };
    // A series that is complete or closed is followed by a new one.
    let open = lot.series.as_ref().filter(|group| {
        matches!(
            group.result.as_ref().map(|r| &r.next),
            Some(NextStep::Portion { .. } | NextStep::Wait) | None
        )
    });
    let plan = match (open, &lot.procedure) {
        (Some(group), _) => next_plan(group),
        (None, Some(procedure)) => {
            let earlier = lot.series.as_ref().map(|group| group.series.clone());
            RunPlan {
                procedure: procedure.clone(),
                portion: 1,
                portions: 3,
                role: Role::Standardisation,
                series: earlier.map(|name| another(&name)).unwrap_or_default(),
                uses: [(EquipmentKind::Titrant.word().to_owned(), lot.name.clone())].into(),
                ..RunPlan::default()
            }
        }
        (None, None) => {
            let words = format!("no procedure that is known here standardises {}", lot.what);
            return vec![warn(state, words)];
        }
    };
    hands::begin(state, Some(plan))
}

/// The name of a series that follows another one: `factor`, `factor, 2`, `factor, 3`.
fn another(name: &str) -> String {
    match name.rsplit_once(", ").and_then(|(stem, n)| Some((stem, n.parse::<u32>().ok()?))) {
        Some((stem, n)) => format!("{stem}, {}", n.saturating_add(1)),
        None => format!("{name}, 2"),
    }
}

/// Accepts the factor of the latest series of the lot.
pub(super) fn accept(state: &mut State) -> Vec<Effect> {
    let Some(lot) = lot(state) else { return vec![warn(state, "no lot is chosen")] };
    let Some(group) = &lot.series else {
        return vec![warn(state, "this lot was never standardised: space begins a portion")];
    };
    let held = lot.factors.last().is_some_and(|kept| kept.it.series == group.series);
    if held {
        return vec![warn(state, "the factor of this series is in the record already")];
    }
    let question = Question::AcceptFactor {
        lot: lot.name.clone(),
        series: group.series.clone(),
        why: state.remark.clone(),
    };
    consult(state, question)
}

/// Whether the last run of a lane belongs to a standardisation whose factor was accepted.
pub(super) fn is_held(state: &State, lane: &LaneState) -> bool {
    let Some(plan) = lane.run.as_ref().map(|run| &run.head.plan) else { return false };
    let accepted = || lots(state).iter().flat_map(|lot| &lot.factors);
    let is_held =
        || state.books.held.contains(&plan.series) || accepted().any(|kept| kept.it.series == plan.series);
    plan.role == Role::Standardisation && is_held()
}

/// Opens the sheet for a lot, or for other equipment.
pub(super) fn add(state: &mut State, kind: EquipmentKind) {
    lay_open(state, SheetFor::Equipment(kind));
}

#[cfg(test)]
mod tests {
    use super::another;

    #[test]
    fn a_series_that_follows_is_counted() {
        assert_eq!(another("factor"), "factor, 2");
        assert_eq!(another("factor, 2"), "factor, 3");
        assert_eq!(another("naoh, lot 7"), "naoh, lot 7, 2");
    }
}
