//! The help: the table of keys as it is obeyed.

use super::super::keys::{TABLE, page_hints};
use super::super::state::{Page, State};
use super::super::text::{cut, wrap};
use super::super::theme::Tone;
use super::{over, panel};
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;

/// Columns for the names of the keys.
const KEYS: usize = 10;

/// Draws the help over the page, from a line on.
pub(super) fn draw(state: &State, scrolled: usize, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let place = over(frame, area, 96, area.height);
    let columns = usize::from(place.width).saturating_sub(KEYS + 5);
    let mut lines = Vec::new();
    for line in wrap(page_words(state.page), columns + KEYS) {
        lines.push(Line::from(format!(" {line}")));
    }
    // Help and the way back are known by now.
    for (keys, words) in page_hints(state).into_iter().filter(|(keys, _)| !matches!(*keys, "?" | "Esc")) {
        let keys = cut(keys, 2 * KEYS, theme.more());
        lines.push(Line::from(vec![
            Span::styled(format!(" {keys:<KEYS$} "), theme.style(Tone::Figure)),
            Span::raw(words),
        ]));
    }
    lines.push(Line::from(Span::styled(" everywhere:", theme.style(Tone::Faint))));
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

/// What the page is for.
const fn page_words(page: Page) -> &'static str {
    match page {
        Page::Run => {
            "This page: the run that goes on or ended last. Space begins a portion, marks while it goes on; F8 F8 ends it."
        }
        Page::Wire => "This page: what the instrument sends, line by line, and what was understood of it.",
        Page::Bench => {
            "This page: the instruments and how their lines are. Enter looks at one, a sets up another bench."
        }
        Page::Runs => {
            "This page: all runs in the record. Enter looks through one: its curve, its evaluations side by side, who signed. F12 signs the chosen evaluation, a makes another with other settings, c chooses which one is reported; f writes a report, a picture or tables to a file; o lays curves over each other; / searches."
        }
        Page::Series => {
            "This page: the portions of a series side by side, by sample. Space begins the next portion, F9 sets the chosen one aside with a reason, F12 F12 accepts what the chosen sample came to, Enter looks through a run, f writes a report, a picture or tables to a file."
        }
        Page::Electrode => {
            "This page: electrodes. Space begins a check: name the buffers, then dip from one to the next; what rests is taken. F12 F12 keeps the check."
        }
        Page::Titrant => {
            "This page: lots of titrant and their factors. Space begins a portion of a standardisation of the chosen lot; F12 F12 accepts the factor once the series passes."
        }
        Page::Steps => {
            "This page: the steps of preparation and care that the procedure asks for. Space ticks the chosen one, s skips it with a reason; the ledger and the report keep both."
        }
        Page::Equipment => {
            "This page: what the lab measures with. a enters a piece, Enter a further version of the chosen one; runs keep the version that they used."
        }
        Page::Charts => {
            "This page: control samples on their charts, and what the fits of earlier runs say about electrode and solutions. Left and Right turn through them; f writes a report or a picture to a file."
        }
        Page::Decisions => {
            "This page: the ledger, row by row, since the last review or from its beginning. F12 signs that the rows were reviewed."
        }
        Page::Setup => {
            "This page: the guide from a cable to a bench. It opens a port only when you agree, sends nothing, and writes a profile and a bench file."
        }
    }
}
