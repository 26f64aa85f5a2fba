//! The mouse on the curve: a click puts the cursor there, the wheel looks closer or wider.

use super::lens;
use super::state::{Over, Page, State};
use super::view;
use crossterm::event::{MouseButton, MouseEvent, MouseEventKind};

/// Takes what the mouse did; it never commands.
pub(super) fn point(state: &mut State, mouse: MouseEvent) {
    let plain = state.page == Page::Run && state.help.is_none() && state.cover.is_none();
    if !plain || !matches!(state.over, Over::Nothing) {
        return;
    }
    let (Some(plot), Some(run)) = (view::plot(state), state.run()) else { return };
    let inside = (plot.x..plot.x + plot.width).contains(&mouse.column)
        && (plot.y..plot.y + plot.height).contains(&mouse.row);
    if !inside {
        return;
    }
    let (from, to) = lens::window(run, state.lens);
    let share = (f64::from(mouse.column - plot.x) + 0.5) / f64::from(plot.width.max(1));
    let at = from + share * (to - from);
    match mouse.kind {
        MouseEventKind::Down(MouseButton::Left) | MouseEventKind::Drag(MouseButton::Left) => {
            state.lens.cursor = Some(at);
        }
        MouseEventKind::ScrollUp => {
            state.lens.cursor = Some(at);
            state.lens.zoom = (state.lens.zoom + 1).min(lens::MOST_ZOOM);
        }
        MouseEventKind::ScrollDown => state.lens.zoom = state.lens.zoom.saturating_sub(1),
        _ => {}
    }
}
