//! Voltage between two small polarised electrodes at a fixed current.
//!
//! With O and R the concentrations of a reversible couple and j the current as a concentration, the anode is at
//! a = exp((E - E0)/S) with a^2 k + a (R - j + k) = O + j, the cathode at c with c^2 (R + j) = c (O - j + k) + k, where k is
//! the next couple or the solvent that takes over when the first cannot carry the current. U = S ln(a / c): small while
//! both forms are there, high when one is missing. Stationary diffusion as in J. T. Stock, Amperometric Titrations,
//! Interscience 1965 (source from memory).

use super::{Meaning, Prior, exp};
use crate::detector::response::Response;

/// Which couples are reversible.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::detector) enum Couples {
    /// That of the titrant alone: the voltage falls behind the end-point.
    Titrant,
    /// That of the analyte alone: the voltage rises at the end-point.
    Analyte,
    /// Both: the voltage has its peak at the end-point.
    Both,
}

/// The voltage in units of RT/F.
#[derive(Debug, Clone)]
pub(in crate::detector) struct PolarisedVoltage {
    /// Which couples are reversible.
    pub(in crate::detector) couples: Couples,
    /// ln of the volume before the first addition, with its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
    /// Titrant from first to last point.
    pub(in crate::detector) range: f64,
}

pub(in crate::detector) const END: usize = 0;
pub(in crate::detector) const LN_CURRENT: usize = 1;
pub(in crate::detector) const LN_NEXT: usize = 2;
pub(in crate::detector) const REST: usize = 3;
pub(in crate::detector) const LN_V0: usize = 4;
const COUNT: usize = 5;

impl PolarisedVoltage {
    fn voltage(&self, titrant: f64, p: &[f64]) -> f64 {
        let v0 = exp(p[LN_V0]);
        let x = titrant / p[END];
        // Everything in concentrations of the first solution: dilution makes the same current a larger share.
        let thinner = (v0 + titrant) / v0;
        let j = exp(p[LN_CURRENT]) * thinner;
        let next = exp(p[LN_NEXT]);
        // Where one couple alone is reversible its other form is there in excess and hardly thins out, and the solvent
        // takes over; where both are, the next couple is that of the other partner.
        let (o, r, k) = match (self.couples, x <= 1.0) {
            (Couples::Titrant, true) | (Couples::Analyte, false) => (0.0, thinner, next * thinner),
            (Couples::Titrant, false) => (x - 1.0, thinner, next * thinner),
            (Couples::Analyte, true) => (1.0 - x, thinner, next * thinner),
            (Couples::Both, true) => (x, 1.0 - x, next * x.max(1e-6)),
            (Couples::Both, false) => (x - 1.0, 1.0, next),
        };
        let b = r - j + k;
        let root = (b * b + 4.0 * k * (o + j)).sqrt();
        let a = if b > 0.0 { 2.0 * (o + j) / (b + root) } else { (root - b) / (2.0 * k) };
        let d = o - j + k;
        let root = (d * d + 4.0 * k * (r + j)).sqrt();
        let c = if d > 0.0 { (d + root) / (2.0 * (r + j)) } else { 2.0 * k / (root - d) };
        p[REST] + (a.max(1e-300) / c.max(1e-300)).ln()
    }
}

impl Response for PolarisedVoltage {
    fn name(&self) -> String {
        match self.couples {
            Couples::Titrant => "two polarised electrodes, voltage falls".to_owned(),
            Couples::Analyte => "two polarised electrodes, voltage rises".to_owned(),
            Couples::Both => "two polarised electrodes, voltage peaks".to_owned(),
        }
    }

    fn len(&self) -> usize {
        COUNT
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        if p[END] <= 0.0 || p[LN_CURRENT] > 1.0 || p[LN_NEXT] > 0.0 {
            return None;
        }
        let x = self.voltage(titrant, p);
        let mut moved = [0.0; COUNT];
        moved.copy_from_slice(&p[..COUNT]);
        for i in 0..COUNT {
            let step = if i == END { 1e-6 * self.range } else { 1e-5 };
            moved[i] = p[i] + step;
            let up = self.voltage(titrant, &moved);
            moved[i] = p[i] - step;
            gradient[i] = (up - self.voltage(titrant, &moved)) / (2.0 * step);
            moved[i] = p[i];
        }
        x.is_finite().then_some(x)
    }

    fn value(&self, titrant: f64, p: &[f64], _scrap: &mut [f64]) -> Option<f64> {
        if p[END] <= 0.0 || p[LN_CURRENT] > 1.0 || p[LN_NEXT] > 0.0 {
            return None;
        }
        let x = self.voltage(titrant, p);
        x.is_finite().then_some(x)
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        vec![vec![END]]
    }

    fn meanings(&self) -> Vec<Meaning> {
        let mut all = vec![Meaning::Other; COUNT];
        all[END] = Meaning::Titrant;
        all[LN_V0] = Meaning::LnSampleVolume;
        all
    }

    fn priors(&self) -> Vec<Prior> {
        // A microampere or so against tens in the limit: a hundredth to a thousandth.
        // What takes over stands half a volt to a volt away; where a peak has few points they do not tell.
        vec![
            Prior::on(LN_CURRENT, -5.5, 1.0),
            Prior::on(LN_NEXT, -28.0, 8.0),
            Prior::on(LN_V0, self.ln_volume.0, self.ln_volume.1),
        ]
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        (p[LN_CURRENT] > -1.0).then_some("current beyond what the couple can carry")
    }
}
