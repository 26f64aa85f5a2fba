//! Which part of the curve is looked at.

use super::state::Lens;
use crate::work::RunState;

/// Largest magnification: 2 to this power.
pub(super) const MOST_ZOOM: u32 = 10;
/// Steps that the cursor takes across the window.
const STEPS: f64 = 50.0;

/// The range (low, high) of titrant that the whole run takes; grows in round steps, not with each point.
pub(super) fn whole(run: &RunState) -> (f64, f64) {
    let mut low = 0.0_f64;
    let mut high = 0.0_f64;
    for point in run.points.iter().filter(|p| p.titrant.is_finite()) {
        low = low.min(point.titrant);
        high = high.max(point.titrant);
    }
    let ahead = run.outlook.interval.map(|(_, to)| to).or(run.outlook.expected);
    // A forecast far outside what has been added would flatten the curve: it may double the range at most.
    if let Some(ahead) = ahead.filter(|v| v.is_finite()) {
        high = high.max(ahead.min(2.0 * high));
    }
    (-round_up(-low), round_up(high * 1.01).max(0.1))
}

/// The range that the lens shows.
pub(super) fn window(run: &RunState, lens: Lens) -> (f64, f64) {
    let (low, high) = whole(run);
    if lens.zoom == 0 {
        return (low, high);
    }
    let last = run.points.last().map_or(high, |p| p.titrant);
    let width = (high - low) / f64::from(1_u32 << lens.zoom.min(MOST_ZOOM));
    let from = (lens.cursor.unwrap_or(last) - width / 2.0).clamp(low, high - width);
    (from, from + width)
}

/// The lens with its cursor one step to a side; it begins at the newest point.
pub(super) fn moved(run: &RunState, lens: Lens, right: bool) -> Lens {
    let (from, to) = window(run, lens);
    let (low, high) = whole(run);
    let step = (to - from) / STEPS;
    let at = lens.cursor.or_else(|| run.points.last().map(|p| p.titrant)).unwrap_or(from);
    let at = if right { at + step } else { at - step };
    Lens { cursor: Some(at.clamp(low, high)), ..lens }
}

/// The next round number at or above a positive one; 0 for others.
pub(super) fn round_up(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 0.0;
    }
    let power = 10_f64.powf(value.log10().floor());
    let mantissa = value / power;
    let round =
        [1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0].into_iter().find(|r| mantissa <= r + 1e-9);
    round.unwrap_or(10.0) * power
}

/// A round step that cuts a span into about `parts`.
pub(super) fn step(span: f64, parts: f64) -> f64 {
    let rough = span / parts.max(1.0);
    if !(rough.is_finite() && rough > 0.0) {
        return 1.0;
    }
    let power = 10_f64.powf(rough.log10().floor());
    let mantissa = rough / power;
    let round = [1.0, 2.0, 5.0, 10.0].into_iter().find(|r| mantissa <= r + 1e-9);
    round.unwrap_or(10.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_round() {
        for (value, round) in [(11.4, 12.0), (0.0, 0.0), (0.31, 0.4), (99.0, 100.0), (1.0, 1.0)] {
            assert!((round_up(value) - round).abs() < 1e-9, "{value}");
        }
        assert!((step(12.0, 5.0) - 5.0).abs() < 1e-9);
        assert!((step(9.0, 4.0) - 5.0).abs() < 1e-9);
        assert!((step(0.0, 4.0) - 1.0).abs() < 1e-9);
    }
}
