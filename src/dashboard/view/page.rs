//! Lines of a page, kept in sight around the one that is chosen.

use super::super::state::State;
use super::super::text::{cut, wrap};
use super::super::theme::Tone;
use super::panel;
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;

/// Lines that are gathered for a panel.
pub(super) struct Lines<'s> {
    state: &'s State,
    columns: usize,
    lines: Vec<Line<'static>>,
    chosen: Option<usize>,
}

impl<'s> Lines<'s> {
    /// None yet, for a panel of this place.
    pub(super) fn new(state: &'s State, area: Rect) -> Self {
        Self { state, columns: usize::from(area.width).saturating_sub(4), lines: Vec::new(), chosen: None }
    }

    /// A sentence, broken where it is too long.
    pub(super) fn say(&mut self, tone: Tone, words: &str) {
        for line in wrap(&self.state.options.theme.text(words), self.columns) {
            self.lines
                .push(Line::from(Span::styled(format!(" {line}"), self.state.options.theme.style(tone))));
        }
    }

    /// A line that is cut where it is too long, and may be the chosen one.
    pub(super) fn row(&mut self, tone: Tone, words: &str, chosen: bool) {
        let theme = self.state.options.theme;
        let pointer = if chosen { "▸" } else { " " };
        let text = cut(&theme.text(words), self.columns, theme.more());
        if chosen {
            self.chosen = Some(self.lines.len());
        }
        let tone = if chosen { Tone::Chosen } else { tone };
        let columns = self.columns;
        self.lines.push(Line::from(Span::styled(format!("{pointer} {text:<columns$}"), theme.style(tone))));
    }

    /// A line that is cut where it is too long.
    pub(super) fn line(&mut self, tone: Tone, words: &str) {
        let theme = self.state.options.theme;
        let text = cut(&theme.text(words), self.columns, theme.more());
        self.lines.push(Line::from(Span::styled(format!(" {text}"), theme.style(tone))));
    }

    /// Columns for words.
    pub(super) const fn columns(&self) -> usize {
        self.columns
    }

    /// An empty line.
    pub(super) fn gap(&mut self) {
        self.lines.push(Line::default());
    }

    /// Draws them in a panel, the chosen line in sight.
    pub(super) fn draw(self, title: &str, frame: &mut Frame<'_>, area: Rect) {
        let rows = usize::from(area.height).saturating_sub(2);
        let start = self.chosen.map_or(0, |at| (at + 2).saturating_sub(rows));
        self.draw_from(start, title, frame, area);
    }

    /// Draws them in a panel from a line on.
    pub(super) fn draw_from(self, start: usize, title: &str, frame: &mut Frame<'_>, area: Rect) {
        let theme = self.state.options.theme;
        let rows = usize::from(area.height).saturating_sub(2);
        let start = start.min(self.lines.len().saturating_sub(rows));
        let more = match (start > 0, self.lines.len() > start + rows) {
            (true, true) => " (more above and below)",
            (true, false) if self.chosen.is_none() => " (more above)",
            (_, true) => " (more below)",
            _ => "",
        };
        let block = panel(theme, format!("{title}{more}"), 0);
        let lines: Vec<Line<'static>> = self.lines.into_iter().skip(start).take(rows).collect();
        frame.render_widget(Paragraph::new(lines).block(block), area);
    }
}

/// An age in the unit that a person would use.
pub(super) fn age(now_us: i64, then_us: i64) -> String {
    let seconds = u64::try_from((now_us - then_us) / 1_000_000).unwrap_or(0);
    match seconds {
        0..=172_799 => super::super::text::duration(seconds),
        _ => format!("{} d", seconds / 86_400),
    }
}
