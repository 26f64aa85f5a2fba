//! Two small polarised electrodes: the current at a fixed voltage, or the voltage at a fixed current.
//!
//! In the stationary state each reversible couple carries a current that is limited by diffusion: with equal diffusion
//! coefficients the sum of both forms is the same at the electrode and in the solution, so that at potential E the anodic
//! current is (O + R) s - O, with s the share oxidised at E. A couple that does not react at the electrodes carries none.

use super::{Free, Vessel};
use crate::chemistry::constants::thermal_voltage_mv;
use crate::numeric::find_root;

/// How much of a couple reacts at the electrodes; a couple that is not reversible gives no current.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReversibleCouple {
    /// Formal potential in mV.
    pub e0_mv: f64,
    /// Reduced form that is there from the start in mol/L of the sample (iodide).
    pub reduced_excess_mol_l: f64,
}

/// What is held and what is read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Measured {
    /// Current at this voltage in mV; relative to the concentration in mol/L.
    Current(f64),
    /// Voltage in mV at this current, in the same relative unit.
    Voltage(f64),
}

/// A titration with two polarised electrodes; the titrant is an oxidant or, with `titrant_oxidises` false, a reductant.
#[derive(Debug, Clone)]
pub struct Polarised {
    /// Equivalence volume in mL.
    pub end_ml: f64,
    /// The couple of the sample, if it is reversible.
    pub analyte: Option<ReversibleCouple>,
    /// The couple of the titrant, if it is reversible.
    pub titrant: Option<ReversibleCouple>,
    /// Whether the titrant oxidises.
    pub titrant_oxidises: bool,
    /// What is measured.
    pub measured: Measured,
    /// Potential at which the solvent is oxidised, and the one at which it is reduced, in mV.
    pub solvent_mv: (f64, f64),
}

/// A couple in the solution: formal potential, oxidised and reduced form in mol/L.
type Present = (f64, f64, f64);

impl Polarised {
    fn present(&self, vessel: &Vessel, volume_ml: f64) -> Vec<Present> {
        let (sample, titrant) = vessel.dilution(volume_ml);
        let wanted = vessel.sample_mol_l(self.end_ml) * sample;
        let given = vessel.titrant_mol_l * titrant;
        // The reaction goes to the end; what the equilibrium leaves is far below what the electrodes see.
        let done = wanted.min(given);
        let couple = |kind: Option<ReversibleCouple>, to_come: f64, oxidised_at_first: bool| {
            kind.map(|c| {
                let excess = c.reduced_excess_mol_l * sample;
                let (o, r) = if oxidised_at_first { (to_come, done) } else { (done, to_come) };
                (c.e0_mv, o, r + excess)
            })
        };
        let analyte = couple(self.analyte, wanted - done, !self.titrant_oxidises);
        let titrant = couple(self.titrant, given - done, self.titrant_oxidises);
        analyte.into_iter().chain(titrant).collect()
    }

    /// Current (relative, mol/L) or voltage (mV) after `volume_ml`.
    #[must_use]
    pub fn signal(&self, vessel: &Vessel, volume_ml: f64) -> Option<f64> {
        const LIMIT_MV: f64 = 4_000.0;
        let couples = self.present(vessel, volume_ml);
        let thermal = thermal_voltage_mv(vessel.temperature_c);
        let anodic = |e_mv: f64| {
            let carried: f64 =
                couples.iter().map(|(e0, o, r)| (o + r) / (1.0 + ((e0 - e_mv) / thermal).exp()) - o).sum();
            let (oxidised, reduced) = self.solvent_mv;
            carried + ((e_mv - oxidised) / thermal).min(300.0).exp()
                - ((reduced - e_mv) / thermal).min(300.0).exp()
        };
        match self.measured {
            Measured::Current(voltage_mv) => {
                let unbalanced = |e: f64| anodic(e + voltage_mv) + anodic(e);
                let cathode = find_root(unbalanced, -LIMIT_MV, LIMIT_MV, 1e-10)?;
                Some(0.5 * (anodic(cathode + voltage_mv) - anodic(cathode)))
            }
            Measured::Voltage(current) => {
                let anode = find_root(|e| anodic(e) - current, -LIMIT_MV, LIMIT_MV, 1e-10)?;
                let cathode = find_root(|e| anodic(e) + current, -LIMIT_MV, LIMIT_MV, 1e-10)?;
                Some(anode - cathode)
            }
        }
    }

    pub(super) fn free(&mut self) -> Vec<Free<'_>> {
        let mut free = vec![Free { step: 1e-6 * self.end_ml, value: &mut self.end_ml, prior: f64::INFINITY }];
        match &mut self.measured {
            Measured::Current(voltage_mv) => free.push(Free::known_to(voltage_mv, 0.05)),
            Measured::Voltage(current) => free.push(Free::known_to(current, 0.1)),
        }
        free
    }
}
