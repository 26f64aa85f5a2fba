//! Activity coefficients of ions in dilute aqueous solution.

use super::constants::{AVOGADRO, BOLTZMANN, ELEMENTARY_CHARGE, VACUUM_PERMITTIVITY, kelvin};
use super::water::{density_kg_m3, relative_permittivity};
use std::f64::consts::{LN_10, PI};

/// The Debye-Hueckel coefficient A (decadic, molal) in kg^0.5 mol^-0.5, from the constants of nature.
#[must_use]
pub fn debye_hueckel_a(temperature_c: f64) -> f64 {
    let screening = 2.0 * AVOGADRO * density_kg_m3(temperature_c);
    let energy =
        VACUUM_PERMITTIVITY * relative_permittivity(temperature_c) * BOLTZMANN * kelvin(temperature_c);
    ELEMENTARY_CHARGE.powi(3) * screening.sqrt() / (8.0 * PI * energy.powf(1.5) * LN_10)
}

/// Decadic logarithm of the activity coefficient of an ion of unit charge by the Davies equation.
///
/// C. W. Davies, Ion Association, 1962, with the term 0.3 I: -A (sqrt I / (1 + sqrt I) - 0.3 I). An ion of charge z
/// has z^2 times this value. Meant for ionic strengths up to about 0.5 mol/L; above, the value at 0.5 is kept.
#[must_use]
pub fn davies_log_gamma(a: f64, ionic_strength: f64) -> f64 {
    let strength = ionic_strength.clamp(0.0, 0.5);
    let root = strength.sqrt();
    -a * (root / (1.0 + root) - 0.3 * strength)
}

/// Activity coefficients for charges 0 to 4 at one ionic strength.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Gammas([f64; 5]);

impl Gammas {
    pub(crate) fn davies(a: f64, ionic_strength: f64) -> Self {
        let unit = davies_log_gamma(a, ionic_strength) * LN_10;
        Self([1.0, unit.exp(), (4.0 * unit).exp(), (9.0 * unit).exp(), (16.0 * unit).exp()])
    }

    pub(crate) fn of(&self, charge: i32) -> f64 {
        self.0[(charge.unsigned_abs() as usize).min(4)]
    }
}
