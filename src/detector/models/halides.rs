//! Several ions that one titrant precipitates one after the other (halides with silver).
//!
//! Titrant balance with the set S of ions that have begun to precipitate, m = exp(z - rho) = \[M\]/C and
//! h_i = exp(-(z - lambda_i)) = K_i / (\[M\] C):  V = [sum_S A_i + V0 (m - sum_S h_i)] / (1 - m + sum_S h_i).
//! An ion belongs to S when its product is passed: A_i > (V0 + V) h_i; the curve has a kink there.

use super::{Meaning, Model, Place, Prior, exp};

/// `count` ions in the order of their solubility.
#[derive(Debug, Clone)]
pub(in crate::detector) struct Halides {
    /// Number of ions.
    pub(in crate::detector) count: usize,
    /// Expected ln of the volume before the first addition, and its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
}

const LN_V0: usize = 0;
const RHO: usize = 1;
const FIRST: usize = 2;

impl Model for Halides {
    fn name(&self) -> String {
        format!("{} precipitates, one after the other", self.count)
    }

    fn meanings(&self) -> Vec<Meaning> {
        let mut all = vec![Meaning::LnSampleVolume, Meaning::Arm];
        for _ in 0..self.count {
            all.extend([Meaning::Titrant, Meaning::Arm]);
        }
        all
    }

    fn titrant(&self, z: f64, shift: f64, p: &[f64], gradient: &mut [f64]) -> Option<Place> {
        let v0 = exp(p[LN_V0]);
        let m = exp(z + shift - p[RHO]);
        let (mut amounts, mut solubles) = (0.0, 0.0);
        let mut count = 0;
        let mut v = 0.0;
        for i in 0..self.count {
            let (amount, place) = (p[FIRST + 2 * i], p[FIRST + 2 * i + 1]);
            let h = exp(-(z - shift - place));
            if i > 0 && amount <= (v0 + v) * h {
                break;
            }
            amounts += amount;
            solubles += h;
            count = i + 1;
            let below = 1.0 - m + solubles;
            if below < 0.02 {
                return None;
            }
            v = (amounts + v0 * (m - solubles)) / below;
        }
        let inverse = 1.0 / (1.0 - m + solubles);
        let lever = (v0 + v) * inverse;
        gradient[LN_V0] = v0 * (m - solubles) * inverse;
        gradient[RHO] = -lever * m;
        for i in 0..self.count {
            let (at, place) = (FIRST + 2 * i, p[FIRST + 2 * i + 1]);
            let on = if i < count { 1.0 } else { 0.0 };
            gradient[at] = on * inverse;
            gradient[at + 1] = -on * lever * exp(-(z - shift - place));
        }
        Some(Place { titrant: v, slope: lever * (m + solubles), by_shift: lever * (m - solubles) })
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        (0..self.count).map(|k| (0..=k).map(|i| FIRST + 2 * i).collect()).collect()
    }

    fn priors(&self) -> Vec<Prior> {
        vec![Prior::on(LN_V0, self.ln_volume.0, self.ln_volume.1)]
    }

    fn sensible(&self, p: &[f64], range: f64) -> bool {
        let amounts = (0..self.count).all(|i| p[FIRST + 2 * i] > 0.0 && p[FIRST + 2 * i] < 20.0 * range);
        let order = (1..self.count).all(|i| p[FIRST + 2 * i + 1] > p[FIRST + 2 * i - 1]);
        amounts && order
    }
}
