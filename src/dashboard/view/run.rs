//! The run page: curve and steepness on the left, figures, watch and wire on the right.

use super::super::needs;
use super::super::state::State;
use super::{curve, panels, sharing};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};

/// Columns of the panels on the right.
const PANELS: u16 = 31;

/// Rows of the wire beside notes: what scrolls costs bytes on a slow line.
const WIRE_LEAST: u16 = 7;
/// Rows left from which notes and warnings have a panel of their own, and the most it takes.
const NOTES_FROM: u16 = 10;
const NOTES_MOST: u16 = 9;

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let urgency = state.lane().map_or(0, |lane| needs::loud(state, lane).urgency());
    let [left, right] = halves(area);
    match state.run() {
        Some(run) => {
            let [top, bottom] = curve_and_strip(area, left);
            curve::draw(state, run, frame, top, urgency);
            curve::steepness(state, run, frame, bottom, urgency);
        }
        None => panels::welcome(state, frame, left),
    }
    column(state, frame, right, urgency);
}

/// Curve on the left, panels on the right.
fn halves(area: Rect) -> [Rect; 2] {
    let wide = if area.width >= 120 { PANELS + 9 } else { PANELS };
    sharing(Layout::horizontal([Constraint::Min(20), Constraint::Length(wide)])).areas(area)
}

fn curve_and_strip(area: Rect, left: Rect) -> [Rect; 2] {
    let strip = if area.height >= 34 { 5 } else { 4 };
    sharing(Layout::vertical([Constraint::Min(6), Constraint::Length(strip)])).areas(left)
}

/// The panel of the curve on the page.
pub(super) fn curve_area(area: Rect) -> Rect {
    let [left, _] = halves(area);
    let [top, _] = curve_and_strip(area, left);
    top
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
    let rest = room.saturating_sub(now_rows + watch_rows);
    let notes_rows = match rest {
        ..NOTES_FROM => 0,
        _ => (rest - WIRE_LEAST + 1).min(NOTES_MOST),
    };
    let [first, second, third, fourth] = sharing(Layout::vertical([
        Constraint::Length(now_rows),
        Constraint::Length(watch_rows),
        Constraint::Min(3),
        Constraint::Length(notes_rows),
    ]))
    .areas(area);
    panels::now(state, now, frame, first, urgency);
    panels::watch(state, watch, frame, second, urgency);
    // Without notes the last two share one border; the wire takes both places.
    let third = if notes_rows == 0 { third.union(fourth) } else { third };
    panels::wire(state, frame, third, urgency);
    if notes_rows > 0 {
        panels::notes(state, frame, fourth, urgency);
    }
}
