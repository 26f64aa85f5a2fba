//! Current between two small polarised electrodes at a fixed voltage, reversible couples on both sides.
//!
//! With O and R the concentrations of the couple's two forms and j the current over the limiting current per
//! concentration: (O + j)(R + j) = D (R - j)(O - j), D = exp(dE / S). Before the end O = V/Ve, R = 1 - V/Ve (the couple of
//! the analyte), behind it O = V/Ve - 1, R = 1 (the couple of the titrant): a hump, a valley at the end-point and a rise.
//! The diffusion-layer argument is that of J. T. Stock, Amperometric Titrations, Interscience 1965 (source from memory).

use super::{Meaning, Prior, exp};
use crate::detector::response::Response;

/// Hump and valley.
#[derive(Debug, Clone)]
pub(in crate::detector) struct Polarised {
    /// ln of the volume before the first addition, with its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
}

const END: usize = 0;
const GAIN_BEFORE: usize = 1;
const GAIN_BEHIND: usize = 2;
const VOLTAGE: usize = 3;
const REST: usize = 4;
const LN_V0: usize = 5;

/// j and its derivatives by O, R and ln D.
fn current(o: f64, r: f64, ln_d: f64) -> (f64, f64, f64, f64) {
    let value = |o: f64, r: f64, ln_d: f64| {
        let d = exp(ln_d);
        let (sum, product) = (o + r, o * r);
        let root = ((1.0 + d).powi(2) * sum * sum - 4.0 * (d - 1.0).powi(2) * product).max(0.0).sqrt();
        // Stable form of [(1+D)(O+R) - root] / 2(D-1).
        2.0 * (d - 1.0) * product / ((1.0 + d) * sum + root).max(1e-300)
    };
    let h = 1e-6;
    let j = value(o, r, ln_d);
    let by = |f: &dyn Fn(f64) -> f64| (f(h) - f(-h)) / (2.0 * h);
    let by_o = by(&|e| value((o + e).max(0.0), r, ln_d));
    let by_r = by(&|e| value(o, (r + e).max(0.0), ln_d));
    let by_d = by(&|e| value(o, r, ln_d + e));
    (j, by_o, by_r, by_d)
}

impl Response for Polarised {
    fn name(&self) -> String {
        "two polarised electrodes, reversible couples".to_owned()
    }

    fn len(&self) -> usize {
        6
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        gradient.fill(0.0);
        let end = p[END];
        if end <= 0.0 {
            return None;
        }
        let x = titrant / end;
        let v0 = exp(p[LN_V0]);
        let dilution = v0 / (v0 + titrant);
        let dx = -x / end;
        let y = if x <= 1.0 {
            let (j, by_o, by_r, by_d) = current(x, 1.0 - x, p[VOLTAGE]);
            gradient[GAIN_BEFORE] = j;
            gradient[END] = p[GAIN_BEFORE] * (by_o - by_r) * dx;
            gradient[VOLTAGE] = p[GAIN_BEFORE] * by_d;
            p[GAIN_BEFORE] * j
        } else {
            let (j, by_o, _, by_d) = current(x - 1.0, 1.0, p[VOLTAGE]);
            gradient[GAIN_BEHIND] = j;
            gradient[END] = p[GAIN_BEHIND] * by_o * dx;
            gradient[VOLTAGE] = p[GAIN_BEHIND] * by_d;
            p[GAIN_BEHIND] * j
        };
        for g in gradient.iter_mut() {
            *g *= dilution;
        }
        gradient[LN_V0] = y * dilution * titrant / (v0 + titrant);
        gradient[REST] = 1.0;
        Some(y * dilution + p[REST])
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
        vec![Prior::on(LN_V0, self.ln_volume.0, self.ln_volume.1), Prior::on(VOLTAGE, 3.5, 2.5)]
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        let same_sign = p[GAIN_BEFORE] * p[GAIN_BEHIND] > 0.0;
        (!same_sign || p[VOLTAGE] <= 0.0).then_some("currents of opposite sign")
    }
}
