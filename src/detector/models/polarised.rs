//! Current between two small polarised electrodes at a fixed voltage, reversible couples on both sides.
//!
//! With O and R the concentrations of the couple's two forms and j the current over the limiting current per
//! concentration: (O + j)(R + j) = D (R - j)(O - j), D = exp(dE / S). Before the end O = V/Ve, R = 1 - V/Ve (the couple of
//! the analyte), behind it O = V/Ve - 1, R = 1 (the couple of the titrant): a hump, a valley at the end-point and a rise.
//! The diffusion-layer argument is that of J. T. Stock, Amperometric Titrations, Interscience 1965 (source from memory).

use super::{Meaning, Prior};
use crate::detector::response::Response;
use crate::numeric::Dual;

/// Hump and valley.
#[derive(Debug, Clone)]
pub(in crate::detector) struct Polarised {
    /// Whether both couples carry the same current at the same concentration; else their ratio is fitted.
    pub(in crate::detector) alike: bool,
    /// ln of the volume before the first addition, with its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
}

pub(in crate::detector) const END: usize = 0;
pub(in crate::detector) const GAIN: usize = 1;
pub(in crate::detector) const VOLTAGE: usize = 2;
pub(in crate::detector) const REST: usize = 3;
pub(in crate::detector) const LN_V0: usize = 4;
const LN_RATIO: usize = 5;
const COUNT: usize = 6;

type Number = Dual<COUNT>;

/// j: the smaller root of its equation, in the form that does not cancel.
fn current(o: Number, r: Number, ln_d: Number) -> Number {
    let d = ln_d.exp();
    let (sum, product) = (o + r, o * r);
    let (more, less) = ((d + 1.0) * sum, d - 1.0);
    let root = (more * more - less * less * product * 4.0).sqrt();
    less * product * 2.0 / (more + root + 1e-300)
}

impl Response for Polarised {
    fn name(&self) -> String {
        let name = "two polarised electrodes, reversible couples";
        if self.alike { name.to_owned() } else { format!("{name} of unequal gain") }
    }

    fn len(&self) -> usize {
        if self.alike { LN_RATIO } else { COUNT }
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        let at = |i: usize| Number::parameter(if i < self.len() { p[i] } else { 0.0 }, i);
        if p[END] <= 0.0 {
            return None;
        }
        let x = at(END).recip() * titrant;
        let one = Number::constant(1.0);
        let v0 = at(LN_V0).exp();
        let gain = at(GAIN) * v0 / (v0 + titrant);
        let j = if x.value <= 1.0 {
            gain * current(x, one - x, at(VOLTAGE))
        } else {
            gain * at(LN_RATIO).exp() * current(x - 1.0, one, at(VOLTAGE))
        };
        let signal = j + at(REST);
        gradient.copy_from_slice(&signal.by[..gradient.len()]);
        signal.value.is_finite().then_some(signal.value)
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
        // Voltages of 10 to 250 mV are used: ln D from 0.4 to 10.
        let mut all =
            vec![Prior::on(LN_V0, self.ln_volume.0, self.ln_volume.1), Prior::on(VOLTAGE, 3.5, 2.5)];
        if !self.alike {
            // Ions of about the same size; electrons from one to two (common practice, no source).
            all.push(Prior::on(LN_RATIO, 0.0, 0.5));
        }
        all
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        (p[VOLTAGE] <= 0.0).then_some("voltage of the wrong sign")
    }
}
