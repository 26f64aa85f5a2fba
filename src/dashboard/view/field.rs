//! What fields, forms and sheets are drawn with: the box, the name of a line, the field that is typed in.

use super::super::state::State;
use super::super::text::{cut, visible, width};
use super::super::theme::Tone;
use super::{over, panel};
use ratatui::Frame;
use ratatui::layout::Rect;
use tui_input::Input;

/// Columns of a form or a sheet, where there are so many.
pub(super) const WIDE: u16 = 84;
/// A box over the middle of an area, with its heading; what lies inside.
pub(super) fn boxed(
    state: &State,
    heading: &str,
    (wide, high): (u16, usize),
    frame: &mut Frame<'_>,
    area: Rect,
) -> Rect {
    let place = over(frame, area, wide, u16::try_from(high).unwrap_or(u16::MAX));
    let block = panel(state.options.theme, heading, 1);
    let inner = block.inner(place);
    frame.render_widget(block, place);
    inner
}

/// A line of words inside a box, cut where it is too long; nothing below the box.
pub(super) fn words_at(
    state: &State,
    (tone, words): (Tone, &str),
    y: u16,
    frame: &mut Frame<'_>,
    inner: Rect,
) {
    if y >= inner.y + inner.height {
        return;
    }
    let theme = state.options.theme;
    let words = cut(&theme.text(words), usize::from(inner.width).saturating_sub(2), theme.more());
    frame.buffer_mut().set_string(inner.x + 1, y, words, theme.style(tone));
}

/// A field with its text; the cursor of the terminal stands in it when it has the focus.
pub(super) fn type_in(state: &State, input: &Input, frame: &mut Frame<'_>, field: Rect, focus: bool) {
    if field.width == 0 {
        return;
    }
    let theme = state.options.theme;
    let columns = usize::from(field.width);
    let scrolled = input.visual_scroll(columns.saturating_sub(1));
    // What was typed is kept as typed; what is shown of it cannot move the cursor of the terminal.
    let shown: String = input
        .value()
        .chars()
        .map(|c| if visible(&c.to_string()).chars().eq([c]) { c } else { '?' })
        .collect();
    let mut skipped = 0;
    let tail: String = shown
        .chars()
        .skip_while(|c| {
            let skip = skipped < scrolled;
            skipped += width(&c.to_string());
            skip
        })
        .collect();
    let text = cut(&tail, columns, "");
    let pad = " ".repeat(columns.saturating_sub(width(&text)));
    let style = theme.style(Tone::Figure);
    let style = if focus { style.add_modifier(ratatui::style::Modifier::UNDERLINED) } else { style };
    frame.buffer_mut().set_string(field.x, field.y, format!("{text}{pad}"), style);
    if focus {
        let at = input.visual_cursor().max(scrolled) - scrolled;
        let at = u16::try_from(at).unwrap_or(0).min(field.width - 1);
        frame.set_cursor_position((field.x + at, field.y));
    }
}

/// The name of a line, with the pointer before the one that is typed on.
pub(super) fn pointed(state: &State, frame: &mut Frame<'_>, (x, y): (u16, u16), focus: bool, name: &str) {
    let theme = state.options.theme;
    let (tone, pointer) = if focus { (Tone::Figure, "▸") } else { (Tone::Plain, " ") };
    frame.buffer_mut().set_string(x, y, format!("{pointer} {name}"), theme.style(tone));
}
