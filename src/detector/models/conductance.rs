//! Conductivity while an acid or a base is titrated, from the molar conductivities of the ions.
//!
//! kappa = cell * sum lambda_i c_i + rest, with every lambda lowered by the ionic strength after L. Onsager (Phys. Z. 28
//! (1927) 277; for 1:1 electrolytes in water at 25 degrees Celsius lambda - (30.1 + 0.229 lambda) sqrt I, damped by
//! 1 + sqrt I). With a = C Ve / (V0 + V) of sample, t = C V / (V0 + V) of titrant and h the hydrogen ions (hydroxide ions
//! where a base is titrated), h + t = w / h + a for a strong sample and h + t = w / h + a K / (K + h) for a weak one.
//!
//! Molar conductivities in S cm2/mol at infinite dilution, 25 degrees Celsius (handbook values, from memory).

use super::{Meaning, Prior};
use crate::detector::response::Response;
use crate::numeric::Dual;
use std::f64::consts::LN_10;

/// What is titrated.
#[derive(Debug, Clone)]
pub(in crate::detector) struct Conductance {
    /// Acid with base; else base with acid.
    pub(in crate::detector) acid: bool,
    /// Whether the sample is only partly dissociated.
    pub(in crate::detector) weak: bool,
    /// ln of the volume before the first addition, with its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
    /// ln of the titrant's concentration in mol/L, with its standard deviation.
    pub(in crate::detector) ln_titrant: (f64, f64),
    /// One mS/cm in the unit of the signal.
    pub(in crate::detector) unit: f64,
    /// Temperature in degrees Celsius.
    pub(in crate::detector) temperature_c: f64,
}

pub(in crate::detector) const END: usize = 0;
pub(in crate::detector) const LN_TITRANT: usize = 1;
pub(in crate::detector) const LN_V0: usize = 2;
const LN_CELL: usize = 3;
const REST: usize = 4;
const LN_BEFORE: usize = 5;
const LN_BEHIND: usize = 6;
pub(in crate::detector) const BACKGROUND: usize = 7;
pub(in crate::detector) const SLOWING: usize = 8;
const CURVE: usize = 9;
pub(in crate::detector) const PK: usize = 10;
const LN_PARTNER: usize = 11;
const COUNT: usize = 12;

const HYDROGEN: f64 = 349.8;
const HYDROXIDE: f64 = 198.6;
const SODIUM: f64 = 50.1;
const CHLORIDE: f64 = 76.3;
/// Between acetate and formate, ammonium being higher: the partner of a weak sample is fitted.
const PARTNER: f64 = 45.0;
/// Half of the sum of sodium and chloride: the inert electrolyte.
pub(in crate::detector) const INERT: f64 = 63.2;
/// ln of the ion product of water at 25 degrees Celsius.
const LN_WATER: f64 = -32.24;
/// Conductivities rise by so much a degree (common practice, no source).
const BY_TEMPERATURE: f64 = 0.02;

impl Conductance {
    /// Molar conductivities of what disappears, what appears behind the end, the titrant's ion and the sample's.
    const fn ions(&self) -> (f64, f64, f64, f64) {
        match (self.acid, self.weak) {
            (true, false) => (HYDROGEN, HYDROXIDE, SODIUM, CHLORIDE),
            (true, true) => (HYDROGEN, HYDROXIDE, SODIUM, PARTNER),
            (false, false) => (HYDROXIDE, HYDROGEN, CHLORIDE, SODIUM),
            (false, true) => (HYDROXIDE, HYDROGEN, CHLORIDE, PARTNER),
        }
    }

    /// Slopes (before, behind) in mS/cm per mol/L of titrant, at infinite dilution.
    pub(in crate::detector) const fn slopes(&self) -> (f64, f64) {
        let (first, second, titrant, sample) = self.ions();
        (if self.weak { titrant + sample } else { titrant - first }, titrant + second)
    }

    /// Conductivity at the end-point in mS/cm per mol/L of salt, at infinite dilution.
    pub(in crate::detector) const fn at_end(&self) -> f64 {
        let (_, _, titrant, sample) = self.ions();
        titrant + sample
    }

    /// Whether slopes in this ratio (before over behind) can be those of the sample.
    pub(in crate::detector) fn likely(&self, ratio: f64) -> bool {
        match (self.weak, self.acid) {
            (true, _) => (-0.1..1.0).contains(&ratio),
            (false, true) => (-2.5..-0.45).contains(&ratio),
            (false, false) => (-0.75..0.0).contains(&ratio),
        }
    }

    /// ln of the concentration that balances the charge, by a safeguarded Newton search.
    fn balance(&self, sample: f64, titrant: f64, k: f64) -> f64 {
        let water = LN_WATER.exp();
        let (mut low, mut high) = (-45.0_f64, 3.0_f64);
        // The strong sample's root in closed form is near enough to start from.
        let gap = sample - titrant;
        let strong = f64::midpoint(gap, (gap * gap + 4.0 * water).sqrt());
        let mut u = if strong > 0.0 { strong.ln() } else { 0.5 * LN_WATER };
        if self.weak {
            u = if titrant > 0.0 && gap > 0.0 { (k * gap / titrant).min(strong).ln() } else { u };
        }
        u = u.clamp(low + 1.0, high - 1.0);
        for _ in 0..60 {
            let h = u.exp();
            let bound = if self.weak { sample * k / (k + h) } else { sample };
            let off = h + titrant - water / h - bound;
            let slope = h + water / h + if self.weak { bound * h / (k + h) } else { 0.0 };
            if off > 0.0 {
                high = u;
            } else {
                low = u;
            }
            let next = u - off / slope;
            let next = if next > low && next < high { next } else { f64::midpoint(low, high) };
            let moved = (next - u).abs();
            u = next;
            if moved < 1e-12 {
                break;
            }
        }
        u
    }
    /// The conductivity in the unit of the signal, with derivatives by the first `N` parameters.
    fn conductivity<const N: usize>(&self, titrant: f64, p: &[f64]) -> Dual<N> {
        let known = |i: usize| if i < p.len() && i < self.len() { p[i] } else { 0.0 };
        let at = |i: usize| if i < N { Dual::parameter(known(i), i) } else { Dual::constant(known(i)) };
        let v0 = at(LN_V0).exp();
        let whole = (v0 + titrant).recip();
        let strength = at(LN_TITRANT).exp() * whole;
        let (added, sample) = (strength * titrant, strength * at(END));
        let background = at(BACKGROUND) * (v0 * whole);
        let mut k = (at(PK) * -1.0).exp();
        if self.weak {
            // Davies: activity coefficients of two ions raise the apparent constant.
            let root = (added + (sample * k).sqrt() + background).sqrt();
            let ln_gamma = root / (root + 1.0) - root * root * 0.3;
            k = k * (ln_gamma * (2.0 * 0.509 * LN_10)).exp();
        }
        let h = Dual::<N>::constant(self.balance(sample.value, added.value, k.value).exp());
        let water = LN_WATER.exp();
        // One step of Newton over numbers with derivatives makes the root's derivatives exact.
        let dissociated = if self.weak { sample * k / (k + h) } else { sample };
        let off = h + added - h.recip() * water - dissociated;
        let by_h = 1.0
            + water / (h.value * h.value)
            + if self.weak { dissociated.value / (k.value + h.value) } else { 0.0 };
        let first = h - off * by_h.recip();
        let second = first.recip() * water;
        let partner = added + first - second;
        let root = (added + first + background + second).sqrt();
        let slowing = at(SLOWING) * (root / (root + 1.0));
        let past = if titrant > p[END] { at(END).recip() * titrant - 1.0 } else { Dual::constant(0.0) };
        let (one, two, of_titrant, of_sample) = self.ions();
        // (1 - 0.229 s) lambda - 30.1 s
        let slowed = |lambda: Dual<N>| lambda - (lambda * 0.229 + 30.1) * slowing;
        let constant = |lambda: f64| slowed(Dual::<N>::constant(lambda));
        let of_sample =
            if self.weak { at(LN_PARTNER).exp() * of_sample } else { Dual::<N>::constant(of_sample) };
        let sum = slowed(at(LN_BEFORE).exp() * one) * first
            + slowed(at(LN_BEHIND).exp() * two) * second * (at(CURVE) * past + 1.0)
            + constant(of_titrant) * added
            + slowed(of_sample) * partner
            + constant(INERT) * 2.0 * background;
        let warm = 1.0 + BY_TEMPERATURE * (self.temperature_c - 25.0);
        (at(LN_CELL).exp() * sum * warm + at(REST)) * self.unit
    }
}

impl Response for Conductance {
    fn name(&self) -> String {
        let kind = if self.weak { "weak" } else { "strong" };
        let pair = if self.acid { "acid with base" } else { "base with acid" };
        format!("conductance, {kind} {pair}")
    }

    fn len(&self) -> usize {
        if self.weak { COUNT } else { PK }
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        if p[END] <= 0.0 || p[LN_TITRANT].abs() > 20.0 || titrant < 0.0 {
            return None;
        }
        let x = self.conductivity::<COUNT>(titrant, p);
        gradient.copy_from_slice(&x.by[..gradient.len()]);
        x.value.is_finite().then_some(x.value)
    }

    fn value(&self, titrant: f64, p: &[f64], _scrap: &mut [f64]) -> Option<f64> {
        if p[END] <= 0.0 || p[LN_TITRANT].abs() > 20.0 || titrant < 0.0 {
            return None;
        }
        let x = self.conductivity::<0>(titrant, p).value;
        x.is_finite().then_some(x)
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        vec![vec![END]]
    }

    fn meanings(&self) -> Vec<Meaning> {
        let mut all = vec![Meaning::Other; self.len()];
        all[END] = Meaning::Titrant;
        all[LN_V0] = Meaning::LnSampleVolume;
        all
    }

    fn priors(&self) -> Vec<Prior> {
        let mut all = vec![
            Prior::on(LN_TITRANT, self.ln_titrant.0, self.ln_titrant.1),
            Prior::on(LN_V0, self.ln_volume.0, self.ln_volume.1),
            // A cell is calibrated to some per cent, water and the cell's zero give some hundredths of mS/cm, and the
            // temperature is not quite that of the tables (common practice, no source).
            Prior::on(LN_CELL, 0.0, 0.05),
            Prior::on(REST, 0.0, 0.03),
            Prior::on(LN_BEFORE, 0.0, 0.03),
            Prior::on(LN_BEHIND, 0.0, 0.03),
            Prior::on(BACKGROUND, 0.0, 0.05),
            Prior::on(SLOWING, 1.0, 0.1),
            Prior::on(CURVE, 0.0, 0.015),
        ];
        if self.weak {
            all.push(Prior::on(PK, 11.0, 4.0));
            all.push(Prior::on(LN_PARTNER, 0.0, 0.25));
        }
        all
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        (p[BACKGROUND] < -0.02).then_some("ions without sense")
    }
}
