//! The page of steps: preparation and care of a portion, ticked or skipped with a reason.

use super::books::consult;
use super::desk::Question;
use super::sheet::{Sheet, SheetFor, lay_open};
use super::state::State;
use super::update::{Effect, warn};
use crate::work::{RunPlan, StepLine, StepRecord};

/// The portion whose steps are shown: the one in the form, else the last of the lane.
pub(super) fn plan(state: &State) -> Option<RunPlan> {
    let in_form = state.form_shelf.as_ref().filter(|(lane, _)| *lane == state.lane);
    let plan = in_form
        .map(|(_, form)| form.plan_so_far())
        .or_else(|| state.run().map(|run| run.head.plan.clone()))?;
    (!plan.procedure.is_empty()).then_some(plan)
}

/// The steps.
pub(super) fn lines(state: &State) -> &[StepLine] {
    state.books.steps.as_ref().map_or(&[], |(_, lines)| lines.as_slice())
}

/// The chosen step and its portion.
fn chosen(state: &State) -> Option<(&RunPlan, &StepLine)> {
    let (plan, lines) = state.books.steps.as_ref()?;
    Some((plan, lines.get(state.steps_line)?))
}

/// Ticks the chosen step and goes on to the next.
pub(super) fn tick(state: &mut State) -> Vec<Effect> {
    match chosen(state).map(|(plan, line)| StepRecord::said(&line.step, plan, true, "")) {
        Some(Ok(record)) => said(state, record),
        Some(Err(why)) => vec![warn(state, why)],
        None => vec![warn(state, "there is no step here")],
    }
}

/// Asks why the chosen step is skipped.
pub(super) fn skip(state: &mut State) -> Vec<Effect> {
    if chosen(state).is_none() {
        return vec![warn(state, "there is no step here")];
    }
    lay_open(state, SheetFor::Skip);
    Vec::new()
}

/// Skips the chosen step for the reason on the sheet.
pub(super) fn skipped(state: &mut State, sheet: &Sheet) -> Result<Vec<Effect>, String> {
    let (plan, line) = chosen(state).ok_or("there is no step here")?;
    let record = StepRecord::said(&line.step, plan, false, sheet.text(0))?;
    Ok(said(state, record))
}

fn said(state: &mut State, record: StepRecord) -> Vec<Effect> {
    state.steps_line = (state.steps_line + 1).min(lines(state).len().saturating_sub(1));
    consult(state, Question::Step(Box::new(record)))
}
