//! The curve and the marks of end-points; thinned to the columns of the screen.

mod columns;
mod steepness;

pub(super) use steepness::steepness;

use super::super::desk::EarlierCurve;
use super::super::lens;
use super::super::state::State;
use super::super::text::{cut, visible, width};
use super::super::theme::{Theme, Tone};
use super::panel;
use crate::reading::Unit;
use crate::work::RunState;
use columns::{Column, gather, least_range, signal_range};
use ratatui::Frame;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Style};
use ratatui::symbols::Marker;
use ratatui::text::{Line, Span};
use ratatui::widgets::Block;
use ratatui::widgets::canvas::{Canvas, Line as Stroke, Points};

/// Columns for the numbers beside the curve.
const GUTTER: u16 = 7;
/// Interval of an end-point that is drawn, in standard uncertainties (about 95 %).
const COVERAGE: f64 = 2.0;

/// Where the parts of the panel are.
struct Parts {
    plot: Rect,
    axis: u16,
    labels: u16,
}

fn parts(inner: Rect) -> Parts {
    let plot = Rect {
        x: inner.x + GUTTER.min(inner.width),
        y: inner.y,
        width: inner.width.saturating_sub(GUTTER + 1),
        height: inner.height.saturating_sub(2),
    };
    Parts { plot, axis: plot.y + plot.height, labels: plot.y + plot.height + 1 }
}

/// Where the curve is drawn within its panel; none where there is no room.
pub(super) fn plot_in(area: Rect) -> Option<Rect> {
    let Parts { plot, .. } = parts(Block::bordered().inner(area));
    (plot.width >= 8 && plot.height >= 3).then_some(plot)
}

/// Draws the curve of a run.
pub(super) fn draw(state: &State, run: &RunState, frame: &mut Frame<'_>, area: Rect, urgency: u8) {
    let theme = state.options.theme;
    let block = panel(theme, title(state, run, area.width), urgency);
    let block = match readout(state, run) {
        Some(words) => block
            .title(Line::from(Span::styled(format!(" {words} "), theme.style(Tone::Figure))).right_aligned()),
        None => block,
    };
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let Parts { plot, axis, labels } = parts(inner);
    if plot.width < 8 || plot.height < 3 {
        return;
    }
    if run.points.is_empty() {
        waiting(state, frame.buffer_mut(), plot);
        return;
    }
    let range = lens::window(run, state.lens);
    let columns = gather(run, range, usize::from(plot.width) * 2);
    let (from, to, step) = signal_range(&columns, f64::from(plot.height), least_range(run));
    let decimals = if step >= 1.0 { 0 } else { usize::from(step < 0.1) + 1 + usize::from(step < 0.01) };
    let buffer = frame.buffer_mut();
    let faint = theme.style(Tone::Faint);
    let mut level = (from / step - 1e-6).ceil() * step;
    while level <= to + step * 0.01 {
        let y = row_of(theme, plot, (to - level) / (to - from));
        let text = cut(&figure(level, step, decimals), usize::from(GUTTER) - 1, theme.more());
        let right = plot.x.saturating_sub(1).saturating_sub(u16::try_from(width(&text)).unwrap_or(0));
        buffer.set_string(right, y, &text, faint);
        for x in (plot.x..plot.x + plot.width).step_by(4) {
            buffer.set_string(x, y, "·", faint);
        }
        level += step;
    }
    ruler(theme, buffer, plot, axis, labels, range, run.head.curve.titrant.unit().symbol());
    marks(theme, run, buffer, plot, axis, range);
    if let Some(cursor) = state.lens.cursor {
        upright(buffer, plot, range, cursor, "│", theme.style(Tone::Figure));
    }
    let earlier = state.earlier.get(&state.lane).map(Vec::as_slice).unwrap_or_default();
    for curve in earlier {
        dotted(theme, &curve.points, Tone::Ghost, frame, plot, range, (from, to));
    }
    // What was measured lies over what was fitted.
    dotted(theme, &run.fit, Tone::Mark, frame, plot, range, (from, to));
    paint(theme, &columns, frame, plot, range, (from, to));
    legend(theme, run, earlier, frame.buffer_mut(), plot);
    if columns.len() * 3 < usize::from(plot.width) {
        dots(theme, run, frame.buffer_mut(), plot, range, (from, to));
    }
}

/// What stands in the place of the curve before its first point.
fn waiting(state: &State, buffer: &mut Buffer, plot: Rect) {
    let words = if state.lane().is_some_and(|lane| lane.keyed) {
        "no point yet: key the burette reading (v)"
    } else {
        "no point yet: waiting for titrant and signal"
    };
    let style = state.options.theme.style(Tone::Plain);
    buffer.set_string(plot.x.saturating_sub(4), plot.y + plot.height / 2, words, style);
}

/// While the points are few, each is shown as such: what lies between is only a line.
fn dots(
    theme: Theme,
    run: &RunState,
    buffer: &mut Buffer,
    plot: Rect,
    range: (f64, f64),
    signal: (f64, f64),
) {
    let style = theme.style(Tone::Curve);
    for point in &run.points {
        let up = (point.signal - signal.0) / (signal.1 - signal.0);
        if let (Some(x), true) = (column_of(plot, range, point.titrant), (0.0..=1.0).contains(&up)) {
            let y = row_of(theme, plot, 1.0 - up);
            buffer.set_string(x, y, "•", style);
        }
    }
}

fn title(state: &State, run: &RunState, columns: u16) -> String {
    let theme = state.options.theme;
    let signal = match run.head.curve.signal {
        Some((_, Unit::Ph)) => "pH".to_owned(),
        Some((quantity, unit)) => format!("{}, {}", theme.quantity(quantity), theme.unit(unit)),
        None => "signal".to_owned(),
    };
    let zoom = if state.lens.zoom > 0 { format!(" x{}", 1_u32 << state.lens.zoom) } else { String::new() };
    let sample = &run.head.plan.sample;
    // The rest of the title and what the cursor reads out stand beside it.
    let room = usize::from(columns).saturating_sub(if state.lens.cursor.is_some() { 44 } else { 27 }).max(8);
    let of = if sample.is_empty() {
        String::new()
    } else {
        format!(" of {}", cut(&visible(sample), room, theme.more()))
    };
    format!("{signal}{of} ({}){zoom}", run.head.origin.word())
}

/// The point nearest to the cursor, in figures.
fn readout(state: &State, run: &RunState) -> Option<String> {
    let cursor = state.lens.cursor?;
    let point =
        run.points.iter().min_by(|a, b| (a.titrant - cursor).abs().total_cmp(&(b.titrant - cursor).abs()))?;
    let unit = run.head.curve.titrant.unit();
    let signal = match run.head.curve.signal {
        Some((_, Unit::Ph)) => format!("pH {:.3}", point.signal),
        Some((_, unit)) => format!("{:.2} {}", point.signal, state.options.theme.unit(unit)),
        None => format!("{:.3}", point.signal),
    };
    Some(format!("{:.3} {unit}: {signal}", point.titrant))
}

/// The cell, of `cells`, in which a fraction of the way lies, as the canvas places it with `dots` a cell.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to the cells of the area before the cast"
)]
fn cell(fraction: f64, cells: u16, dots: u16) -> u16 {
    let dot = (fraction * f64::from((cells * dots).saturating_sub(1))).round();
    (dot / f64::from(dots)).floor().clamp(0.0, f64::from(cells.saturating_sub(1))) as u16
}

/// The row of a fraction of the way down.
fn row_of(theme: Theme, plot: Rect, down: f64) -> u16 {
    plot.y + cell(down, plot.height, if theme.ascii { 1 } else { 4 })
}

/// The column of a value, if it lies within the range.
fn column_of(plot: Rect, range: (f64, f64), value: f64) -> Option<u16> {
    let at = (value - range.0) / (range.1 - range.0);
    (0.0..=1.0).contains(&at).then(|| plot.x + cell(at, plot.width, 2))
}

/// A number on an axis; a rounded zero has no sign.
fn figure(value: f64, step: f64, decimals: usize) -> String {
    format!("{:.decimals$}", if value.abs() < step * 0.01 { 0.0 } else { value })
}

fn ruler(
    theme: Theme,
    buffer: &mut Buffer,
    plot: Rect,
    axis: u16,
    labels: u16,
    range: (f64, f64),
    unit: &str,
) {
    let faint = theme.style(Tone::Faint);
    for x in plot.x..plot.x + plot.width {
        buffer.set_string(x, axis, "─", faint);
    }
    let step = lens::step(range.1 - range.0, f64::from(plot.width) / 6.0);
    let decimals = if step >= 1.0 { 0 } else { usize::from(step < 0.1) + 1 + usize::from(step < 0.01) };
    let end = plot.x + plot.width + 1;
    let unit_at = end.saturating_sub(u16::try_from(unit.len()).unwrap_or(0));
    let mut tick = (range.0 / step - 1e-6).ceil() * step;
    while tick <= range.1 + step * 0.01 {
        if let Some(x) = column_of(plot, range, tick) {
            buffer.set_string(x, axis, "┴", faint);
            let text = figure(tick, step, decimals);
            let wide = u16::try_from(text.len()).unwrap_or(0);
            let left = x.saturating_sub(wide / 2).max(plot.x.saturating_sub(1));
            if left + wide < unit_at {
                buffer.set_string(left, labels, &text, faint);
            }
        }
        tick += step;
    }
    buffer.set_string(unit_at, labels, unit, faint);
}

/// End-points with their intervals, and the forecast with its own, on the axis and through the curve.
fn marks(theme: Theme, run: &RunState, buffer: &mut Buffer, plot: Rect, axis: u16, range: (f64, f64)) {
    let found: Vec<(f64, Option<f64>)> = match &run.end {
        Some(end) => end.end_points.iter().map(|e| (e.titrant, e.u)).collect(),
        None => run.finds().into_iter().filter_map(|c| c.end_point.map(|at| (at, c.u))).collect(),
    };
    if run.end.is_none() {
        if let Some((low, high)) = run.outlook.interval {
            span(buffer, plot, axis, range, (low, high), "╌", theme.style(Tone::Warn));
        }
        if let Some(x) = run.outlook.expected.and_then(|at| column_of(plot, range, at)) {
            buffer.set_string(x, axis, "△", theme.style(Tone::Warn));
        }
    }
    for (at, u) in found {
        let style = theme.style(Tone::Mark);
        if let Some(u) = u.filter(|u| u.is_finite()) {
            span(buffer, plot, axis, range, (at - COVERAGE * u, at + COVERAGE * u), "═", style);
        }
        upright(buffer, plot, range, at, "┆", style);
        if let Some(x) = column_of(plot, range, at) {
            buffer.set_string(x, axis, "▲", style);
        }
    }
}

fn span(
    buffer: &mut Buffer,
    plot: Rect,
    row: u16,
    range: (f64, f64),
    of: (f64, f64),
    glyph: &str,
    style: Style,
) {
    let inside = |value: f64| value.clamp(range.0, range.1);
    if of.1 < range.0 || of.0 > range.1 {
        return;
    }
    let (left, right) = (column_of(plot, range, inside(of.0)), column_of(plot, range, inside(of.1)));
    if let (Some(left), Some(right)) = (left, right) {
        for x in left..=right {
            buffer.set_string(x, row, glyph, style);
        }
    }
}

fn upright(buffer: &mut Buffer, plot: Rect, range: (f64, f64), at: f64, glyph: &str, style: Style) {
    if let Some(x) = column_of(plot, range, at) {
        for y in plot.y..plot.y + plot.height {
            buffer.set_string(x, y, glyph, style);
        }
    }
}

/// A curve in dots beside the one that is measured: an earlier portion, or the fit.
fn dotted(
    theme: Theme,
    points: &[(f64, f64)],
    tone: Tone,
    frame: &mut Frame<'_>,
    plot: Rect,
    range: (f64, f64),
    signal: (f64, f64),
) {
    // One dot in every other column, so that it is told from the measured line without colour.
    let (width, mut last) = (f64::from(plot.width) / 2.0, f64::NEG_INFINITY);
    let mut coords = Vec::new();
    for &(x, y) in points.iter().filter(|(x, y)| x.is_finite() && y.is_finite()) {
        let at = ((x - range.0) / (range.1 - range.0) * width).floor();
        if at > last {
            coords.push((x, y));
            last = at;
        }
    }
    let color = theme.style(tone).fg.unwrap_or(Color::Reset);
    let marker = if theme.ascii { Marker::Custom('.') } else { Marker::Braille };
    let canvas = Canvas::default()
        .marker(marker)
        .x_bounds([range.0, range.1])
        .y_bounds([signal.0, signal.1])
        .paint(|context| context.draw(&Points { coords: &coords, color }));
    frame.render_widget(canvas, plot);
}

/// Says what is drawn in dots.
fn legend(theme: Theme, run: &RunState, earlier: &[EarlierCurve], buffer: &mut Buffer, plot: Rect) {
    let unit = run.head.curve.titrant.unit();
    let mut parts: Vec<String> = earlier
        .iter()
        .map(|curve| match curve.end_point {
            Some(at) => format!("portion {} ({at:.3} {unit})", curve.portion),
            None => format!("portion {}", curve.portion),
        })
        .collect();
    if !run.fit.is_empty() {
        parts.push("the fit".to_owned());
    }
    if !parts.is_empty() {
        let words = format!("dots: {}", parts.join(", "));
        let words = cut(&words, usize::from(plot.width).saturating_sub(2), theme.more());
        buffer.set_string(plot.x + 1, plot.y, words, theme.style(Tone::Faint));
    }
}

fn paint(
    theme: Theme,
    columns: &[Column],
    frame: &mut Frame<'_>,
    plot: Rect,
    range: (f64, f64),
    signal: (f64, f64),
) {
    let colour = theme.style(Tone::Curve).fg.unwrap_or(Color::Reset);
    let marker = if theme.ascii { Marker::Custom('*') } else { Marker::Braille };
    let canvas =
        Canvas::default().marker(marker).x_bounds([range.0, range.1]).y_bounds([signal.0, signal.1]).paint(
            |context| {
                let mut before: Option<&Column> = None;
                for column in columns {
                    let x = column.first.0;
                    context.draw(&Stroke { x1: x, y1: column.low, x2: x, y2: column.high, color: colour });
                    if let Some(before) = before {
                        let (from, to) = (before.last, column.first);
                        context.draw(&Stroke { x1: from.0, y1: from.1, x2: to.0, y2: to.1, color: colour });
                    }
                    before = Some(column);
                }
                if let [only] = columns {
                    context.draw(&Points { coords: &[only.first], color: colour });
                }
            },
        );
    frame.render_widget(canvas, plot);
}
