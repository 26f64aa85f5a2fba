//! Acid-base equilibria: pH of any mixture of acids, bases and salts from the balance of charge.
//!
//! Concentrations are in mol/L, constants are thermodynamic (zero ionic strength), pH is -log10 of the activity of H+.

use super::activity::{Gammas, debye_hueckel_a};
use super::water::pkw;
use crate::numeric::{find_root, find_root_near};

/// What was weighed into a solution: an acid, a base, or an ion that takes no part (no pK).
///
/// Hydrochloric acid is a chloride ion, sodium hydroxide a sodium ion: the balance of charge supplies H+ and OH-.
#[derive(Debug, Clone, PartialEq)]
pub struct Solute {
    /// Total concentration in mol/L.
    pub concentration: f64,
    /// Charge of the form with all its protons.
    pub top_charge: i32,
    /// Thermodynamic pKa, first dissociation first.
    pub pk: Vec<f64>,
}

impl Solute {
    /// An ion that neither gives nor takes protons.
    #[must_use]
    pub const fn ion(concentration: f64, charge: i32) -> Self {
        Self { concentration, top_charge: charge, pk: Vec::new() }
    }

    /// An acid (or the base that belongs to it), with the charge of its fully protonated form.
    #[must_use]
    pub const fn acid(concentration: f64, top_charge: i32, pk: Vec<f64>) -> Self {
        Self { concentration, top_charge, pk }
    }
}

/// A solution at equilibrium.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Equilibrium {
    /// -log10 of the activity of H+.
    pub ph: f64,
    /// Ionic strength in mol/L.
    pub ionic_strength: f64,
    /// Concentration of H+ in mol/L.
    pub hydrogen: f64,
    /// Concentration of OH- in mol/L.
    pub hydroxide: f64,
}

/// Water with its constants at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Medium {
    /// pKw.
    pub pkw: f64,
    /// Debye-Hueckel coefficient A; 0 makes the solution ideal.
    pub a: f64,
}

impl Medium {
    /// Water at a temperature.
    #[must_use]
    pub fn water(temperature_c: f64) -> Self {
        Self { pkw: pkw(temperature_c), a: debye_hueckel_a(temperature_c) }
    }
}

/// Sums over all species at a trial pH.
#[derive(Default)]
struct Sums {
    charge: f64,
    square: f64,
}

fn add_solute(sums: &mut Sums, solute: &Solute, hydrogen_activity: f64, gammas: &Gammas) {
    // Amounts of the forms relative to the protonated one; at most a few steps, so no overflow within pH -3 to 17.
    let (mut weight, mut total, mut charge, mut square) = (1.0, 0.0, 0.0, 0.0);
    let mut z = solute.top_charge;
    for step in 0..=solute.pk.len() {
        total += weight;
        charge += weight * f64::from(z);
        square += weight * f64::from(z * z);
        if let Some(pk) = solute.pk.get(step) {
            weight *= 10_f64.powf(-pk) / hydrogen_activity * gammas.of(z) / gammas.of(z - 1);
            z -= 1;
        }
    }
    sums.charge += solute.concentration * charge / total;
    sums.square += solute.concentration * square / total;
}

/// Brings a mixture to equilibrium.
///
/// `solutes` gives each solute with the factor by which it is diluted; `near_ph` is where to look first.
/// Returns `None` only for concentrations that no solution has (negative, not finite, beyond pH -3 to 17).
#[must_use]
pub fn equilibrate(medium: Medium, solutes: &[(f64, &Solute)], near_ph: Option<f64>) -> Option<Equilibrium> {
    let mut ionic_strength = solutes
        .iter()
        .map(|(factor, s)| 0.5 * factor * s.concentration * f64::from(s.top_charge.pow(2)))
        .sum::<f64>();
    let mut ph = near_ph;
    for _ in 0..100 {
        let gammas = Gammas::davies(medium.a, ionic_strength);
        let sums_at = |ph: f64| {
            let activity = 10_f64.powf(-ph);
            let mut sums = Sums::default();
            for (factor, solute) in solutes {
                let mut one = Sums::default();
                add_solute(&mut one, solute, activity, &gammas);
                sums.charge += factor * one.charge;
                sums.square += factor * one.square;
            }
            let hydrogen = activity / gammas.of(1);
            let hydroxide = 10_f64.powf(-medium.pkw) / (activity * gammas.of(1));
            sums.charge += hydrogen - hydroxide;
            sums.square += hydrogen + hydroxide;
            (sums, hydrogen, hydroxide)
        };
        let balance = |ph: f64| sums_at(ph).0.charge;
        let found = match ph {
            Some(start) => find_root_near(balance, start, 0.02, (-3.0, 17.0), 1e-14),
            None => find_root(balance, -3.0, 17.0, 1e-14),
        }?;
        let (sums, hydrogen, hydroxide) = sums_at(found);
        let next = 0.5 * sums.square;
        let settled = (next - ionic_strength).abs() <= 1e-13 * next;
        (ph, ionic_strength) = (Some(found), next);
        if settled {
            return Some(Equilibrium { ph: found, ionic_strength, hydrogen, hydroxide });
        }
    }
    None
}
