//! The page of charts: one chart at a time, its lines and its points, drawn with letters alone.

use super::super::charts;
use super::super::desk::LineChart;
use super::super::state::State;
use super::super::text::{cut, visible};
use super::super::theme::Tone;
use super::page::Lines;
use super::{panel, sharing};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::widgets::Paragraph;

/// Columns for the figures at the side.
const SIDE: u16 = 11;

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let [top, bottom] = sharing(Layout::vertical([Constraint::Min(6), Constraint::Length(7)])).areas(area);
    let count = state.books.charts.as_ref().map_or(0, Vec::len);
    let Some(chart) = charts::chart(state) else {
        let mut lines = Lines::new(state, area);
        if state.books.charts.is_none() {
            lines.say(Tone::Faint, "the record is being asked");
        } else {
            lines.say(Tone::Plain, "No chart yet. A portion that is titrated for a control gives a point of its procedure's chart; runs that a model describes give trends of electrode and solutions.");
        }
        lines.draw("charts", frame, area);
        return;
    };
    let unit = if chart.unit.is_empty() { String::new() } else { format!(", {}", chart.unit) };
    let title = format!("{} of {count}: {}{unit}", state.charts.chart + 1, chart.title);
    let block =
        panel(theme, cut(&visible(&title), usize::from(top.width).saturating_sub(6), theme.more()), 0);
    let inner = block.inner(top);
    frame.render_widget(block, top);
    plot(state, chart, frame, inner);
    let mut lines = Lines::new(state, bottom);
    if let Some((of, value, said)) = chart.points.get(state.charts.point) {
        let words = format!("{of}: {} {}", figure(*value), chart.unit);
        lines.say(Tone::Figure, &visible(&words));
        if let Some(said) = said {
            lines.say(Tone::Warn, &visible(said));
        }
    }
    for (looks, words) in &chart.words {
        lines.say(if *looks { Tone::Warn } else { Tone::Plain }, &visible(words));
    }
    let at = format!("point {} of {}", state.charts.point + 1, chart.points.len());
    lines.draw(&at, frame, bottom);
}

/// A value with four digits that count.
fn figure(value: f64) -> String {
    let digits = match value.abs() {
        v if v >= 1_000.0 => 1,
        v if v >= 100.0 => 2,
        v if v >= 10.0 => 3,
        v if v >= 0.1 || v == 0.0 => 4,
        _ => return format!("{value:.3e}"),
    };
    format!("{value:.digits$}")
}

fn plot(state: &State, chart: &LineChart, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let finite = chart.points.iter().map(|p| p.1).chain(chart.lines.into_iter().flatten());
    let finite: Vec<f64> = finite.filter(|v| v.is_finite()).collect();
    let low = finite.iter().copied().fold(f64::INFINITY, f64::min);
    let high = finite.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if finite.is_empty() || area.width < SIDE + 10 || area.height < 4 {
        frame.render_widget(Paragraph::new(" no points to draw"), area);
        return;
    }
    let room = if high > low { (high - low) * 0.08 } else { high.abs().max(1.0) * 0.01 };
    let (low, high) = (low - room, high + room);
    let row = |value: f64| area.y + area.height - 1 - step((value - low) / (high - low), area.height - 1);
    let plot = Rect { x: area.x + SIDE, width: area.width - SIDE - 1, ..area };
    let buffer = frame.buffer_mut();
    let mut label = |value: f64| {
        let text = format!("{:>9} ", figure(value));
        buffer.set_string(area.x, row(value), text, theme.style(Tone::Faint));
    };
    match chart.lines {
        Some(lines) => lines.into_iter().for_each(&mut label),
        None => [low + room, high - room].into_iter().for_each(&mut label),
    }
    for (value, sign) in chart.lines.into_iter().flatten().zip(["!", ":", "-", ":", "!"]) {
        let line = sign.repeat(usize::from(plot.width));
        frame.buffer_mut().set_string(plot.x, row(value), line, theme.style(Tone::Faint));
    }
    // The latest points, each with room enough to be told from its neighbours.
    let fit = usize::from(plot.width / 2).max(1);
    let from = chart.points.len().saturating_sub(fit).min(state.charts.point);
    let shown = chart.points.len().min(from + fit) - from;
    for (n, (_, value, said)) in chart.points.iter().skip(from).take(shown).enumerate() {
        if !value.is_finite() {
            continue;
        }
        let share = if shown > 1 { n as f64 / (shown - 1) as f64 } else { 0.5 };
        let x = plot.x + step(share, plot.width - 1);
        let chosen = from + n == state.charts.point;
        let (sign, tone) = match (chosen, said.is_some()) {
            (true, _) => ("@", Tone::Figure),
            (false, true) => ("X", Tone::Alarm),
            (false, false) => ("o", Tone::Mark),
        };
        frame.buffer_mut().set_string(x, row(*value), sign, theme.style(tone));
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of a width, 0 to 1")]
fn step(share: f64, most: u16) -> u16 {
    ((share.clamp(0.0, 1.0) * f64::from(most)).round()) as u16
}
