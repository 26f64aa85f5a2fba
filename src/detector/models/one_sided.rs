//! A current that only one side of the end-point carries: the other branch is level.
//!
//! x = x0 + g J V0 / (V0 + V) with the joint J of `bend`, the excess of titrant behind the end-point or what is left of
//! the analyte before it. Where no reversible couple is in the solution no current flows but a rest that no titrant
//! dilutes (J. T. Stock, Amperometric Titrations, Interscience 1965, source from memory).

use super::bend::excess;
use super::{Meaning, Prior, exp};
use crate::detector::response::Response;

/// One branch that carries the current.
#[derive(Debug, Clone)]
pub(in crate::detector) struct OneSided {
    /// Whether the current flows behind the end-point; else before it.
    pub(in crate::detector) behind: bool,
    /// Whether the joint is a corner, as where the reaction goes to its end.
    pub(in crate::detector) sharp: bool,
    /// ln of the volume before the first addition, with its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
    /// ln of the width of the joint: expected, with its standard deviation.
    pub(in crate::detector) ln_width: (f64, f64),
}

pub(in crate::detector) const END: usize = 0;
pub(in crate::detector) const LN_WIDTH: usize = 1;
pub(in crate::detector) const REST: usize = 2;
pub(in crate::detector) const GAIN: usize = 3;
pub(in crate::detector) const LN_V0: usize = 4;
pub(in crate::detector) const COUNT: usize = 5;

impl Response for OneSided {
    fn name(&self) -> String {
        let side = if self.behind { "before" } else { "behind" };
        let joint = if self.sharp { "corner" } else { "bend" };
        format!("{joint}, level {side}")
    }

    fn len(&self) -> usize {
        COUNT
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        let (mut joint, mut by_place, by_width) = excess(titrant, p[END], exp(p[LN_WIDTH]));
        if !self.behind {
            joint -= titrant - p[END];
            by_place += 1.0;
        }
        let v0 = exp(p[LN_V0]);
        let dilution = v0 / (v0 + titrant);
        let gain = p[GAIN] * dilution;
        gradient[END] = gain * by_place;
        gradient[LN_WIDTH] = gain * by_width;
        gradient[REST] = 1.0;
        gradient[GAIN] = joint * dilution;
        gradient[LN_V0] = gain * joint * titrant / (v0 + titrant);
        let x = p[REST] + gain * joint;
        x.is_finite().then_some(x)
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        vec![vec![END]]
    }

    fn meanings(&self) -> Vec<Meaning> {
        let mut all = vec![Meaning::Other; COUNT];
        all[END] = Meaning::Titrant;
        all[LN_WIDTH] = Meaning::LnWidth;
        all[LN_V0] = Meaning::LnSampleVolume;
        all
    }

    fn priors(&self) -> Vec<Prior> {
        vec![
            Prior::on(LN_V0, self.ln_volume.0, self.ln_volume.1),
            Prior::on(LN_WIDTH, self.ln_width.0, self.ln_width.1),
        ]
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        (p[END] <= 0.0).then_some("joint before the first addition")
    }
}
