//! The page of charts: control samples, and what the fits of earlier runs say about electrode and solutions.

use super::desk::LineChart;
use super::state::State;

/// Where one is on the page.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct ChartsPage {
    /// The chart.
    pub(super) chart: usize,
    /// Its point.
    pub(super) point: usize,
}

/// The chart that is looked at.
pub(super) fn chart(state: &State) -> Option<&LineChart> {
    state.books.charts.as_ref()?.get(state.charts.chart)
}

/// How many points it has.
pub(super) fn points(state: &State) -> usize {
    chart(state).map_or(0, |chart| chart.points.len())
}

/// To the chart before or after; its latest point is chosen.
pub(super) fn turn(state: &mut State, forward: bool) {
    let count = state.books.charts.as_ref().map_or(0, Vec::len);
    let at = state.charts.chart;
    state.charts.chart = if forward { (at + 1).min(count.saturating_sub(1)) } else { at.saturating_sub(1) };
    state.charts.point = points(state).saturating_sub(1);
}

/// Keeps what is chosen within what there is.
pub(super) fn clamp(state: &mut State) {
    let count = state.books.charts.as_ref().map_or(0, Vec::len);
    state.charts.chart = state.charts.chart.min(count.saturating_sub(1));
    state.charts.point = points(state).saturating_sub(1);
}
