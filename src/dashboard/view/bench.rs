//! The bench page: the lanes, their instruments and their health.

use super::super::needs;
use super::super::state::State;
use super::super::text::{duration, grouped, visible, wrap};
use super::super::theme::Tone;
use super::{frame_line, lane_row, panel, sharing};
use crate::work::{Health, Identity, LaneState};
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
    let urgency = state
        .bench
        .lanes
        .iter()
        .filter_map(|lane| needs::need(state, lane))
        .map(|n| if n.rank >= 6 { 2 } else { 1 })
        .max();
    let block = panel(theme, title, urgency.unwrap_or(0));
    let inner = block.inner(list);
    frame.render_widget(block, list);
    let columns = usize::from(inner.width);
    let mut lines = vec![lane_row::heading(state, columns)];
    let rows = usize::from(inner.height).saturating_sub(1).max(1);
    let start = (state.bench_line + 1).saturating_sub(rows);
    for (at, lane) in state.bench.lanes.iter().enumerate().skip(start).take(rows) {
        let tone = match (at == state.bench_line, needs::need(state, lane), &lane.health) {
            (true, ..) => Tone::Chosen,
            (false, Some(_), _) => Tone::Alarm,
            (false, None, Health::Open { .. }) => Tone::Plain,
            (false, None, _) => Tone::Warn,
        };
        lines.push(Line::from(Span::styled(lane_row::row(state, lane, columns), theme.style(tone))));
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
    let known = match lane.people.identity {
        Identity::Account => "by their account",
        Identity::Named => "by the name they give",
        Identity::Key => "by their key",
    };
    let hand = lane.people.hand.as_ref().map_or(String::new(), |who| format!("; hand: {}", visible(who)));
    say(Tone::Plain, format!("people: {known}{hand}"));
    say(Tone::Plain, format!("record: {}", visible(&state.bench.record)));
    for (at, note) in lane.run.iter().flat_map(|run| run.notes.iter().rev()).take(5) {
        say(Tone::Plain, format!("note {}: {}", frame_line::time_of_day(&state.options, *at), visible(note)));
    }
    for warning in lane.warnings.iter().rev().take(20) {
        say(Tone::Warn, format!("! {}", visible(warning)));
    }
    frame.render_widget(Paragraph::new(lines), inner);
}
