//! The wire page: every line that came, marked by what was understood.

use super::super::state::State;
use super::super::text::{cut, grouped, visible, wrap};
use super::super::theme::Tone;
use super::{frame_line, panel};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let [list, detail] =
        super::sharing(Layout::vertical([Constraint::Min(4), Constraint::Length(6)])).areas(area);
    let Some(lane) = state.lane() else {
        frame.render_widget(panel(theme, "wire", 0), area);
        return;
    };
    let title = format!(
        "wire: {}, {} lines, {} not understood{}",
        visible(&lane.port),
        grouped(lane.frames_total),
        grouped(lane.frames_not_understood),
        if state.wire_from.is_some() { ", scrolled back" } else { "" }
    );
    let block = panel(theme, cut(&title, usize::from(area.width).saturating_sub(6), theme.more()), 0);
    let inner = block.inner(list);
    frame.render_widget(block, list);
    let rows = usize::from(inner.height);
    // The chosen line is the last one shown; without a choice it is the newest.
    let count = lane.frames.len();
    let chosen = state
        .wire_from
        .and_then(|number| lane.frames.iter().position(|f| f.number >= number))
        .unwrap_or(count.saturating_sub(1));
    let end = if state.wire_from.is_some() { (chosen + rows / 2 + 1).min(count) } else { count };
    let start = end.saturating_sub(rows);
    let end = (start + rows).min(count);
    let mut lines = Vec::with_capacity(rows);
    for (at, line) in lane.frames.iter().enumerate().take(end).skip(start) {
        let (glyph, tone) = frame_line::mark(&line.fate);
        let head =
            format!("{:>8} {} ", grouped(line.number), frame_line::time_of_day(&state.options, line.at));
        let room = usize::from(inner.width).saturating_sub(head.len() + 3);
        let chosen_here = state.wire_from.is_some() && at == chosen;
        let text_tone = if chosen_here { Tone::Chosen } else { tone };
        lines.push(Line::from(vec![
            Span::styled(format!("{glyph} "), theme.style(tone)),
            Span::styled(head, theme.style(Tone::Faint)),
            Span::styled(cut(&visible(&line.text), room, theme.more()), theme.style(text_tone)),
        ]));
    }
    if lines.is_empty() {
        lines.push(Line::from(" nothing has come in yet"));
    }
    frame.render_widget(Paragraph::new(lines), inner);
    details(state, lane.frames.get(chosen), frame, detail);
}

/// The chosen line in full and its fate in words; what the marks mean.
fn details(state: &State, line: Option<&crate::work::FrameLine>, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let block = panel(theme, line.map_or("line".to_owned(), |l| format!("line {}", grouped(l.number))), 0);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let columns = usize::from(inner.width).saturating_sub(2);
    let mut lines = Vec::new();
    if let Some(line) = line {
        let (_, tone) = frame_line::mark(&line.fate);
        lines
            .push(Line::from(Span::styled(format!(" {}", frame_line::words(&line.fate)), theme.style(tone))));
        let text: Vec<String> = wrap(&visible(&line.text), columns);
        lines.extend(text.into_iter().take(2).map(|part| Line::from(format!(" {part}"))));
    }
    lines.truncate(usize::from(inner.height).saturating_sub(1));
    while lines.len() + 1 < usize::from(inner.height) {
        lines.push(Line::default());
    }
    lines.push(Line::from(Span::styled(
        " ✓ understood   · carries nothing   ! damaged   ✗ not understood",
        theme.style(Tone::Faint),
    )));
    frame.render_widget(Paragraph::new(lines), inner);
}
