//! Metal with a chelating titrant on an ion electrode that has a floor.
//!
//! In concentrations relative to the metal at the start, c = V0 / (V0 + V), y = c V / Ve, k = 1 / (K' C):
//! M^2 + M (y - c + k) - c k = 0, and z = z0 - ln(M + floor) / charge. The signal is explicit in the titrant here, because
//! on the floor the inverse has no slope.

use super::{Meaning, Prior, exp};
use crate::detector::response::Response;

/// One metal.
#[derive(Debug, Clone)]
pub(in crate::detector) struct Complexation {
    /// Charge of the metal ion.
    pub(in crate::detector) charge: f64,
    /// ln(slope / nominal): expected value and standard deviation.
    pub(in crate::detector) ln_slope: (f64, f64),
    /// ln of the volume before the first addition, with its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
}

pub(in crate::detector) const LN_SLOPE: usize = 0;
pub(in crate::detector) const END: usize = 1;
pub(in crate::detector) const LN_K: usize = 2;
pub(in crate::detector) const LN_FLOOR: usize = 3;
pub(in crate::detector) const ORIGIN: usize = 4;
pub(in crate::detector) const LN_V0: usize = 5;

impl Response for Complexation {
    fn name(&self) -> String {
        format!("complexation (charge {}), electrode with a floor", self.charge)
    }

    fn len(&self) -> usize {
        6
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        let end = p[END];
        if end <= 0.0 || p[LN_SLOPE].abs() > 1.5 {
            return None;
        }
        let v0 = exp(p[LN_V0]);
        let c = v0 / (v0 + titrant);
        let ratio = titrant / end;
        let k = exp(p[LN_K]);
        let b = c * (ratio - 1.0) + k;
        let root = (b * b + 4.0 * c * k).sqrt().max(1e-300);
        // The positive root without cancellation.
        let metal = if b > 0.0 { 2.0 * c * k / (b + root) } else { f64::midpoint(-b, root) };
        let floor = exp(p[LN_FLOOR]);
        let stretch = p[LN_SLOPE].exp() / self.charge;
        let seen = (metal + floor).max(1e-200);
        // From the quadratic: dM = -(M db - d(ck)) / root, with d(ck) = c dk + k dc.
        let by_b = -metal / root;
        let by_ck = 1.0 / root;
        let dc = c * titrant / (v0 + titrant);
        let outer = -stretch / seen;
        gradient[LN_SLOPE] = -seen.ln() * stretch;
        gradient[END] = outer * by_b * (-c * ratio / end);
        gradient[LN_K] = outer * (by_b * k + by_ck * c * k);
        gradient[LN_FLOOR] = outer * floor;
        gradient[ORIGIN] = 1.0;
        gradient[LN_V0] = outer * (by_b * dc * (ratio - 1.0) + by_ck * k * dc);
        let z = p[ORIGIN] - stretch * seen.ln();
        z.is_finite().then_some(z)
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        vec![vec![END]]
    }

    fn meanings(&self) -> Vec<Meaning> {
        let mut all = vec![Meaning::Other; self.len()];
        all[LN_SLOPE] = Meaning::LnSlope;
        all[END] = Meaning::Titrant;
        all[LN_V0] = Meaning::LnSampleVolume;
        all
    }

    fn priors(&self) -> Vec<Prior> {
        vec![
            Prior::on(LN_SLOPE, self.ln_slope.0, self.ln_slope.1),
            Prior::on(LN_V0, self.ln_volume.0, self.ln_volume.1),
            Prior::on(LN_FLOOR, -14.0, 4.0),
        ]
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        if p[LN_SLOPE].abs() > 0.35 {
            Some("slope of the electrode without sense")
        } else if p[LN_FLOOR] > -1.0 {
            Some("floor of the electrode above the sample")
        } else {
            None
        }
    }
}
