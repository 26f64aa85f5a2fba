//! The list of runs, kept as the recorder tells of them.

use super::super::options::{RunFate, StoredRun};
use super::super::state::State;
use crate::work::{RunEnd, RunHead};

/// Lists a run that was there before this screen.
pub(super) fn run(state: &mut State, head: &RunHead, end: Option<&RunEnd>) {
    let known = state.options.runs.iter().find(|stored| stored.run == head.run);
    if !known.is_some_and(|stored| matches!(stored.fate, RunFate::Ended(_) | RunFate::SetAside(_))) {
        started(state, head);
        if let Some(end) = end {
            ended(state, end);
        }
    }
}

/// A run has begun: it stands first.
pub(super) fn started(state: &mut State, head: &RunHead) {
    state.options.runs.retain(|stored| stored.run != head.run);
    state.options.runs.insert(
        0,
        StoredRun {
            run: head.run,
            at: head.at,
            title: head.title.clone(),
            sample: head.plan.sample.clone(),
            portion: (head.plan.portion, head.plan.portions),
            origin: head.origin,
            titrant: head.curve.titrant,
            end_points: Vec::new(),
            fate: RunFate::GoesOn,
        },
    );
    state.runs_line = state.runs_line.min(state.options.runs.len().saturating_sub(1));
}

/// A run has ended.
pub(super) fn ended(state: &mut State, end: &RunEnd) {
    if let Some(stored) = state.options.runs.iter_mut().find(|stored| stored.run == end.run) {
        stored.end_points = end.end_points.iter().map(|e| (e.titrant, e.u)).collect();
        stored.fate = RunFate::Ended(end.why.clone());
    }
}
