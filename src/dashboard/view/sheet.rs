//! A sheet of lines to fill in, over the page.

use super::super::filing;
use super::super::sheet::Sheet;
use super::super::state::State;
use super::super::text::{cut, visible, wrap};
use super::super::theme::Tone;
use super::field::{WIDE, boxed, pointed, type_in, words_at};
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
    let mut wrong = sheet.wrong();
    match filing::place(state, sheet) {
        Some(Ok(place)) => words.extend(wrap(&visible(&place), room)),
        Some(Err(why)) => wrong = Some(why),
        None => {}
    }
    words.truncate(most);
    let inner =
        boxed(state, &sheet.purpose.heading(), (wide, words.len() + sheet.lines.len() + 6), frame, area);
    let mut y = inner.y;
    for line in &words {
        words_at(state, (Tone::Plain, line), y, frame, inner);
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
    let bottom = inner.y + inner.height;
    let said = match wrong {
        Some(why) => (Tone::Warn, visible(&why)),
        None => (Tone::Faint, hint(sheet)),
    };
    words_at(state, (said.0, &said.1), y + u16::from(y + 2 < bottom), frame, inner);
    words_at(state, (Tone::Figure, sheet.purpose.last_step()), bottom.saturating_sub(1), frame, inner);
}

/// What is said about the line under the cursor, and which of those it may be it is.
fn hint(sheet: &Sheet) -> String {
    let Some(line) = sheet.lines.get(sheet.at) else { return String::new() };
    let at = line.known.iter().position(|known| known == line.input.value().trim());
    match at {
        Some(at) if line.known.len() > 3 => format!("{} ({} of {})", line.hint, at + 1, line.known.len()),
        _ => line.hint.to_owned(),
    }
}
