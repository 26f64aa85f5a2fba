//! Conductivity of an acid or base while it is titrated.

use super::{Free, Protolysis, Vessel};

/// Molar conductivities in S cm2/mol at infinite dilution, 25 degrees Celsius.
///
/// Handbook values, from memory: H+ 349.8, OH- 198.6, Na+ 50.1, Cl- 76.3, acetate 40.9.
#[derive(Debug, Clone)]
pub struct Conductance {
    /// What reacts.
    pub protolysis: Protolysis,
    /// Molar conductivity of H+.
    pub hydrogen: f64,
    /// Molar conductivity of OH-.
    pub hydroxide: f64,
    /// Molar conductivity of the titrant's ion.
    pub titrant_ion: f64,
    /// Molar conductivity of the sample's ion that balances the charge.
    pub sample_ion: f64,
    /// Sum of the molar conductivities of the inert electrolyte.
    pub inert: f64,
}

impl Conductance {
    /// Conductivity in mS/cm after `volume_ml`.
    ///
    /// Ions lose conductivity with the root of the ionic strength after L. Onsager (Phys. Z. 28 (1927) 277), for water
    /// at 25 degrees Celsius lambda - (30.1 + 0.229 lambda) sqrt I, damped by 1 + sqrt I at higher strength.
    #[must_use]
    pub fn ms_cm(&self, vessel: &Vessel, volume_ml: f64) -> Option<f64> {
        let (sample, _) = vessel.dilution(volume_ml);
        let (equilibrium, titrant_ion) = self.protolysis.equilibrium(vessel, volume_ml)?;
        let charge = f64::from(self.protolysis.titrant_charge);
        // What the sample brings to balance the charge: an anion of an acid, a cation of a base.
        let sample_ion = (titrant_ion + charge * (equilibrium.hydrogen - equilibrium.hydroxide)).max(0.0);
        let root = equilibrium.ionic_strength.sqrt();
        let slowed = |lambda: f64| lambda - (30.1 + 0.229 * lambda) * root / (1.0 + root);
        Some(
            slowed(self.hydrogen) * equilibrium.hydrogen
                + slowed(self.hydroxide) * equilibrium.hydroxide
                + slowed(self.titrant_ion) * titrant_ion
                + slowed(self.sample_ion) * sample_ion
                + slowed(0.5 * self.inert) * 2.0 * sample * self.protolysis.background_mol_l,
        )
    }

    pub(super) fn free(&mut self) -> Vec<Free<'_>> {
        let mut free = self.protolysis.free();
        free.push(Free::known_to(&mut self.hydrogen, 0.02));
        free.push(Free::known_to(&mut self.hydroxide, 0.02));
        free.push(Free::known_to(&mut self.titrant_ion, 0.02));
        free
    }
}
