//! Acids, bases and their mixtures with a strong base or acid.

use super::{Free, Vessel};
use crate::chemistry::acid_base::{Equilibrium, Medium, Solute, equilibrate};

/// One constituent of the sample, its amount told by the equivalence volumes.
#[derive(Debug, Clone, PartialEq)]
pub struct Component {
    /// Amount in mL of titrant, one to one: this row times `ends_ml`.
    pub of_ends: Vec<f64>,
    /// Charge of the form with all its protons.
    pub top_charge: i32,
    /// Thermodynamic pKa, first dissociation first; none for an ion that takes no part.
    pub pk: Vec<f64>,
}

/// A sample of acids and bases and its titrant.
#[derive(Debug, Clone)]
pub struct Protolysis {
    /// Equivalence volumes in mL, in order.
    pub ends_ml: Vec<f64>,
    /// What the sample holds.
    pub sample: Vec<Component>,
    /// 1 for a strong base (its cation), -1 for a strong acid (its anion).
    pub titrant_charge: i32,
    /// Inert 1:1 electrolyte in the sample in mol/L.
    pub background_mol_l: f64,
    /// Share of the base that has become carbonate; counted as one base, as it acts above pH 8.
    pub titrant_carbonate: f64,
}

/// Thermodynamic constants of carbonic acid at 25 degrees Celsius: handbook values, see `fixtures/reference`.
pub(crate) const CARBONIC_PK: [f64; 2] = [6.352, 10.329];

impl Protolysis {
    /// The equilibrium after `volume_ml`, with the concentration of the titrant's ion in it.
    pub(super) fn equilibrium(&self, vessel: &Vessel, volume_ml: f64) -> Option<(Equilibrium, f64)> {
        let (sample, titrant) = vessel.dilution(volume_ml);
        let mut solutes: Vec<(f64, Solute)> = Vec::with_capacity(self.sample.len() + 4);
        for component in &self.sample {
            let share: f64 = component.of_ends.iter().zip(&self.ends_ml).map(|(a, b)| a * b).sum();
            let concentration = vessel.sample_mol_l(share);
            // An inert ion that is missing is its counter-ion that is there.
            let charge = if concentration < 0.0 { -component.top_charge } else { component.top_charge };
            solutes.push((sample, Solute::acid(concentration.abs(), charge, component.pk.clone())));
        }
        for charge in [1, -1] {
            solutes.push((sample, Solute::ion(self.background_mol_l, charge)));
        }
        let carbonate = self.titrant_carbonate * vessel.titrant_mol_l;
        solutes.push((titrant, Solute::ion(vessel.titrant_mol_l + carbonate, self.titrant_charge)));
        if carbonate > 0.0 {
            solutes.push((titrant, Solute::acid(carbonate, 0, CARBONIC_PK.to_vec())));
        }
        let rows: Vec<(f64, &Solute)> = solutes.iter().map(|(f, s)| (*f, s)).collect();
        let equilibrium = equilibrate(Medium::water(vessel.temperature_c), &rows, None)?;
        Some((equilibrium, titrant * vessel.titrant_mol_l))
    }

    /// pH after `volume_ml`.
    #[must_use]
    pub fn ph(&self, vessel: &Vessel, volume_ml: f64) -> Option<f64> {
        Some(self.equilibrium(vessel, volume_ml)?.0.ph)
    }

    pub(super) fn free(&mut self) -> Vec<Free<'_>> {
        let ends = self.ends_ml.iter_mut().map(|v| Free { step: 1e-6 * *v, value: v, prior: f64::INFINITY });
        let constants = self.sample.iter_mut().flat_map(|c| &mut c.pk).map(|pk| Free {
            value: pk,
            step: 1e-4,
            prior: 1.0,
        });
        ends.chain(constants).collect()
    }
}
