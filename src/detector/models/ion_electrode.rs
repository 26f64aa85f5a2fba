//! What the models of complexes share: the ion electrode that follows the metal, and the vessel.

use super::{Meaning, Prior};

/// An electrode for the metal ion in a vessel.
#[derive(Debug, Clone, Copy)]
pub(in crate::detector) struct IonElectrode {
    /// Charge of the metal ion.
    pub(in crate::detector) charge: f64,
    /// ln(slope / nominal): expected value and standard deviation.
    pub(in crate::detector) ln_slope: (f64, f64),
    /// ln of the volume before the first addition, with its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
}

/// Where these parameters stand, whatever the model.
pub(in crate::detector) const LN_SLOPE: usize = 0;
pub(in crate::detector) const LN_V0: usize = 1;
/// Where those of a model begin.
pub(super) const FIRST: usize = 2;

impl IonElectrode {
    /// Whether a fit may look there at all.
    pub(super) fn allows(p: &[f64]) -> bool {
        p[LN_SLOPE].abs() <= 1.5
    }

    /// What is known of slope and volume.
    pub(super) fn priors(&self) -> Vec<Prior> {
        vec![
            Prior::as_a_rule(LN_SLOPE, self.ln_slope.0, self.ln_slope.1),
            Prior::on(LN_V0, self.ln_volume.0, self.ln_volume.1),
        ]
    }

    /// What `count` parameters mean, of which these are portions of titrant.
    pub(super) fn meanings(count: usize, portions: &[usize]) -> Vec<Meaning> {
        let mut all = vec![Meaning::Other; count];
        all[LN_SLOPE] = Meaning::LnSlope;
        all[LN_V0] = Meaning::LnSampleVolume;
        for portion in portions {
            all[*portion] = Meaning::Titrant;
        }
        all
    }

    /// Why the slope makes no sense, if it makes none.
    pub(super) fn fault(p: &[f64]) -> Option<&'static str> {
        (p[LN_SLOPE].abs() > 0.35).then_some("slope of the electrode without sense")
    }
}
