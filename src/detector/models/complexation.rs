//! Metal with a chelating titrant on an ion electrode that has a floor.
//!
//! In concentrations relative to the metal at the start, c = V0 / (V0 + V), y = c V / Ve, k = 1 / (K' C):
//! M^2 + M (y - c + k) - c k = 0, and z = z0 - ln(M + floor) / charge. The signal is explicit in the titrant here, because
//! on the floor the inverse has no slope.

use super::ion_electrode::{FIRST, IonElectrode, LN_SLOPE, LN_V0};
use super::{Meaning, Prior, exp};
use crate::detector::response::Response;

/// One metal.
#[derive(Debug, Clone)]
pub(in crate::detector) struct Complexation(pub(in crate::detector) IonElectrode);

pub(in crate::detector) const END: usize = FIRST;
pub(in crate::detector) const LN_K: usize = FIRST + 1;
pub(in crate::detector) const LN_FLOOR: usize = FIRST + 2;
pub(in crate::detector) const ORIGIN: usize = FIRST + 3;
pub(in crate::detector) const COUNT: usize = FIRST + 4;

impl Response for Complexation {
    fn name(&self) -> String {
        format!("complexation (charge {}), electrode with a floor", self.0.charge)
    }

    fn len(&self) -> usize {
        COUNT
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        let end = p[END];
        if end <= 0.0 || !IonElectrode::allows(p) {
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
        let stretch = p[LN_SLOPE].exp() / self.0.charge;
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
        IonElectrode::meanings(COUNT, &[END])
    }

    fn priors(&self) -> Vec<Prior> {
        let mut all = self.0.priors();
        all.push(Prior::on(LN_FLOOR, -14.0, 4.0));
        all
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        let floor = (p[LN_FLOOR] > -1.0).then_some("floor of the electrode above the sample");
        IonElectrode::fault(p).or(floor)
    }
}
