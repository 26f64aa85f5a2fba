//! The page of decisions: the ledger, gone through and signed.

use super::books::consult;
use super::desk::Question;
use super::sheet::{SheetFor, lay_open};
use super::state::State;
use super::update::{Effect, warn};

/// Everything, or what was decided since the last review.
pub(super) fn turn(state: &mut State) -> Vec<Effect> {
    let all = state.books.decisions.as_ref().is_some_and(|told| told.all);
    consult(state, Question::Decisions { all: !all })
}

/// Opens the sheet for a signature under what was decided since the last review.
pub(super) fn sign(state: &mut State) -> Vec<Effect> {
    match state.books.decisions.as_ref().map(|told| told.since) {
        None => vec![warn(state, "the record is being asked")],
        Some(None) => vec![warn(state, "nothing was decided since the last review")],
        Some(Some((from, to))) => {
            lay_open(state, SheetFor::Reviewed(from, to));
            Vec::new()
        }
    }
}
