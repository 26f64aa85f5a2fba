//! Metals with a chelating agent at constant pH, followed by an ion electrode that has a floor.

use super::{Free, Vessel};
use crate::numeric::find_root;

/// A metal that is bound one to one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Metal {
    /// Decadic logarithm of the conditional constant in L/mol (pH and ionic strength of the solution included).
    pub log_k: f64,
    /// Selectivity of the electrode for it, 1 for the ion it is made for.
    pub seen: f64,
}

/// Metals in the order in which they are bound.
#[derive(Debug, Clone)]
pub struct Complexation {
    /// Equivalence volumes in mL, in order.
    pub ends_ml: Vec<f64>,
    /// The metals that belong to them.
    pub metals: Vec<Metal>,
    /// Negative decadic logarithm of the concentration below which the electrode goes no further.
    pub floor_p: f64,
}

impl Complexation {
    /// Decadic logarithm of what the electrode sees after `volume_ml`, floor included.
    #[must_use]
    pub fn log_ion(&self, vessel: &Vessel, volume_ml: f64) -> Option<f64> {
        let (sample, titrant) = vessel.dilution(volume_ml);
        let mut earlier_ml = 0.0;
        let mut amounts = Vec::with_capacity(self.metals.len());
        for (metal, end_ml) in self.metals.iter().zip(&self.ends_ml) {
            amounts.push((
                metal,
                vessel.sample_mol_l(end_ml - earlier_ml) * sample,
                10_f64.powf(metal.log_k),
            ));
            earlier_ml = *end_ml;
        }
        let ligand_total = vessel.titrant_mol_l * titrant;
        let ligand = if ligand_total > 0.0 {
            let balance = |log_l: f64| {
                let l = 10_f64.powf(log_l);
                let bound: f64 = amounts.iter().map(|(_, c, k)| c * k * l / (1.0 + k * l)).sum();
                l + bound - ligand_total
            };
            10_f64.powf(find_root(balance, -40.0, 2.0, 1e-14)?)
        } else {
            0.0
        };
        let seen: f64 = amounts.iter().map(|(metal, c, k)| metal.seen * c / (1.0 + k * ligand)).sum();
        Some((seen + 10_f64.powf(-self.floor_p)).log10())
    }

    pub(super) fn free(&mut self) -> Vec<Free<'_>> {
        let ends = self.ends_ml.iter_mut().map(|v| Free { step: 1e-6 * *v, value: v, prior: f64::INFINITY });
        let mut free: Vec<_> = ends.collect();
        free.extend(self.metals.iter_mut().map(|metal| Free {
            value: &mut metal.log_k,
            step: 1e-4,
            prior: 0.3,
        }));
        free.push(Free::unknown(&mut self.floor_p, 1e-4));
        free
    }
}
