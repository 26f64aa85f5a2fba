//! Points in the coordinates in which jumps are fitted.

use super::condition::{Dosing, Points};
use super::given::{Given, Medium};
use super::moving::Along;

/// Points above which readings are pooled before a fit.
const MOST_POINTS: usize = 400;

/// Points turned into the coordinates of the models.
#[derive(Debug, Clone)]
pub(super) struct Frame {
    /// Titrant (mL or g).
    pub(super) titrant: Vec<f64>,
    /// Signal in nominal Nernst scales from `origin`, in the direction in which it rises.
    pub(super) z: Vec<f64>,
    /// Seconds, where the titrant was added at a constant rate.
    pub(super) time_s: Option<Vec<f64>>,
    /// Each point's standard deviation over that of a single reading: below 1 where readings were pooled.
    pub(super) share: Vec<f64>,
    /// What moves along the run, anywhere,
    pub(super) along: Along,
    /// and at the points: the run itself (see `Along::share`), salt (see `Along::salt`)
    pub(super) share_of_run: Vec<f64>,
    pub(super) salt: Vec<f64>,
    /// and dilution.
    pub(super) dilution: Vec<f64>,
    /// Standard deviation of the signal in Nernst scales.
    pub(super) u_z: f64,
    /// Standard deviation of a titrant reading.
    pub(super) u_titrant: f64,
    /// Signal at z = 0.
    pub(super) origin: f64,
    /// Signal for one unit of z, with its sign.
    pub(super) unit: f64,
    /// ln(slope / nominal): expected value and standard deviation.
    pub(super) ln_slope: (f64, f64),
}

impl Frame {
    /// Every so many-th point, so that at most `most` remain; the first and the last stay.
    pub(super) fn thinned(&self, most: usize) -> Self {
        let n = self.titrant.len();
        if n <= most {
            return self.clone();
        }
        let keep: Vec<usize> = (0..most).map(|i| i * (n - 1) / (most - 1)).collect();
        let pick = |values: &[f64]| keep.iter().map(|i| values[*i]).collect::<Vec<f64>>();
        Self {
            titrant: pick(&self.titrant),
            z: pick(&self.z),
            time_s: self.time_s.as_deref().map(pick),
            share: pick(&self.share),
            share_of_run: pick(&self.share_of_run),
            salt: pick(&self.salt),
            dilution: pick(&self.dilution),
            ..*self
        }
    }

    /// Titrant from first to last point.
    pub(super) fn range(&self) -> f64 {
        self.titrant.last().unwrap_or(&0.0) - self.titrant.first().unwrap_or(&0.0)
    }
}

/// Points in the coordinates of the models; many readings are pooled where the signal hardly moves.
pub(super) fn frame(points: &Points, middle: f64, unit: f64, known: bool, given: &Given) -> Frame {
    let sign = unit.signum();
    let origin = sign * middle;
    let z: Vec<f64> = points.signal.iter().map(|x| (x - origin) / unit).collect();
    let (mut titrant, mut pooled, mut share) = (Vec::new(), Vec::new(), Vec::new());
    let time = points.time_s.as_ref().filter(|_| points.dosing == Dosing::Continuous);
    let mut time_s = time.map(|_| Vec::new());
    if points.len() <= MOST_POINTS {
        titrant.clone_from(&points.titrant);
        time_s = time.cloned();
        pooled = z;
        share = vec![1.0; points.len()];
    } else {
        let most = points.len().div_ceil(MOST_POINTS / 2);
        let widest = points.range() * 2.0 / MOST_POINTS as f64;
        let mut i = 0;
        while i < points.len() {
            let mut j = i + 1;
            while j < points.len()
                && j - i < most
                && (z[j] - z[i]).abs() < 0.2
                && points.titrant[j] - points.titrant[i] < widest
            {
                j += 1;
            }
            let n = (j - i) as f64;
            titrant.push(points.titrant[i..j].iter().sum::<f64>() / n);
            pooled.push(z[i..j].iter().sum::<f64>() / n);
            share.push(n.sqrt().recip());
            if let (Some(all), Some(t)) = (&mut time_s, time) {
                all.push(t[i..j].iter().sum::<f64>() / n);
            }
            i = j;
        }
    }
    let first = start_up(&titrant, &pooled);
    if first > 0 {
        titrant.drain(..first);
        pooled.drain(..first);
        share.drain(..first);
        if let Some(t) = &mut time_s {
            t.drain(..first);
        }
    }
    let v0 = given.sample_volume_ml.filter(|v| v.is_finite() && *v > 0.0).unwrap_or(60.0);
    let along = Along::of(&titrant, v0);
    let share_of_run = titrant.iter().map(|v| along.share(*v)).collect();
    let salt = titrant.iter().map(|v| along.salt(*v)).collect();
    let dilution = titrant.iter().map(|v| along.dilution(*v)).collect();
    let ln_slope = match (given.slope, given.medium) {
        (Some((slope, u)), _) if slope.is_finite() && slope > 0.0 && u.is_finite() => {
            (slope.ln(), (u / slope).clamp(0.002, 0.1))
        }
        (_, Medium::NonAqueous) => (0.0, 0.15),
        // A unit without a scale of its own: the slope is anything.
        _ if !known => (0.0, 0.7),
        _ => (0.0, 0.03),
    };
    Frame {
        titrant,
        z: pooled,
        time_s,
        share,
        along,
        share_of_run,
        salt,
        dilution,
        u_z: points.u_signal / unit.abs(),
        u_titrant: points.u_titrant,
        origin,
        unit,
        ln_slope,
    }
}

/// Number of points at the start that belong to no buffered branch: an electrode in a solution without its own ion, or
/// one that was not yet at rest.
fn start_up(titrant: &[f64], z: &[f64]) -> usize {
    let n = titrant.len();
    let early = titrant[0] + 0.1 * (titrant[n - 1] - titrant[0]);
    (1..n.min(8))
        .take_while(|i| titrant[*i] <= early || *i == 1)
        .filter(|i| z[*i] - z[*i - 1] > 2.0)
        .last()
        .filter(|first| n - first >= 8)
        .unwrap_or(0)
}
