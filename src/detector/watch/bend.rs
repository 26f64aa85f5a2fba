//! A bend: two straight branches that meet, told from one smooth curve.
//!
//! Signals in proportion to a concentration are multiplied by (V0 + V)/V0 first. The older points are held as sums
//! of a few groups, the newest as they are; for each place among the newest the two lines before and after it are
//! weighed against one parabola through all. Bounded state and work.

use super::sight::{Place, Sight, amount};
use crate::detector::Because;

/// Newest points held one by one.
const NEWEST: usize = 20;
/// Groups of older points.
const GROUPS: usize = 24;
/// Least number of points on each side of a bend.
const BEFORE: f64 = 4.0;
const AFTER: f64 = 3.0;
/// A bend must change the signal by this part of all that it has moved so far.
const WORTH: f64 = 0.03;
/// The second window starts at this part of the titrant since the last end-point.
const NEARER: f64 = 0.6;

/// Sums of powers of a group of points.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Sums {
    n: f64,
    v: f64,
    y: f64,
    vv: f64,
    vy: f64,
    yy: f64,
    vvv: f64,
    vvvv: f64,
    vvy: f64,
    first: f64,
    last: f64,
}

impl Sums {
    fn of(v: f64, y: f64) -> Self {
        let vv = v * v;
        Self {
            n: 1.0,
            v,
            y,
            vv,
            vy: v * y,
            yy: y * y,
            vvv: vv * v,
            vvvv: vv * vv,
            vvy: vv * y,
            first: v,
            last: v,
        }
    }

    fn plus(&self, other: &Self) -> Self {
        if self.n <= 0.0 {
            return *other;
        }
        Self {
            n: self.n + other.n,
            v: self.v + other.v,
            y: self.y + other.y,
            vv: self.vv + other.vv,
            vy: self.vy + other.vy,
            yy: self.yy + other.yy,
            vvv: self.vvv + other.vvv,
            vvvv: self.vvvv + other.vvvv,
            vvy: self.vvy + other.vvy,
            first: self.first,
            last: other.last,
        }
    }

    /// The straight line, with the sum of its squared residuals.
    fn line(&self) -> Option<Line> {
        let sxx = self.vv - self.v * self.v / self.n;
        let sxy = self.vy - self.v * self.y / self.n;
        let syy = self.yy - self.y * self.y / self.n;
        if sxx.is_nan() || sxx <= 1e-12 * self.vv.max(1e-300) {
            return None;
        }
        let slope = sxy / sxx;
        let mean = self.v / self.n;
        Some(Line {
            slope,
            mean,
            level: self.y / self.n,
            sxx,
            n: self.n,
            squares: (syy - slope * sxy).max(0.0),
        })
    }

    /// Sum of squared residuals of the best parabola.
    fn parabola_squares(&self) -> f64 {
        let n = self.n;
        let a = self.vv - self.v * self.v / n;
        let b = self.vvv - self.v * self.vv / n;
        let c = self.vvvv - self.vv * self.vv / n;
        let p = self.vy - self.v * self.y / n;
        let q = self.vvy - self.vv * self.y / n;
        let syy = self.yy - self.y * self.y / n;
        let determinant = a * c - b * b;
        if determinant.is_nan() || determinant <= 1e-14 * a * c {
            return syy.max(0.0);
        }
        let first = (p * c - q * b) / determinant;
        let second = (q * a - p * b) / determinant;
        (syy - first * p - second * q).max(0.0)
    }
}

/// A straight line through some points.
#[derive(Debug, Clone, Copy)]
struct Line {
    slope: f64,
    mean: f64,
    level: f64,
    sxx: f64,
    n: f64,
    squares: f64,
}

impl Line {
    fn at(&self, v: f64) -> f64 {
        self.level + self.slope * (v - self.mean)
    }

    fn variance_at(&self, v: f64) -> f64 {
        1.0 / self.n + (v - self.mean).powi(2) / self.sxx
    }
}

/// The running state.
#[derive(Debug, Clone)]
pub(super) struct Bend {
    /// Volume before the first addition; zero switches the dilution correction off.
    before: f64,
    origin: Option<(f64, f64)>,
    groups: Vec<Sums>,
    per_group: f64,
    newest: Vec<(f64, f64)>,
    range: (f64, f64),
}

/// The best pair of lines.
struct Pair {
    at: f64,
    u: f64,
    gain: f64,
    turn: f64,
    after: f64,
    between: (f64, f64),
}

impl Bend {
    pub(super) fn new(before: f64) -> Self {
        Self {
            before,
            origin: None,
            groups: Vec::with_capacity(GROUPS),
            per_group: 1.0,
            newest: Vec::with_capacity(NEWEST),
            range: (0.0, 0.0),
        }
    }

    /// A later reading at the titrant of the last point.
    pub(super) fn settle(&mut self, titrant: f64, signal: f64) {
        let corrected = self.before_dilution(titrant, signal);
        if let (Some((v, y)), Some(last)) = (self.origin, self.newest.last_mut()) {
            *last = (titrant - v, corrected - y);
        }
    }

    fn before_dilution(&self, titrant: f64, signal: f64) -> f64 {
        if self.before > 0.0 { signal * (self.before + titrant) / self.before } else { signal }
    }

    /// Takes the next point; its titrant is above that of the point before.
    pub(super) fn add(&mut self, titrant: f64, signal: f64, noise: f64, count: usize) -> Sight {
        let corrected = self.before_dilution(titrant, signal);
        let (v0, y0) = *self.origin.get_or_insert((titrant, corrected));
        let (v, y) = (titrant - v0, corrected - y0);
        self.range = (self.range.0.min(y), self.range.1.max(y));
        if self.newest.len() >= NEWEST {
            let (v, y) = self.newest.remove(0);
            self.keep(&Sums::of(v, y));
        }
        self.newest.push((v, y));
        self.judge(noise, count, v0)
    }

    fn keep(&mut self, one: &Sums) {
        match self.groups.last_mut() {
            Some(last) if last.n < self.per_group => *last = last.plus(one),
            _ => {
                if self.groups.len() >= GROUPS {
                    self.per_group *= 2.0;
                    let joined: Vec<Sums> = self
                        .groups
                        .chunks(2)
                        .map(|pair| if let [a, b] = pair { a.plus(b) } else { pair[0] })
                        .collect();
                    self.groups.clear();
                    self.groups.extend(joined);
                }
                self.groups.push(*one);
            }
        }
    }

    fn judge(&mut self, noise: f64, count: usize, v0: f64) -> Sight {
        let chances = 1.5 + (2.0 * (count.max(2) as f64).ln()).sqrt();
        let Some(best) = self.best_pair(noise) else { return Sight::Nothing };
        let now = self.newest.last().map_or(0.0, |p| p.0);
        let limit = chances * chances;
        let because = Because {
            what: format!(
                "squared residuals that two lines meeting at {} save against one parabola, over the noise",
                amount(best.at + v0)
            ),
            figure: best.gain,
            limit,
            points: count,
        };
        let sure = best.gain > limit && best.turn > chances;
        if !sure {
            return Sight::Nothing;
        }
        if best.at + 2.0 * best.u < now && best.after >= AFTER {
            let place = Place {
                end_point: best.at + v0,
                u: best.u,
                between: (best.between.0 + v0, best.between.1 + v0),
            };
            self.restart(best.at);
            return Sight::Found(place, because);
        }
        Sight::Turning(because)
    }

    /// After a find only what lies behind it counts for the next one.
    fn restart(&mut self, at: f64) {
        self.groups.clear();
        self.per_group = 1.0;
        self.newest.retain(|p| p.0 > at);
    }

    fn best_pair(&self, noise: f64) -> Option<Pair> {
        let now = self.newest.last()?.0;
        let start = self.groups.first().map_or(self.newest[0].0, |g| g.first);
        let cut = start + NEARER * (now - start);
        let mut windows = [Sums::default(); 2];
        for group in &self.groups {
            windows[0] = windows[0].plus(group);
            if group.first >= cut {
                windows[1] = windows[1].plus(group);
            }
        }
        let mut best: Option<Pair> = None;
        for (k, older) in windows.iter().enumerate() {
            let from = if k == 0 { f64::NEG_INFINITY } else { cut };
            let taken: Vec<Sums> =
                self.newest.iter().filter(|p| p.0 >= from).map(|(v, y)| Sums::of(*v, *y)).collect();
            let whole = taken.iter().fold(*older, |sum, one| sum.plus(one));
            if whole.n < BEFORE + AFTER {
                continue;
            }
            let smooth = whole.parabola_squares();
            let mut before = *older;
            for (i, one) in taken.iter().enumerate() {
                if before.n >= BEFORE && taken.len() - i >= 3 {
                    let after = taken[i..].iter().fold(Sums::default(), |sum, one| sum.plus(one));
                    if let Some(pair) = self.pair(&before, &after, smooth, noise)
                        && best.as_ref().is_none_or(|b| pair.gain > b.gain)
                    {
                        best = Some(pair);
                    }
                }
                before = before.plus(one);
            }
        }
        best
    }

    fn pair(&self, before: &Sums, after: &Sums, smooth: f64, noise: f64) -> Option<Pair> {
        let (left, right) = (before.line()?, after.line()?);
        let points = before.n + after.n;
        let squares = left.squares + right.squares;
        let variance = (noise * noise).max(squares / (points - 4.0).max(1.0));
        let turn = (right.slope - left.slope).abs();
        let at = left.mean + (right.at(left.mean) - left.level) / (left.slope - right.slope);
        let u = (variance * (left.variance_at(at) + right.variance_at(at))).sqrt() / turn;
        let gap = after.first - before.last;
        if !(before.last - gap..=after.first + gap).contains(&at) {
            return None;
        }
        let moved = turn * (after.last - at);
        if moved < WORTH * (self.range.1 - self.range.0) {
            return None;
        }
        Some(Pair {
            at,
            u,
            gain: (smooth - squares) / variance,
            turn: turn / (variance * (left.sxx.recip() + right.sxx.recip())).sqrt(),
            after: after.n,
            between: (before.last - 3.0 * gap - 3.0 * u, after.first + 3.0 * gap + 3.0 * u),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_lines_are_found_where_they_meet_and_a_parabola_is_not() {
        let mut bend = Bend::new(0.0);
        let mut straight = Bend::new(0.0);
        let mut found = Vec::new();
        for i in 0..60_u32 {
            let v = 0.2 * f64::from(i);
            let ripple = 0.002 * f64::from(i * 7 % 5) - 0.004;
            let y = 2.0 - 0.3 * v + if v > 6.1 { 0.5 * (v - 6.1) } else { 0.0 } + ripple;
            if let Sight::Found(place, _) = bend.add(v, y, 0.003, i as usize + 1) {
                found.push((i, place.end_point));
            }
            let sight = straight.add(v, 2.0 - 0.3 * v + 0.02 * v * v + ripple, 0.003, i as usize + 1);
            assert!(!matches!(sight, Sight::Found(..)), "{i}: {sight:?}");
        }
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].1 - 6.1).abs() < 0.1 && found[0].0 < 36, "{found:?}");
    }
}
