//! Silver salts: one anion or several that precipitate one after the other, with a silver electrode.

use super::{Free, Vessel};
use crate::chemistry::activity::{Gammas, debye_hueckel_a};
use crate::numeric::find_root;
use std::f64::consts::LN_10;

/// An anion that precipitates as Ag_n X, n its charge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Anion {
    /// pKsp, thermodynamic.
    pub pksp: f64,
    /// Charge number without sign; also the number of silver ions it binds.
    pub charge: i32,
}

/// Anions in the order in which they precipitate, with silver nitrate.
#[derive(Debug, Clone)]
pub struct Precipitation {
    /// Equivalence volumes in mL, in order.
    pub ends_ml: Vec<f64>,
    /// The anions that belong to them.
    pub anions: Vec<Anion>,
    /// Inert 1:1 electrolyte in the sample in mol/L.
    pub background_mol_l: f64,
}

impl Precipitation {
    /// Decadic logarithm of the activity of silver after `volume_ml`.
    #[must_use]
    pub fn log_silver(&self, vessel: &Vessel, volume_ml: f64) -> Option<f64> {
        let (sample, titrant) = vessel.dilution(volume_ml);
        let a = debye_hueckel_a(vessel.temperature_c);
        let mut earlier_ml = 0.0;
        let mut amounts = Vec::with_capacity(self.anions.len());
        for (anion, end_ml) in self.anions.iter().zip(&self.ends_ml) {
            let silver = vessel.sample_mol_l(end_ml - earlier_ml) * sample;
            amounts.push((*anion, silver / f64::from(anion.charge)));
            earlier_ml = *end_ml;
        }
        let nitrate = titrant * vessel.titrant_mol_l;
        let cations: f64 = amounts.iter().map(|(anion, c)| c * f64::from(anion.charge)).sum();
        let background = sample * self.background_mol_l;

        let free_anion = |(anion, total): (Anion, f64), log_m: f64, gammas: &Gammas| {
            let silver = log_m + gammas.of(1).log10();
            let saturated =
                10_f64.powf(-anion.pksp - f64::from(anion.charge) * silver) / gammas.of(anion.charge);
            saturated.min(total)
        };
        let mut ionic_strength = cations + background;
        for _ in 0..100 {
            let gammas = Gammas::davies(a, ionic_strength);
            // The first trace of silver saturates the solution: an electrode in it shows that before any titrant.
            let (first, total) = *amounts.first()?;
            let log_saturated = (-first.pksp - (total * gammas.of(first.charge)).log10())
                / f64::from(first.charge)
                - gammas.of(1).log10();
            let silver_total = nitrate.max(10_f64.powf(log_saturated));
            let balance = |log_m: f64| {
                let bound: f64 = amounts
                    .iter()
                    .map(|row| f64::from(row.0.charge) * (row.1 - free_anion(*row, log_m, &gammas)))
                    .sum();
                10_f64.powf(log_m) + bound - silver_total
            };
            let log_m = find_root(balance, -40.0, 2.0, 1e-14)?;
            let anions: f64 = amounts
                .iter()
                .map(|row| f64::from(row.0.charge.pow(2)) * free_anion(*row, log_m, &gammas))
                .sum();
            let next = background + 0.5 * (cations + nitrate + (log_m * LN_10).exp() + anions);
            let settled = (next - ionic_strength).abs() <= 1e-13 * next;
            ionic_strength = next;
            if settled {
                return Some(log_m + gammas.of(1).log10());
            }
        }
        None
    }

    pub(super) fn free(&mut self) -> Vec<Free<'_>> {
        let ends = self.ends_ml.iter_mut().map(|v| Free { step: 1e-6 * *v, value: v, prior: f64::INFINITY });
        ends.chain(self.anions.iter_mut().map(|anion| Free::unknown(&mut anion.pksp, 1e-4))).collect()
    }
}
