//! Two metals that one chelating titrant binds one after the other, on an ion electrode that has a floor.
//!
//! In units of the titrant's concentration, with m_i = A_i / (V0 + V) and l = V / (V0 + V), the free ligand L obeys
//! L + sum m_i k_i L / (1 + k_i L) = l, and the electrode shows z = z0 - ln[m_1 / (1 + k_1 L) + s m_2 / (1 + k_2 L) + floor]
//! / charge with s its selectivity for the second metal. The stronger complex is formed first; both ends are exact by
//! stoichiometry, however much the metals compete.

use super::ion_electrode::{self, IonElectrode, LN_SLOPE, LN_V0};
use super::{Meaning, Prior};
use crate::detector::response::Response;
use crate::numeric::Dual;

/// Two metals of one charge.
#[derive(Debug, Clone)]
pub(in crate::detector) struct TwoMetals {
    /// What follows them, and the vessel.
    pub(in crate::detector) electrode: IonElectrode,
    /// Whether the first end stands out on the curve; else it is only a parameter that may be told.
    pub(in crate::detector) first_is_seen: bool,
}

pub(in crate::detector) const FIRST: usize = ion_electrode::FIRST;
pub(in crate::detector) const SECOND: usize = FIRST + 1;
pub(in crate::detector) const LN_K: usize = FIRST + 2;
pub(in crate::detector) const LN_RATIO: usize = FIRST + 3;
pub(in crate::detector) const LN_SEEN: usize = FIRST + 4;
pub(in crate::detector) const LN_FLOOR: usize = FIRST + 5;
pub(in crate::detector) const ORIGIN: usize = FIRST + 6;
pub(in crate::detector) const COUNT: usize = FIRST + 7;

/// ln of the free ligand by a safeguarded Newton search.
fn ligand(metals: [(f64, f64); 2], total: f64) -> f64 {
    let (mut low, mut high) = (-80.0_f64, 2.0_f64);
    let mut u = {
        let free: f64 = total - metals.iter().map(|m| m.0).sum::<f64>();
        // Behind both ends the excess is free; before them the metal that is being bound holds it down.
        let (m, k) = if total < metals[0].0 { metals[0] } else { metals[1] };
        let before = if total < metals[0].0 { total } else { (total - metals[0].0).max(0.0) };
        let held = before / (k * (m - before).max(1e-12)).max(1e-300);
        if free > held { free } else { held.max(1e-30) }.ln().clamp(low + 1.0, high - 0.1)
    };
    for _ in 0..80 {
        let l = u.exp();
        let (mut off, mut slope) = (l - total, l);
        for (m, k) in metals {
            let share = 1.0 / (1.0 + k * l);
            off += m * (1.0 - share);
            slope += m * k * l * share * share;
        }
        if off > 0.0 {
            high = u;
        } else {
            low = u;
        }
        let next = u - (off / slope).clamp(-3.0, 3.0);
        let next = if next > low && next < high { next } else { f64::midpoint(low, high) };
        let moved = (next - u).abs();
        u = next;
        if moved < 1e-11 {
            break;
        }
    }
    u
}

impl TwoMetals {
    fn allows(titrant: f64, p: &[f64]) -> bool {
        p[FIRST] > 0.0 && p[SECOND] > 0.0 && titrant >= 0.0 && IonElectrode::allows(p)
    }

    /// The signal, with derivatives by the first `N` parameters.
    fn z<const N: usize>(&self, titrant: f64, p: &[f64]) -> Dual<N> {
        let at = |i: usize| if i < N { Dual::parameter(p[i], i) } else { Dual::constant(p[i]) };
        let whole = (at(LN_V0).exp() + titrant).recip();
        let k_second = at(LN_K).exp();
        let k_first = (at(LN_K) + at(LN_RATIO)).exp();
        let metals = [(at(FIRST) * whole, k_first), (at(SECOND) * whole, k_second)];
        let total = whole * titrant;
        let mut l = Dual::<N>::constant(0.0);
        if titrant > 0.0 {
            l.value = ligand(metals.map(|(m, k)| (m.value, k.value)), total.value).exp();
            // One step of Newton over numbers with derivatives makes the root's derivatives exact.
            let (mut off, mut by_l) = (l - total, 1.0);
            for (m, k) in metals {
                let share = (k * l + 1.0).recip();
                off = off + m * k * l * share;
                by_l += m.value * k.value * share.value * share.value;
            }
            l = l - off * by_l.recip();
        }
        let free = metals.map(|(m, k)| m * (k * l + 1.0).recip());
        let seen = free[0] + free[1] * at(LN_SEEN).exp() + at(LN_FLOOR).exp();
        let stretch = at(LN_SLOPE).exp() * self.electrode.charge.recip();
        at(ORIGIN) - stretch * (seen + 1e-200).ln()
    }
}

impl Response for TwoMetals {
    fn name(&self) -> String {
        format!("complexation of two metals (charge {}), electrode with a floor", self.electrode.charge)
    }

    fn len(&self) -> usize {
        COUNT
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        if !Self::allows(titrant, p) {
            return None;
        }
        let z = self.z::<COUNT>(titrant, p);
        gradient.copy_from_slice(&z.by);
        z.value.is_finite().then_some(z.value)
    }

    fn value(&self, titrant: f64, p: &[f64], _scrap: &mut [f64]) -> Option<f64> {
        if !Self::allows(titrant, p) {
            return None;
        }
        let z = self.z::<0>(titrant, p).value;
        z.is_finite().then_some(z)
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        let both = vec![FIRST, SECOND];
        if self.first_is_seen { vec![vec![FIRST], both] } else { vec![both] }
    }

    fn unseen(&self) -> Option<usize> {
        (!self.first_is_seen).then_some(FIRST)
    }

    fn meanings(&self) -> Vec<Meaning> {
        IonElectrode::meanings(COUNT, &[FIRST, SECOND])
    }

    fn priors(&self) -> Vec<Prior> {
        let mut all = self.electrode.priors();
        // Conditional constants from 10^5 to 10^12, one to three powers of ten apart; electrodes see the second metal a
        // tenth to a ten-thousandth as well; floors near a micromole (common practice, no source).
        all.extend([
            Prior::on(LN_K, 15.0, 4.0),
            Prior::on(LN_RATIO, 4.6, 1.5),
            Prior::on(LN_SEEN, -4.5, 2.0),
            Prior::on(LN_FLOOR, -13.0, 3.0),
        ]);
        all
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        let alike = (p[LN_RATIO] < 1.0).then_some("metals that cannot be told apart");
        IonElectrode::fault(p).or(alike)
    }
}
