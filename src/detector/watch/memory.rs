//! What the watch remembers of the curve: bounded, dense where the signal moves and at the newest end.

use crate::detector::mark::Mark;
use crate::reading::Point;

/// So many points are held at most;
const FULL: usize = 192;
/// the newest are never dropped.
const NEWEST: usize = 32;

/// The curve so far in rising order of titrant, thinned.
#[derive(Debug, Clone)]
pub(super) struct Memory {
    points: Vec<Point>,
    nernst: f64,
}

impl Memory {
    pub(super) fn new(nernst: f64) -> Self {
        Self { points: Vec::with_capacity(FULL + 1), nernst }
    }

    pub(super) fn points(&self) -> &[Point] {
        &self.points
    }

    /// Puts a point where its titrant belongs.
    pub(super) fn add(&mut self, point: Point) {
        let at = self.points.partition_point(|p| p.titrant <= point.titrant);
        self.points.insert(at, point);
        if self.points.len() > FULL {
            self.thin();
        }
    }

    /// A later reading at the titrant of the newest point.
    pub(super) fn settle(&mut self, signal: f64) {
        if let Some(last) = self.points.last_mut() {
            last.signal = signal;
        }
    }

    /// Forgets everything at or above a titrant.
    pub(super) fn forget_from(&mut self, titrant: f64) {
        self.points.retain(|p| p.titrant < titrant);
    }

    /// Forgets everything above a titrant.
    pub(super) fn forget_above(&mut self, titrant: f64) {
        self.points.retain(|p| p.titrant <= titrant);
    }

    /// Drops the point whose neighbours are nearest, in signal and titrant together.
    fn thin(&mut self) {
        let range = match (self.points.first(), self.points.last()) {
            (Some(first), Some(last)) => (last.titrant - first.titrant).max(f64::MIN_POSITIVE),
            _ => return,
        };
        let gap = |w: &[Point]| {
            (w[2].signal - w[0].signal).abs() / self.nernst
                + FULL as f64 * 0.3 * (w[2].titrant - w[0].titrant) / range
        };
        let nearest = self.points[..FULL - NEWEST]
            .windows(3)
            .map(gap)
            .enumerate()
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(i, _)| i + 1);
        if let Some(i) = nearest {
            self.points.remove(i);
        }
    }
}

/// Capacity of `Recent`.
const RECENT: usize = 24;

/// The newest points at least a small part of the Nernst unit apart: what the arms are fitted to.
#[derive(Debug, Clone)]
pub(super) struct Recent {
    marks: Vec<Mark>,
    apart: f64,
}

impl Recent {
    pub(super) fn new(nernst: f64) -> Self {
        Self { marks: Vec::with_capacity(RECENT), apart: 0.02 * nernst }
    }

    pub(super) fn marks(&self) -> &[Mark] {
        &self.marks
    }

    /// The newest point takes the place of the one before if that stood too near to the one before it.
    pub(super) fn add(&mut self, mark: Mark, dense: bool) {
        if let [.., before, last] = self.marks.as_slice()
            && dense
            && (last.signal - before.signal).abs() < self.apart
        {
            self.marks.pop();
        } else if self.marks.len() >= RECENT {
            self.marks.remove(0);
        }
        self.marks.push(mark);
    }

    pub(super) fn settle(&mut self, mark: Mark) {
        if let Some(last) = self.marks.last_mut() {
            *last = mark;
        }
    }

    pub(super) fn drop_newest(&mut self) {
        self.marks.pop();
    }

    pub(super) fn clear(&mut self) {
        self.marks.clear();
    }
}

/// Capacity of `Stretch`.
const BINS: usize = 48;

/// A group of neighbouring points by its sums.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Bin {
    pub(super) n: f64,
    pub(super) titrant: f64,
    pub(super) signal: f64,
    pub(super) first: f64,
    pub(super) last: f64,
    pub(super) sum_vv: f64,
    pub(super) sum_vx: f64,
    pub(super) sum_xx: f64,
}

/// The stretch since the last end-point as at most 48 groups of equal numbers of points, each by its mean.
#[derive(Debug, Clone)]
pub(super) struct Stretch {
    bins: Vec<Bin>,
    per_bin: f64,
}

impl Stretch {
    pub(super) fn new() -> Self {
        Self { bins: Vec::with_capacity(BINS), per_bin: 1.0 }
    }

    pub(super) fn bins(&self) -> &[Bin] {
        &self.bins
    }

    pub(super) fn add(&mut self, titrant: f64, signal: f64) {
        let one = Bin {
            n: 1.0,
            titrant,
            signal,
            first: titrant,
            last: titrant,
            sum_vv: titrant * titrant,
            sum_vx: titrant * signal,
            sum_xx: signal * signal,
        };
        match self.bins.last_mut() {
            Some(last) if last.n < self.per_bin => *last = last.join(&one),
            _ => {
                if self.bins.len() >= BINS {
                    self.halve();
                }
                self.bins.push(one);
            }
        }
    }

    pub(super) fn clear(&mut self) {
        self.bins.clear();
        self.per_bin = 1.0;
    }

    /// Takes the newest point back if it stands alone and is that of `titrant`: it will be added again.
    pub(super) fn drop_newest(&mut self, titrant: f64) {
        if self.bins.last().is_some_and(|b| b.n < 1.5 && b.last >= titrant) {
            self.bins.pop();
        }
    }

    fn halve(&mut self) {
        self.per_bin *= 2.0;
        let joined: Vec<Bin> =
            self.bins.chunks(2).map(|pair| if let [a, b] = pair { a.join(b) } else { pair[0] }).collect();
        self.bins.clear();
        self.bins.extend(joined);
    }
}

impl Bin {
    fn join(&self, other: &Self) -> Self {
        let n = self.n + other.n;
        Self {
            n,
            titrant: (self.n * self.titrant + other.n * other.titrant) / n,
            signal: (self.n * self.signal + other.n * other.signal) / n,
            first: self.first,
            last: other.last,
            sum_vv: self.sum_vv + other.sum_vv,
            sum_vx: self.sum_vx + other.sum_vx,
            sum_xx: self.sum_xx + other.sum_xx,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(titrant: f64, signal: f64) -> Point {
        Point { titrant, signal, temperature_c: None, t_s: None }
    }

    #[test]
    fn memory_stays_bounded_and_keeps_the_jump() {
        let mut memory = Memory::new(std::f64::consts::LOG10_E);
        for i in 0..20_000_u32 {
            let v = f64::from(i) * 1e-3;
            memory.add(point(v, 7.0 + 3.0 * ((v - 10.0) / 0.02).tanh()));
            assert!(memory.points().len() <= FULL);
        }
        let in_jump = memory.points().iter().filter(|p| (p.titrant - 10.0).abs() < 0.05).count();
        assert!(in_jump > 15, "{in_jump} points left in the jump");
        assert!(memory.points().windows(2).all(|w| w[0].titrant <= w[1].titrant));
    }

    #[test]
    fn a_stretch_of_any_length_has_few_bins_and_all_points() {
        let mut stretch = Stretch::new();
        for i in 0..1_001_u32 {
            stretch.add(f64::from(i), 2.0);
        }
        assert!(stretch.bins().len() <= BINS);
        assert!((stretch.bins().iter().map(|b| b.n).sum::<f64>() - 1001.0).abs() < 1e-9);
    }
}
