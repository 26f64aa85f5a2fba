//! The page of decisions: the ledger, row by row.

use super::super::state::State;
use super::super::text::visible;
use super::super::theme::Tone;
use super::frame_line;
use super::page::Lines;
use super::sharing;
use crate::reading::Stamp;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};

/// Columns from which a row shows the year.
const WIDE: u16 = 96;

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let [top, bottom] = sharing(Layout::vertical([Constraint::Min(5), Constraint::Length(6)])).areas(area);
    let mut lines = Lines::new(state, top);
    let time = |utc_us| {
        frame_line::date_and_time(&state.options, Stamp { elapsed_ns: 0, utc_us }, area.width >= WIDE)
    };
    let title = match &state.books.decisions {
        None => {
            lines.say(Tone::Faint, "the record is being asked");
            "decisions".to_owned()
        }
        Some(told) => {
            if told.left_out > 0 {
                lines.say(Tone::Faint, &format!("{} rows before these are not shown", told.left_out));
            }
            for (at, row) in told.rows.iter().enumerate() {
                let why = if row.why.is_empty() { String::new() } else { format!("  {}", row.why) };
                let words = format!("{:>5}  {}  {}  {}{why}", row.n, time(row.utc_us), row.who, row.what);
                lines.row(Tone::Plain, &visible(&words), at == state.decisions_line);
            }
            if told.rows.is_empty() {
                lines.say(
                    Tone::Good,
                    "nothing was decided since the last review; Left and Right show everything",
                );
            }
            let what = if told.all { "everything" } else { "since the last review" };
            format!("decisions {what}: {}", told.rows.len())
        }
    };
    lines.draw(&title, frame, top);
    let mut lines = Lines::new(state, bottom);
    let told = state.books.decisions.as_ref();
    if let Some(row) = told.and_then(|told| told.rows.get(state.decisions_line)) {
        lines.say(Tone::Plain, &visible(&format!("{}, by {}, {}", row.what, row.who, time(row.utc_us))));
        if !row.why.is_empty() {
            lines.say(Tone::Plain, &visible(&row.why));
        }
    }
    if let Some((from, to)) = told.and_then(|told| told.since) {
        lines.say(
            Tone::Faint,
            &format!("rows {from} to {to} are not reviewed; F12 signs that they were (k makes a key)"),
        );
    }
    lines.draw("row", frame, bottom);
}
