//! One lane in one row: what it is at, its figures, and why it needs a person.

use super::super::meter::Meter;
use super::super::needs;
use super::super::state::State;
use super::super::text::{cut, visible, width};
use super::super::theme::Tone;
use crate::reading::{Quantity, Unit};
use crate::work::{Health, LaneState};
use ratatui::text::{Line, Span};

/// The heading of the rows.
pub(super) fn heading(state: &State, columns: usize) -> Line<'static> {
    let cells = ["", "lane", "added", "signal", "run", "needs"].map(str::to_owned);
    Line::from(Span::styled(cells_in(state, cells, columns), state.options.theme.style(Tone::Faint)))
}

/// The row of a lane.
pub(super) fn row(state: &State, lane: &LaneState, columns: usize) -> String {
    let theme = state.options.theme;
    let need = needs::need(state, lane);
    let here = match (lane.id == state.lane, &need) {
        (_, Some(_)) => "!",
        (true, None) => "▸",
        (false, None) => " ",
    };
    let point = lane.run.as_ref().and_then(|run| Some((run.points.last()?, run)));
    let added = point.map_or(String::new(), |(point, run)| {
        format!("{:.2} {}", point.titrant, run.head.curve.titrant.unit())
    });
    let no_signal = [Quantity::Volume, Quantity::Temperature, Quantity::Mass, Quantity::Time];
    let signal = lane.latest.iter().find(|reading| !no_signal.contains(&reading.quantity));
    let signal =
        signal.and_then(|reading| Some((reading, reading.value?))).map_or(String::new(), |(r, value)| {
            let places = state
                .meters
                .get(&lane.id)
                .and_then(|all| Meter::of(all, &r.channel))
                .map_or(2, |m| m.decimals);
            let unit = if r.unit == Unit::Ph { "pH" } else { theme.unit(r.unit) };
            if r.unit == Unit::Ph {
                format!("{unit} {value:.places$}")
            } else {
                format!("{value:.places$} {unit}")
            }
        });
    let words = need.map_or_else(|| line_word(&lane.health).to_owned(), |need| need.words);
    cells_in(state, [here.to_owned(), visible(&lane.title), added, signal, run_words(lane), words], columns)
}

/// The line in a word, where nobody is needed.
const fn line_word(health: &Health) -> &'static str {
    match health {
        Health::Opening => "opening",
        Health::Open { .. } => "nobody",
        Health::Gone { .. } => "line GONE",
        Health::Over { .. } => "at its end",
        Health::Failed { .. } => "line FAILED",
    }
}

fn run_words(lane: &LaneState) -> String {
    match &lane.run {
        None => "none yet".to_owned(),
        Some(run) if run.end.is_some() => format!("{} ended", run.head.run),
        Some(run) => format!("{} {}", run.head.run, run.watch().word()),
    }
}

fn cells_in(state: &State, cells: [String; 6], columns: usize) -> String {
    let more = state.options.theme.more();
    let rest = columns.saturating_sub(2 + 11 + 10 + 12 + 5);
    let widths = [1, rest * 45 / 100, 11, 10, 12, rest - rest * 45 / 100];
    let mut line = String::new();
    for (cell, wide) in cells.iter().zip(widths) {
        let text = cut(cell, wide, more);
        let pad = wide.saturating_sub(width(&text)) + 1;
        line.push_str(&text);
        line.push_str(&" ".repeat(pad));
    }
    line
}
