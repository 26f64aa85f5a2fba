//! The run page: curve and steepness on the left, figures, watch and wire on the right.

use super::super::alarm::Alarm;
use super::super::state::State;
use super::{curve, panels, sharing};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};

/// Columns of the panels on the right.
const PANELS: u16 = 31;

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let urgency = Alarm::of(state.run()).urgency();
    let wide = if area.width >= 120 { PANELS + 9 } else { PANELS };
    let [left, right] =
        sharing(Layout::horizontal([Constraint::Min(20), Constraint::Length(wide)])).areas(area);
    match state.run() {
        Some(run) => {
            let strip = if area.height >= 34 { 5 } else { 4 };
            let [top, bottom] =
                sharing(Layout::vertical([Constraint::Min(6), Constraint::Length(strip)])).areas(left);
            curve::draw(state, run, frame, top, urgency);
            curve::steepness(state, run, frame, bottom, urgency);
        }
        None => panels::welcome(state, frame, left),
    }
    column(state, frame, right, urgency);
}

fn column(state: &State, frame: &mut Frame<'_>, area: Rect, urgency: u8) {
    let ended = state.run().is_some_and(|run| run.end.is_some());
    let inside = usize::from(area.width.saturating_sub(2));
    let now = panels::now_lines(state, inside);
    let watch = panels::watch_lines(state, inside);
    let now_rows = u16::try_from(now.len()).unwrap_or(4) + 2;
    let watch_rows = u16::try_from(watch.len()).unwrap_or(4) + 2;
    let room = area.height + 2;
    // The wire gives way first, then the figures; the watch is what the eye is for.
    let now_rows = now_rows.min(if ended { 5 } else { 8 });
    let left_for_watch = room.saturating_sub(now_rows + 3).max(4);
    let watch_rows = watch_rows.min(left_for_watch);
    let [first, second, third] = sharing(Layout::vertical([
        Constraint::Length(now_rows),
        Constraint::Length(watch_rows),
        Constraint::Min(3),
    ]))
    .areas(area);
    panels::now(state, now, frame, first, urgency);
    panels::watch(state, watch, frame, second, urgency);
    panels::wire(state, frame, third, urgency);
}
