//! The curve turned round: titrant as a function of signal, and its slope.
//!
//! However sharp a jump is in the signal, the titrant as a function of the signal is smooth on one known scale, RT/F.
//! An end-point is a minimum of B = dV/dx (the buffer capacity); its contrast is ln(B_max / B_min) on the weaker side.
//! A start-up transient has no low slope before it and a run that stopped early none after it: their contrast is nil.

/// Titrant against signal with repeats and small reversals pooled; the signal never falls.
#[derive(Debug, Clone)]
pub(super) struct Inverse {
    /// Knots: signal (rising), titrant where the level begins, titrant where it ends.
    knots: Vec<(f64, f64, f64)>,
}

/// A minimum of B.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Minimum {
    /// Titrant there.
    pub(super) titrant: f64,
    /// Signal there, in the direction in which it rises.
    pub(super) signal: f64,
    /// ln(B_max / B_min) before it.
    pub(super) left: f64,
    /// ln(B_max / B_min) behind it.
    pub(super) right: f64,
    /// B there (titrant per unit of signal).
    pub(super) slope: f64,
}

impl Minimum {
    /// The contrast of the weaker side.
    pub(super) fn contrast(&self) -> f64 {
        self.left.min(self.right)
    }
}

/// Most centres at which B is looked at.
const MOST_CENTRES: usize = 1500;

impl Inverse {
    /// From points in rising order of titrant whose signal rises on the whole.
    pub(super) fn of(titrant: &[f64], signal: &[f64]) -> Self {
        // Pool adjacent violators: (sum of signals, count, first titrant, last titrant).
        let mut blocks: Vec<(f64, f64, f64, f64)> = Vec::with_capacity(titrant.len());
        for (v, x) in titrant.iter().zip(signal) {
            let mut block = (*x, 1.0, *v, *v);
            while let Some(last) = blocks.last() {
                if last.0 / last.1 < block.0 / block.1 {
                    break;
                }
                block = (block.0 + last.0, block.1 + last.1, last.2, block.3);
                blocks.pop();
            }
            blocks.push(block);
        }
        Self { knots: blocks.into_iter().map(|b| (b.0 / b.1, b.2, b.3)).collect() }
    }

    /// Signal at the two ends.
    pub(super) fn ends(&self) -> (f64, f64) {
        match (self.knots.first(), self.knots.last()) {
            (Some(first), Some(last)) => (first.0, last.0),
            _ => (0.0, 0.0),
        }
    }

    /// Titrant at a signal: where the level begins and where it ends.
    pub(super) fn titrant_at(&self, signal: f64) -> (f64, f64) {
        let i = self.knots.partition_point(|k| k.0 < signal);
        let Some(upper) = self.knots.get(i) else {
            let last = self.knots.last().map_or(0.0, |k| k.2);
            return (last, last);
        };
        if upper.0 <= signal {
            return (upper.1, upper.2);
        }
        let Some(lower) = i.checked_sub(1).and_then(|j| self.knots.get(j)) else {
            return (upper.1, upper.1);
        };
        let part = (signal - lower.0) / (upper.0 - lower.0);
        let v = lower.2 + part * (upper.1 - lower.2);
        (v, v)
    }

    /// All minima of B with chords of `width` in the signal, least of each plateau, in rising order.
    pub(super) fn minima(&self, width: f64, least_volume: f64) -> Vec<Minimum> {
        let (low, high) = self.ends();
        let span = high - low;
        if !(width > 0.0) || span < 2.0 * width {
            return Vec::new();
        }
        let step = (width / 4.0).max(span / MOST_CENTRES as f64);
        let mut centres = Vec::new();
        let mut at = low + width / 2.0;
        while at <= high - width / 2.0 + 1e-9 * span {
            centres.push(at);
            at += step;
        }
        let slopes: Vec<f64> = centres
            .iter()
            .map(|c| {
                let below = self.titrant_at(c - width / 2.0).0;
                let above = self.titrant_at(c + width / 2.0).1;
                ((above - below).max(least_volume) / width).ln()
            })
            .collect();
        let mut found = Vec::new();
        let mut i = 0;
        while i < slopes.len() {
            let mut j = i;
            while j + 1 < slopes.len() && (slopes[j + 1] - slopes[i]).abs() < 1e-6 {
                j += 1;
            }
            let lowest = slopes[i];
            let falls = i == 0 || slopes[i - 1] > lowest;
            let rises = j + 1 == slopes.len() || slopes[j + 1] > lowest;
            if falls && rises {
                let left = contrast(slopes[..i].iter().rev(), lowest);
                let right = contrast(slopes[j + 1..].iter(), lowest);
                let signal = f64::midpoint(centres[i], centres[j]);
                let (begin, end) = self.titrant_at(signal);
                found.push(Minimum {
                    titrant: f64::midpoint(begin, end),
                    signal,
                    left,
                    right,
                    slope: lowest.exp(),
                });
            }
            i = j + 1;
        }
        found
    }
}

/// How far the slope climbs above `lowest` before it falls below it.
fn contrast<'a>(outward: impl Iterator<Item = &'a f64>, lowest: f64) -> f64 {
    let mut most = 0.0_f64;
    for slope in outward {
        if *slope < lowest {
            break;
        }
        most = most.max(slope - lowest);
    }
    most
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_symmetrical_jump_has_one_minimum_at_its_middle() {
        let titrant: Vec<f64> = (0..=80).map(|i| 0.25 * f64::from(i)).collect();
        let signal: Vec<f64> = titrant.iter().map(|v| 4.0 * ((v - 10.1) * 8.0).asinh()).collect();
        let inverse = Inverse::of(&titrant, &signal);
        let minima = inverse.minima(0.9, 1e-6);
        let best = minima.iter().max_by(|a, b| a.contrast().total_cmp(&b.contrast())).unwrap();
        assert!((best.titrant - 10.1).abs() < 0.1, "{best:?}");
        assert!(best.contrast() > 1.5);
    }

    #[test]
    fn a_start_up_rise_has_no_contrast_before_it() {
        let titrant: Vec<f64> = (0..60).map(|i| 0.2 * f64::from(i)).collect();
        let signal: Vec<f64> = titrant.iter().map(|v| 10.0 * (0.01 + v).ln()).collect();
        let minima = Inverse::of(&titrant, &signal).minima(1.0, 1e-6);
        assert!(minima.iter().all(|m| m.contrast() < 0.6), "{minima:?}");
    }

    #[test]
    fn pooled_reversals_keep_the_signal_rising() {
        let inverse = Inverse::of(&[0.0, 1.0, 2.0, 3.0], &[0.0, 2.0, 1.0, 3.0]);
        assert_eq!(inverse.titrant_at(1.5), (1.0, 2.0));
        assert_eq!(inverse.ends(), (0.0, 3.0));
    }
}
