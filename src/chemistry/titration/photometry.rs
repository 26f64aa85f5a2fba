//! A reaction A + T = P followed by absorbance, with stray light.

use super::{Free, Vessel};

/// Molar absorptivities times path length, and how far the reaction goes.
#[derive(Debug, Clone)]
pub struct Photometry {
    /// Equivalence volume in mL.
    pub end_ml: f64,
    /// Analyte, in L/mol.
    pub analyte: f64,
    /// Product, in L/mol.
    pub product: f64,
    /// Titrant, in L/mol.
    pub titrant: f64,
    /// Decadic logarithm of the constant in L/mol.
    pub log_k: f64,
    /// Share of the light that does not pass the sample.
    pub stray: f64,
}

impl Photometry {
    /// Absorbance as the photometer shows it after `volume_ml`.
    #[must_use]
    pub fn absorbance(&self, vessel: &Vessel, volume_ml: f64) -> f64 {
        let (sample, titrant) = vessel.dilution(volume_ml);
        let analyte = vessel.sample_mol_l(self.end_ml) * sample;
        let reagent = vessel.titrant_mol_l * titrant;
        let k = 10_f64.powf(self.log_k);
        // The smaller root of P^2 - (a + t + 1/k) P + a t = 0, in the form that does not cancel.
        let sum = analyte + reagent + 1.0 / k;
        let product = 2.0 * analyte * reagent / (sum + (sum * sum - 4.0 * analyte * reagent).max(0.0).sqrt());
        let absorbance =
            self.analyte * (analyte - product) + self.product * product + self.titrant * (reagent - product);
        -((10_f64.powf(-absorbance) + self.stray) / (1.0 + self.stray)).log10()
    }

    pub(super) fn free(&mut self) -> Vec<Free<'_>> {
        let step = 1e-4 * self.analyte.max(self.product).max(self.titrant);
        vec![
            Free { step: 1e-6 * self.end_ml, value: &mut self.end_ml, prior: f64::INFINITY },
            Free::unknown(&mut self.analyte, step),
            Free::unknown(&mut self.product, step),
            Free::unknown(&mut self.titrant, step),
            Free::unknown(&mut self.log_k, 1e-4),
            Free { value: &mut self.stray, step: 1e-5, prior: 0.01 },
        ]
    }
}
