//! A sheet of lines to fill in, over the page.

use super::super::sheet::Sheet;
use super::super::state::State;
use super::super::text::{cut, visible, wrap};
use super::super::theme::Tone;
use super::form::{WIDE, pointed, type_in};
use super::{over, panel};
use ratatui::Frame;
use ratatui::layout::Rect;
use tui_input::Input;

/// Columns for the names of the lines.
const NAMES: u16 = 14;

/// Draws a sheet.
pub(super) fn draw(state: &State, sheet: &Sheet, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let wide = WIDE.min(area.width);
    let room = usize::from(wide).saturating_sub(4);
    let most = usize::from(area.height).saturating_sub(sheet.lines.len() + 6).max(1);
    let mut words: Vec<String> = Vec::new();
    for line in &sheet.words {
        // Examples point at a place by a second line: they are cut, not wrapped.
        if line.starts_with("  ") {
            words.push(cut(&visible(line), room, theme.more()));
        } else {
            words.extend(wrap(&visible(line), room));
        }
    }
    words.truncate(most);
    let high = u16::try_from(words.len() + sheet.lines.len()).unwrap_or(8) + 6;
    let place = over(frame, area, wide, high);
    let block = panel(theme, sheet.purpose.heading(), 1);
    let inner = block.inner(place);
    frame.render_widget(block, place);
    let mut y = inner.y;
    for line in &words {
        frame.buffer_mut().set_string(inner.x + 1, y, line, theme.style(Tone::Plain));
        y += 1;
    }
    y += 1;
    for (at, line) in sheet.lines.iter().enumerate() {
        let focus = at == sheet.at;
        pointed(state, frame, (inner.x + 1, y), focus, line.name);
        let field =
            Rect { x: inner.x + 2 + NAMES, y, width: inner.width.saturating_sub(NAMES + 4), height: 1 };
        if line.hidden {
            let stars = Input::new("*".repeat(line.input.value().chars().count().min(40)));
            type_in(state, &stars, frame, field, focus);
        } else {
            type_in(state, &line.input, frame, field, focus);
        }
        y += 1;
    }
    let wrong = sheet.wrong().map(|why| visible(&why));
    let (hint, tone) = match &wrong {
        Some(why) => (why.as_str(), Tone::Warn),
        None => (sheet.lines.get(sheet.at).map_or("", |line| line.hint), Tone::Faint),
    };
    let style = theme.style(tone);
    let bottom = inner.y + inner.height;
    if y < bottom {
        frame.buffer_mut().set_string(
            inner.x + 1,
            y + u16::from(y + 2 < bottom),
            cut(hint, room, theme.more()),
            style,
        );
    }
    if bottom > inner.y {
        let words = cut(sheet.purpose.last_step(), room, theme.more());
        frame.buffer_mut().set_string(inner.x + 1, bottom - 1, words, theme.style(Tone::Figure));
    }
}
