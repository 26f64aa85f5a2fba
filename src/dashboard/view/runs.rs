//! The page of the stored runs.

use super::super::options::{RunFate, StoredRun};
use super::super::state::State;
use super::super::text::{cut, visible, width, with_uncertainty, wrap};
use super::super::theme::Tone;
use super::{frame_line, panel, sharing};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let runs = &state.options.runs;
    let [list, detail] = sharing(Layout::vertical([Constraint::Min(5), Constraint::Length(7)])).areas(area);
    let block = panel(theme, format!("stored runs: {}", runs.len()), 0);
    let inner = block.inner(list);
    frame.render_widget(block, list);
    let columns = usize::from(inner.width);
    let mut lines = vec![Line::from(Span::styled(
        row(state, ["run", "began", "sample", "end-point", "state"].map(str::to_owned), columns),
        theme.style(Tone::Faint),
    ))];
    let rows = usize::from(inner.height).saturating_sub(1).max(1);
    let start = (state.runs_line + 1).saturating_sub(rows);
    for (at, stored) in runs.iter().enumerate().skip(start).take(rows) {
        let tone = if at == state.runs_line { Tone::Chosen } else { Tone::Plain };
        lines.push(Line::from(Span::styled(row(state, cells(state, stored), columns), theme.style(tone))));
    }
    if runs.is_empty() {
        lines.push(Line::from(" no run is stored yet"));
    }
    frame.render_widget(Paragraph::new(lines), inner);
    details(state, runs.get(state.runs_line), frame, detail);
}

fn cells(state: &State, stored: &StoredRun) -> [String; 5] {
    let theme = state.options.theme;
    let sample = format!("{} {}/{}", visible(&stored.sample), stored.portion.0, stored.portion.1);
    let first = stored.end_points.first();
    let end_point = first.map_or("none".to_owned(), |(at, u)| {
        format!("{} {}", with_uncertainty(*at, *u, theme.plus_minus()), stored.titrant.unit())
    });
    let end_point = if matches!(stored.fate, RunFate::GoesOn) { String::new() } else { end_point };
    [
        stored.run.to_string(),
        frame_line::date_and_time(&state.options, stored.at),
        sample.trim().to_owned(),
        end_point,
        format!("{}{}", word(&stored.fate), if stored.origin.is_real() { "" } else { ", not real" }),
    ]
}

const fn word(fate: &RunFate) -> &'static str {
    match fate {
        RunFate::GoesOn => "goes on",
        RunFate::Ended(_) => "ended",
        RunFate::Interrupted => "interrupted",
        RunFate::SetAside(_) => "set aside",
    }
}

fn row(state: &State, cells: [String; 5], columns: usize) -> String {
    let rest = columns.saturating_sub(5 + 16 + 23 + 6);
    let widths = [5, 16, rest * 45 / 100, 23, rest * 55 / 100];
    let mut line = String::from(" ");
    for (cell, wide) in cells.iter().zip(widths) {
        let text = cut(cell, wide, state.options.theme.more());
        let pad = wide.saturating_sub(width(&text)) + 1;
        line.push_str(&text);
        line.push_str(&" ".repeat(pad));
    }
    line
}

fn details(state: &State, stored: Option<&StoredRun>, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let title = stored.map_or("run".to_owned(), |s| format!("run {}", s.run));
    let block = panel(theme, title, 0);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let Some(stored) = stored else { return };
    let columns = usize::from(inner.width).saturating_sub(2);
    let mut lines = Vec::new();
    let mut say = |tone: Tone, words: String| {
        for line in wrap(&words, columns) {
            lines.push(Line::from(Span::styled(format!(" {line}"), theme.style(tone))));
        }
    };
    let (portion, portions) = stored.portion;
    say(
        Tone::Plain,
        format!(
            "{}, sample {}, portion {portion} of {portions}, origin {}",
            visible(&stored.title),
            if stored.sample.is_empty() { "not named".to_owned() } else { visible(&stored.sample) },
            stored.origin.word()
        ),
    );
    for (number, (at, u)) in stored.end_points.iter().enumerate() {
        let figure = with_uncertainty(*at, *u, theme.plus_minus());
        say(Tone::Mark, format!("end-point {}: {figure} {}", number + 1, stored.titrant.unit()));
    }
    match &stored.fate {
        RunFate::GoesOn => say(Tone::Plain, "goes on".to_owned()),
        RunFate::Ended(why) => say(Tone::Plain, format!("ended: {}", visible(why))),
        RunFate::Interrupted => say(Tone::Warn, "the recorder was interrupted in this run".to_owned()),
        RunFate::SetAside(why) => say(Tone::Warn, format!("set aside: {}", visible(why))),
    }
    frame.render_widget(Paragraph::new(lines), inner);
}
