//! How steep the curve is, column by column, under the curve.

use super::super::super::lens;
use super::super::super::state::State;
use super::super::super::theme::{Theme, Tone};
use super::super::panel;
use super::GUTTER;
use super::columns::{Column, gather};
use crate::work::RunState;
use ratatui::Frame;
use ratatui::layout::Rect;

/// Draws how steep the curve is, column by column, under the curve.
pub(in super::super) fn steepness(
    state: &State,
    run: &RunState,
    frame: &mut Frame<'_>,
    area: Rect,
    urgency: u8,
) {
    let theme = state.options.theme;
    let block = panel(theme, "steepness", urgency);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let plot =
        Rect { x: inner.x + GUTTER.min(inner.width), width: inner.width.saturating_sub(GUTTER + 1), ..inner };
    if plot.width < 8 || plot.height == 0 {
        return;
    }
    let range = lens::window(run, state.lens);
    let bars = bars(&gather(run, range, usize::from(plot.width)), range, usize::from(plot.width));
    // The full height is a power of two, so that the strip is not drawn anew with each steeper point.
    let most = bars.iter().copied().fold(0.0, f64::max).log2().ceil().exp2();
    if !(most.is_finite() && most > 0.0) {
        return;
    }
    let buffer = frame.buffer_mut();
    let style = theme.style(Tone::Curve);
    for (x, bar) in (plot.x..).zip(&bars) {
        let eighths = (bar / most * f64::from(plot.height) * 8.0).round();
        for (row, y) in (plot.y..plot.y + plot.height).rev().enumerate() {
            let part = eighths - 8.0 * row as f64;
            let glyph = level(theme, part);
            if part >= 1.0 {
                buffer.set_string(x, y, glyph, style);
            }
        }
    }
}

/// The glyph for a part of a cell, in eighths.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to 0..=8 before the cast"
)]
fn level(theme: Theme, eighths: f64) -> &'static str {
    const BLOCKS: [&str; 9] = [" ", "▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"];
    const PLAIN: [&str; 9] = [" ", ".", ".", ":", ":", "+", "+", "#", "#"];
    let at = eighths.clamp(0.0, 8.0) as usize;
    if theme.ascii { PLAIN[at] } else { BLOCKS[at] }
}

/// The slope's size for each column of the screen: between the means of neighbouring filled columns.
fn bars(columns: &[Column], range: (f64, f64), count: usize) -> Vec<f64> {
    let mean = |c: &Column| (c.sum.0 / f64::from(c.count), c.sum.1 / f64::from(c.count));
    let mut bars = vec![0.0_f64; count];
    let span = range.1 - range.0;
    for pair in columns.windows(2) {
        let (from, to) = (mean(&pair[0]), mean(&pair[1]));
        let slope = ((to.1 - from.1) / (to.0 - from.0)).abs();
        if !slope.is_finite() {
            continue;
        }
        for (at, bar) in bars.iter_mut().enumerate() {
            let left = range.0 + span * at as f64 / count as f64;
            let right = left + span / count as f64;
            if left < to.0 && right > from.0 {
                *bar = bar.max(slope);
            }
        }
    }
    bars
}
