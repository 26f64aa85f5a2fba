//! The bench page: the lanes, their instruments and their health.

use super::super::state::State;
use super::super::text::{cut, duration, grouped, visible, wrap};
use super::super::theme::Tone;
use super::{panel, sharing};
use crate::work::{Health, LaneState};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let count = state.bench.lanes.len();
    let list_rows = u16::try_from(count.max(1)).unwrap_or(8).clamp(1, area.height / 2) + 3;
    let [list, detail] =
        sharing(Layout::vertical([Constraint::Length(list_rows), Constraint::Min(3)])).areas(area);
    let title = match count {
        0 | 1 => "bench".to_owned(),
        n => format!("bench: {n} lanes"),
    };
    let block = panel(theme, title, 0);
    let inner = block.inner(list);
    frame.render_widget(block, list);
    let columns = usize::from(inner.width);
    let mut lines = vec![Line::from(Span::styled(
        row(state, ["", "lane", "instrument", "line", "run"].map(str::to_owned), columns),
        theme.style(Tone::Faint),
    ))];
    let rows = usize::from(inner.height).saturating_sub(1).max(1);
    let start = (state.bench_line + 1).saturating_sub(rows);
    for (at, lane) in state.bench.lanes.iter().enumerate().skip(start).take(rows) {
        let (word, tone) = health(&lane.health);
        let here = if lane.id == state.lane { "▸" } else { " " };
        let cells = [
            here.to_owned(),
            visible(&lane.title),
            visible(&lane.instrument),
            word.to_owned(),
            run_words(lane),
        ];
        let tone = if at == state.bench_line { Tone::Chosen } else { tone };
        lines.push(Line::from(Span::styled(row(state, cells, columns), theme.style(tone))));
    }
    if count == 0 {
        lines.push(Line::from(" no bench is set up"));
    }
    frame.render_widget(Paragraph::new(lines), inner);
    if let Some(lane) = state.bench.lanes.get(state.bench_line) {
        details(state, lane, frame, detail);
    } else {
        frame.render_widget(panel(theme, "lane", 0), detail);
    }
}

/// Five cells in a row: mark, lane, instrument, line, run.
fn row(state: &State, cells: [String; 5], columns: usize) -> String {
    let more = state.options.theme.more();
    let rest = columns.saturating_sub(2 + 10 + 4);
    let widths = [2, rest * 30 / 100, rest * 36 / 100, 10, rest * 34 / 100];
    let mut line = String::new();
    for (cell, wide) in cells.iter().zip(widths) {
        let text = cut(cell, wide, more);
        let pad = wide.saturating_sub(super::super::text::width(&text)) + 1;
        line.push_str(&text);
        line.push_str(&" ".repeat(pad));
    }
    line
}

/// The health in a word.
const fn health(health: &Health) -> (&'static str, Tone) {
    match health {
        Health::Opening => ("opening", Tone::Plain),
        Health::Open { .. } => ("open", Tone::Good),
        Health::Gone { .. } => ("GONE", Tone::Alarm),
        Health::Over { .. } => ("at its end", Tone::Warn),
        Health::Failed { .. } => ("FAILED", Tone::Alarm),
    }
}

fn run_words(lane: &LaneState) -> String {
    match &lane.run {
        None => "none yet".to_owned(),
        Some(run) if run.end.is_some() => format!("run {} ended", run.head.run),
        Some(run) => {
            let at = run.points.last().map_or(0.0, |p| p.titrant);
            format!("{}, {at:.2} {}", run.watch().word(), run.head.curve.titrant.unit())
        }
    }
}

fn details(state: &State, lane: &LaneState, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let block = panel(theme, visible(&lane.title), 0);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let columns = usize::from(inner.width).saturating_sub(2);
    let mut lines = Vec::new();
    let mut say = |tone: Tone, words: String| {
        for line in wrap(&words, columns) {
            lines.push(Line::from(Span::styled(format!(" {line}"), theme.style(tone))));
        }
    };
    say(Tone::Plain, format!("instrument: {}", visible(&lane.instrument)));
    say(Tone::Plain, format!("port: {}", visible(&lane.port)));
    let volumes = if lane.keyed { "keyed by a person" } else { "from the line" };
    say(Tone::Plain, format!("volumes: {volumes}"));
    match &lane.health {
        Health::Opening => say(Tone::Plain, "line: being opened".to_owned()),
        Health::Open { remarks } => {
            say(Tone::Good, "line: open".to_owned());
            for remark in remarks {
                say(Tone::Warn, format!("remark: {}", visible(remark)));
            }
        }
        Health::Gone { why } => {
            say(Tone::Alarm, format!("line: gone, opened again by itself: {}", visible(why)));
        }
        Health::Failed { why } => say(Tone::Alarm, format!("line: cannot be used: {}", visible(why))),
        Health::Over { why } => say(Tone::Warn, format!("line: at its end: {}", visible(why))),
    }
    if let Some(heard) = state.heard.get(&lane.id) {
        let silent = state.now.saturating_sub(*heard).as_secs();
        if silent >= 5 {
            say(Tone::Warn, format!("last reading: {} ago", duration(silent)));
        }
    }
    let counts = format!(
        "lines: {}, not understood {}",
        grouped(lane.frames_total),
        grouped(lane.frames_not_understood)
    );
    say(if lane.frames_not_understood > 0 { Tone::Warn } else { Tone::Plain }, counts);
    say(Tone::Plain, format!("record: {}", visible(&state.bench.record)));
    for warning in lane.warnings.iter().rev().take(20) {
        say(Tone::Warn, format!("! {}", visible(warning)));
    }
    frame.render_widget(Paragraph::new(lines), inner);
}
