//! Acid-base equilibria: pH of any mixture of acids, bases and salts from the balance of charge.
//!
//! Concentrations are in mol/L, constants are thermodynamic (zero ionic strength), pH is -log10 of the activity of H+.

use super::activity::{Gammas, debye_hueckel_a};
use super::water::pkw;
use crate::numeric::{find_root, find_root_near};
use std::f64::consts::LN_10;

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

/// Where a pH is looked for.
const PH_LIMITS: (f64, f64) = (-3.0, 17.0);

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

/// Sums over all species at a trial pH: charge, its derivative by pH over -ln 10, and charge squared.
#[derive(Default, Clone, Copy)]
struct Sums {
    charge: f64,
    capacity: f64,
    square: f64,
}

fn add_solute(sums: &mut Sums, (factor, solute): (f64, &Solute), hydrogen_activity: f64, gammas: &Gammas) {
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
    let concentration = factor * solute.concentration;
    let mean = charge / total;
    sums.charge += concentration * mean;
    sums.square += concentration * square / total;
    sums.capacity += concentration * (square / total - mean * mean);
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
    let sums_at = |ph: f64, ionic_strength: f64| {
        let gammas = Gammas::davies(medium.a, ionic_strength);
        let activity = 10_f64.powf(-ph);
        let hydrogen = activity / gammas.of(1);
        let hydroxide = 10_f64.powf(-medium.pkw) / (activity * gammas.of(1));
        let both = hydrogen + hydroxide;
        let mut sums = Sums { charge: hydrogen - hydroxide, capacity: both, square: both };
        for row in solutes {
            add_solute(&mut sums, *row, activity, &gammas);
        }
        (sums, hydrogen, hydroxide)
    };
    // A rough bracketed solution first; from there Newton's step in pH and the renewed ionic strength converge together.
    let balance = |ph: f64| sums_at(ph, ionic_strength).0.charge;
    let mut ph = match near_ph {
        Some(start) => find_root_near(balance, start, 0.05, PH_LIMITS, 1e-3),
        None => find_root(balance, PH_LIMITS.0, PH_LIMITS.1, 1e-3),
    }?;
    let mut last_change = f64::INFINITY;
    for _ in 0..200 {
        let (sums, hydrogen, hydroxide) = sums_at(ph, ionic_strength);
        let step = (sums.charge / (sums.capacity * LN_10)).clamp(-0.5, 0.5);
        let next = 0.5 * sums.square;
        let change = step.abs().max((next / ionic_strength.max(f64::MIN_POSITIVE) - 1.0).abs());
        ph += step;
        ionic_strength = next;
        // In pure water the charges cancel to rounding before pH is known to 1e-13: then it gets no better.
        if change < 1e-13 || (change < 1e-9 && change >= 0.5 * last_change) {
            return Some(Equilibrium { ph, ionic_strength, hydrogen, hydroxide });
        }
        last_change = change;
    }
    None
}
