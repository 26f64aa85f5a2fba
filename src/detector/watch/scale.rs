//! Running noise scale of the signal and the resolution of what is displayed.
//!
//! The scale comes from local prediction errors of second and third order on uneven spacing, each divided by
//! the length of its weights so that pure noise gives the noise itself. Curvature makes a few of them large:
//! the smaller half decides. Bounded state: two histograms in the logarithm of the error.

use crate::reading::Point;

/// Root mean square of the smaller half of standard normal absolute values:
/// `sqrt(2 * integral of z^2 phi(z) from -q to q)` with q the median 0.6745.
const SMALLER_HALF_RMS: f64 = 0.3779;
/// Histogram: two bins an octave from 2^-34 to 2^22.
const BINS: usize = 112;
/// Lowest power of two that is told apart.
const LOWEST: f64 = -34.0;
/// The assumed scale before there are data counts as much as this many errors.
const PRIOR_WEIGHT: f64 = 4.0;

/// Histogram of prediction errors, for the root mean square of the smaller half.
#[derive(Debug, Clone)]
struct SmallerHalf {
    count: [u32; BINS],
    sum_of_squares: [f64; BINS],
    total: u32,
}

impl SmallerHalf {
    const fn new() -> Self {
        Self { count: [0; BINS], sum_of_squares: [0.0; BINS], total: 0 }
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the value is clamped to the range of the histogram"
    )]
    fn add(&mut self, error: f64) {
        let place =
            (2.0 * (error.abs().max(f64::MIN_POSITIVE).log2() - LOWEST)).clamp(0.0, BINS as f64 - 1.0);
        let bin = place as usize;
        self.count[bin] = self.count[bin].saturating_add(1);
        self.sum_of_squares[bin] += error * error;
        self.total = self.total.saturating_add(1);
    }

    fn rms(&self) -> f64 {
        let half = 0.5 * f64::from(self.total);
        let (mut taken, mut sum) = (0.0, 0.0);
        for (count, squares) in self.count.iter().zip(&self.sum_of_squares) {
            let n = f64::from(*count);
            if n > 0.0 {
                let part = ((half - taken) / n).min(1.0);
                sum += part * squares;
                taken += part * n;
                if taken >= half {
                    break;
                }
            }
        }
        if taken > 0.0 { (sum / taken).sqrt() } else { 0.0 }
    }
}

/// The noise scale of a signal as it stands after the points so far.
#[derive(Debug, Clone)]
pub(super) struct NoiseScale {
    second: SmallerHalf,
    third: SmallerHalf,
    recent: [(f64, f64); 4],
    held: usize,
    decimals: Resolution,
    /// What is assumed before there are data.
    assumed: f64,
    value: f64,
}

impl NoiseScale {
    /// A scale that starts from an assumed noise.
    pub(super) const fn new(assumed: f64) -> Self {
        Self {
            second: SmallerHalf::new(),
            third: SmallerHalf::new(),
            recent: [(0.0, 0.0); 4],
            held: 0,
            decimals: Resolution::new(),
            assumed,
            value: assumed,
        }
    }

    /// Takes a point whose titrant is above that of the point before.
    pub(super) fn add(&mut self, point: &Point) {
        self.decimals.add(point.signal);
        self.recent.rotate_left(1);
        self.recent[3] = (point.titrant, point.signal);
        self.held = (self.held + 1).min(4);
        if self.held >= 3
            && let Some(e) = prediction_error(&self.recent[1..])
        {
            self.second.add(e);
        }
        if self.held >= 4
            && let Some(e) = prediction_error(&self.recent)
        {
            self.third.add(e);
        }
        let seen = self.second.rms().min(if self.third.total > 3 { self.third.rms() } else { f64::INFINITY })
            / SMALLER_HALF_RMS;
        let n = f64::from(self.second.total);
        let joined =
            ((n * seen * seen + PRIOR_WEIGHT * self.assumed * self.assumed) / (n + PRIOR_WEIGHT)).sqrt();
        self.value = joined.max(self.decimals.step() / 12_f64.sqrt());
    }

    /// Standard deviation of the signal, in its unit; never below the display's resolution.
    pub(super) const fn value(&self) -> f64 {
        self.value
    }
}

/// The highest divided difference of the points, scaled so that independent noise of 1 gives 1.
fn prediction_error(points: &[(f64, f64)]) -> Option<f64> {
    let (mut sum, mut length) = (0.0, 0.0);
    let span = points.last()?.0 - points.first()?.0;
    for (i, (v, x)) in points.iter().enumerate() {
        let mut product = 1.0;
        for (j, (other, _)) in points.iter().enumerate() {
            if i != j {
                product *= (v - other) / span;
            }
        }
        sum += x / product;
        length += 1.0 / (product * product);
    }
    let e = sum / length.sqrt();
    e.is_finite().then_some(e)
}

/// The decimal step in which a display counts: the finest that any value so far has needed.
#[derive(Debug, Clone)]
pub(super) struct Resolution {
    decimals: i32,
}

impl Resolution {
    const FINEST: i32 = 6;

    pub(super) const fn new() -> Self {
        Self { decimals: 0 }
    }

    pub(super) fn add(&mut self, value: f64) {
        while self.decimals < Self::FINEST {
            let scaled = value * 10_f64.powi(self.decimals);
            if (scaled - scaled.round()).abs() < 1e-4 * 10_f64.powi(self.decimals - Self::FINEST).max(1e-3) {
                break;
            }
            self.decimals += 1;
        }
    }

    /// The step, in the unit of the values.
    pub(super) fn step(&self) -> f64 {
        if self.decimals >= Self::FINEST { 0.0 } else { 10_f64.powi(-self.decimals) }
    }
}

/// Whether volumes are read from a burette by hand, and then the grid of the reading.
///
/// All volumes on a common grid coarser than 0.002 and more than three different step lengths: a doser has either
/// a finer grid or regular steps.
#[derive(Debug, Clone)]
pub(super) struct BuretteGrid {
    last: Option<i64>,
    common: i64,
    lengths: [i64; 4],
    known: usize,
}

impl BuretteGrid {
    pub(super) const fn new() -> Self {
        Self { last: None, common: 0, lengths: [0; 4], known: 0 }
    }

    #[expect(clippy::cast_possible_truncation, reason = "a float to integer cast saturates")]
    pub(super) fn add(&mut self, titrant: f64) {
        let thousandths = titrant * 1e3;
        let whole = thousandths.round() as i64;
        if (thousandths - thousandths.round()).abs() > 0.01 {
            self.common = 1;
        }
        if let Some(last) = self.last {
            let step = (whole - last).abs();
            if step > 0 {
                self.common = common_divisor(self.common, step);
                if self.known < 4 && !self.lengths[..self.known].contains(&step) {
                    self.lengths[self.known] = step;
                    self.known += 1;
                }
            }
        }
        self.last = Some(whole);
    }

    /// The grid if the volumes look hand-read, else zero.
    pub(super) fn step(&self) -> f64 {
        if self.known > 3 && self.common > 2 { self.common as f64 * 1e-3 } else { 0.0 }
    }
}

const fn common_divisor(mut a: i64, mut b: i64) -> i64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    fn point(titrant: f64, signal: f64) -> Point {
        Point { titrant, signal, temperature_c: None, t_s: None }
    }

    #[test]
    fn noise_on_a_curved_line_is_told_within_a_third() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let noise = Normal::new(0.0, 0.02).unwrap();
        let mut scale = NoiseScale::new(0.1);
        let mut volume: f64 = 0.0;
        for i in 0..400_u32 {
            volume += if i % 3 == 0 { 0.05 } else { 0.2 };
            scale.add(&point(volume, 0.01 * volume * volume + noise.sample(&mut rng)));
        }
        assert!((0.013..0.028).contains(&scale.value()), "{}", scale.value());
    }

    #[test]
    fn a_display_of_two_decimals_has_a_floor() {
        let mut scale = NoiseScale::new(0.0);
        for i in 0..50_u32 {
            scale.add(&point(f64::from(i), if i % 10 == 0 { 4.01 } else { 4.0 }));
        }
        assert!((scale.value() - 0.01 / 12_f64.sqrt()).abs() < 1e-3, "{}", scale.value());
    }

    #[test]
    fn a_burette_read_by_hand_shows_its_grid() {
        let mut grid = BuretteGrid::new();
        for v in [0.0, 2.02, 4.0, 5.06, 5.5, 5.62, 5.7] {
            grid.add(v);
        }
        assert!((grid.step() - 0.02).abs() < 1e-12);
        let mut doser = BuretteGrid::new();
        for v in [0.0, 0.1, 0.2, 0.3, 0.5] {
            doser.add(v);
        }
        assert!(doser.step().abs() < 1e-12);
    }
}
