//! End-points that a procedure defines by a level or an extreme of the signal.

use super::EndPoint;
use super::condition::Points;
use super::given::Level;

/// The first crossing of a level after which the signal stays beyond it, by straight interpolation.
pub(super) fn level(points: &Points, level: &Level) -> Option<EndPoint> {
    if !level.signal.is_finite() {
        return None;
    }
    let x = &points.signal;
    let side = |value: f64| value - level.signal >= 0.0;
    let start = side(x[0]);
    // The last crossing away from the starting side: everything behind it stays.
    let last_on_start = x.iter().rposition(|v| side(*v) == start)?;
    let first_beyond = last_on_start + 1;
    if first_beyond >= x.len() {
        return None;
    }
    if let Some(t) = &points.time_s
        && t[t.len() - 1] - t[first_beyond] < level.stay_s
    {
        return None;
    }
    let (v0, v1) = (points.titrant[last_on_start], points.titrant[first_beyond]);
    let (x0, x1) = (x[last_on_start], x[first_beyond]);
    let part = if (x1 - x0).abs() > 0.0 { (level.signal - x0) / (x1 - x0) } else { 0.5 };
    let slope = if (x1 - x0).abs() > 0.0 { (v1 - v0) / (x1 - x0) } else { 0.0 };
    let u_signal = points.u_signal.hypot(level.u_signal.abs());
    // A chord over a curved stretch misses by less than an eighth of the step for each fold of its slope; a tenth is kept.
    let u = (slope * u_signal).hypot(points.u_titrant).hypot(0.1 * (v1 - v0));
    Some(EndPoint {
        titrant: v0 + part * (v1 - v0),
        u: Some(u),
        signal: Some(level.signal),
        confirmed_at: None,
        confirmed_at_point: None,
        method: "level reached for good, straight interpolation".to_owned(),
    })
}

/// The extreme of the signal, by a parabola through the points around it.
pub(super) fn peak(points: &Points) -> Option<EndPoint> {
    let x = &points.signal;
    let n = x.len();
    let base = f64::midpoint(x[0], x[n - 1]);
    let top = (0..n).max_by(|a, b| (x[*a] - base).abs().total_cmp(&(x[*b] - base).abs()))?;
    let height = (x[top] - base).abs();
    if top == 0 || top + 1 == n || height < 8.0 * points.u_signal {
        return None;
    }
    // The points of the upper half, at least one on each side.
    let high = |i: &usize| (x[*i] - base).abs() > 0.5 * height && (x[*i] - base) * (x[top] - base) > 0.0;
    let mut first = top - 1;
    while first > 0 && high(&(first - 1)) {
        first -= 1;
    }
    let mut last = top + 1;
    while last + 1 < n && high(&(last + 1)) {
        last += 1;
    }
    let centre = points.titrant[top];
    let width = (points.titrant[last] - points.titrant[first]).max(f64::MIN_POSITIVE);
    let rows: Vec<[f64; 3]> = (first..=last)
        .map(|i| {
            let d = (points.titrant[i] - centre) / width;
            [1.0, d, d * d]
        })
        .collect();
    let (c, cov, scale) = crate::numeric::line::least_squares(&rows, &x[first..=last])?;
    let d = -c[1] / (2.0 * c[2]);
    if !(d.is_finite() && d.abs() <= 1.0) || c[2] * (x[top] - base) >= 0.0 {
        return None;
    }
    // d = -b / 2c: its variance by propagation with the covariance of b and c.
    let gradient = [0.0, -1.0 / (2.0 * c[2]), c[1] / (2.0 * c[2] * c[2])];
    let mut variance = 0.0;
    for i in 0..3 {
        for j in 0..3 {
            variance += gradient[i] * cov[(i, j)] * gradient[j];
        }
    }
    let u = variance.max(0.0).sqrt() * scale.max(points.u_signal) * width;
    Some(EndPoint {
        titrant: centre + d * width,
        u: Some(u.hypot(points.u_titrant)),
        signal: Some(c[0] + c[1] * d + c[2] * d * d),
        confirmed_at: None,
        confirmed_at_point: None,
        method: "extreme of the signal, parabola through its upper half".to_owned(),
    })
}
