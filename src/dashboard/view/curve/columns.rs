//! Points gathered to the columns of the screen, and the range of the signal that is shown.

use super::super::super::lens;
use crate::reading::Unit;
use crate::work::RunState;

/// What the points in one narrow column of the screen span; the order of arrival does not matter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Column {
    pub(super) first: (f64, f64),
    pub(super) last: (f64, f64),
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) sum: (f64, f64),
    pub(super) count: u32,
}

/// The points within `range`, gathered in `columns` columns; empty ones are left out.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the position is checked to lie within 0..=1 before it becomes a column"
)]
pub(super) fn gather(run: &RunState, range: (f64, f64), columns: usize) -> Vec<Column> {
    let mut all: Vec<Option<Column>> = vec![None; columns];
    let span = range.1 - range.0;
    for point in &run.points {
        let (x, y) = (point.titrant, point.signal);
        let at = (x - range.0) / span;
        if !((0.0..=1.0).contains(&at) && y.is_finite()) {
            continue;
        }
        let slot = ((at * columns as f64) as usize).min(columns.saturating_sub(1));
        let Some(slot) = all.get_mut(slot) else { continue };
        match slot {
            None => {
                *slot = Some(Column { first: (x, y), last: (x, y), low: y, high: y, sum: (x, y), count: 1 });
            }
            Some(column) => {
                if x < column.first.0 {
                    column.first = (x, y);
                }
                if x >= column.last.0 {
                    column.last = (x, y);
                }
                column.low = column.low.min(y);
                column.high = column.high.max(y);
                column.sum = (column.sum.0 + x, column.sum.1 + y);
                column.count += 1;
            }
        }
    }
    all.into_iter().flatten().collect()
}

/// Range of the signal in round steps, and the step.
///
/// The range is at least `least` wide, so that noise does not look like a curve and the picture is
/// not drawn anew with each point.
pub(super) fn signal_range(columns: &[Column], rows: f64, least: f64) -> (f64, f64, f64) {
    let low = columns.iter().map(|c| c.low).fold(f64::INFINITY, f64::min);
    let high = columns.iter().map(|c| c.high).fold(f64::NEG_INFINITY, f64::max);
    if !(low.is_finite() && high.is_finite()) {
        return (0.0, 1.0, 1.0);
    }
    let span = (high - low).max(low.abs() * 1e-3).max(least);
    let step = lens::step(span, (rows / 2.5).clamp(2.0, 10.0));
    let from = (low / step - 0.1).floor() * step;
    let to = ((high / step + 0.1).ceil() * step).max(from + (least / step).round() * step);
    (from, to, step)
}

/// The narrowest range of the signal that is shown (common practice, no source).
pub(super) const fn least_range(run: &RunState) -> f64 {
    match run.head.curve.signal {
        Some((_, Unit::Ph)) => 2.0,
        Some((_, Unit::Millivolt)) => 100.0,
        Some((_, Unit::Volt | Unit::Absorbance)) => 0.1,
        _ => 1e-3,
    }
}
