//! The cover: figures and warnings of every lane, and a field that asks who sits there.

use super::super::alarm::Alarm;
use super::super::cover::{Cover, rule};
use super::super::needs;
use super::super::state::State;
use super::super::text::{cut, visible, wrap};
use super::super::theme::Tone;
use super::{lane_row, panel};
use crate::work::Identity;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;

/// Draws the cover.
pub(super) fn draw(state: &State, cover: &Cover, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let [above, below] = Layout::vertical([Constraint::Min(4), Constraint::Length(7)]).areas(area);
    let urgency = state.bench.lanes.iter().map(|lane| needs::loud(state, lane).urgency()).max().unwrap_or(0);
    let block = panel(theme, "recording goes on", urgency);
    let inner = block.inner(above);
    frame.render_widget(block, above);
    let columns = usize::from(inner.width);
    let mut lines = vec![lane_row::heading(state, columns)];
    for lane in &state.bench.lanes {
        let tone = match (needs::need(state, lane), needs::loud(state, lane)) {
            (Some(_), _) => Tone::Alarm,
            (None, Alarm::Calm) => Tone::Plain,
            (None, _) => Tone::Warn,
        };
        lines.push(Line::from(Span::styled(lane_row::row(state, lane, columns), theme.style(tone))));
        for warning in lane.warnings.iter().rev().take(2) {
            let words = format!("     ! {}", visible(warning));
            lines.push(Line::from(Span::styled(cut(&words, columns, theme.more()), theme.style(Tone::Warn))));
        }
    }
    frame.render_widget(Paragraph::new(lines), inner);
    field(state, cover, frame, below);
}

fn field(state: &State, cover: &Cover, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let title = if cover.first { "who sits here?" } else { "covered: no command is taken" };
    let block = panel(theme, title, 0);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let columns = usize::from(inner.width).saturating_sub(2);
    let (asks, hidden) = match (rule(state), &cover.name) {
        (Identity::Account, _) => ("the account or name of whoever sits here".to_owned(), false),
        (Identity::Named, _) => ("your name".to_owned(), false),
        (Identity::Key, None) => ("your name; its key is asked for next".to_owned(), false),
        (Identity::Key, Some(name)) => (format!("pass-phrase of the key of {}", visible(name)), true),
    };
    let typed = cover.input.value();
    let shown = if hidden { "*".repeat(typed.chars().count()) } else { visible(typed) };
    let mut lines = vec![
        Line::from(format!(" {asks}:")),
        Line::from(Span::styled(
            format!(" > {}_", cut(&shown, columns.saturating_sub(4), theme.more())),
            theme.style(Tone::Figure),
        )),
    ];
    let (tone, words) = match (&cover.wrong, cover.waits) {
        (_, true) => (Tone::Plain, "one moment ...".to_owned()),
        (Some(why), _) => (Tone::Warn, why.clone()),
        (None, false) if cover.first => (
            Tone::Plain,
            "This bench wants to know who gives a command. Esc looks on without commanding.".to_owned(),
        ),
        (None, false) => (
            Tone::Plain,
            "Nobody touched this screen for a while, or somebody covered it. Nothing is lost: the runs go on."
                .to_owned(),
        ),
    };
    for line in wrap(&words, columns) {
        lines.push(Line::from(Span::styled(format!(" {line}"), theme.style(tone))));
    }
    frame.render_widget(Paragraph::new(lines), inner);
}
