//! The help: the table of keys as it is obeyed.

use super::super::keys::TABLE;
use super::super::state::State;
use super::super::text::wrap;
use super::super::theme::Tone;
use super::{over, panel};
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;

/// Columns for the names of the keys.
const KEYS: usize = 23;

/// Draws the help over the page, from a line on.
pub(super) fn draw(state: &State, scrolled: usize, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let place = over(frame, area, 96, area.height);
    let columns = usize::from(place.width).saturating_sub(KEYS + 5);
    let mut lines = Vec::new();
    for binding in TABLE {
        for (at, words) in wrap(binding.words, columns).into_iter().enumerate() {
            let keys = if at == 0 { binding.shown } else { "" };
            lines.push(Line::from(vec![
                Span::styled(format!(" {keys:<KEYS$} "), theme.style(Tone::Figure)),
                Span::raw(words),
            ]));
        }
    }
    for words in [
        "",
        "A bar code is never a command: what comes faster than a hand and ends with Enter goes to the field that",
        "expects it, or becomes a note. Closing the screen ends nothing: the recorder goes on.",
    ] {
        for line in wrap(words, columns + KEYS) {
            lines.push(Line::from(Span::styled(format!(" {line}"), theme.style(Tone::Faint))));
        }
    }
    let rows = usize::from(place.height).saturating_sub(2);
    let most = lines.len().saturating_sub(rows);
    let start = scrolled.min(most);
    let title = if most > 0 { format!("keys ({} of {})", start + 1, most + 1) } else { "keys".to_owned() };
    let lines: Vec<Line<'_>> = lines.into_iter().skip(start).collect();
    frame.render_widget(Paragraph::new(lines).block(panel(theme, title, 0)), place);
}
