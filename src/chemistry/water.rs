//! Water as a solvent: density, permittivity, ion product.

use super::constants::kelvin;

/// Density of air-free water in kg/m3, 0 to 40 degrees Celsius.
///
/// M. Tanaka et al., Metrologia 38 (2001) 301.
#[must_use]
pub fn density_kg_m3(temperature_c: f64) -> f64 {
    let t = temperature_c;
    999.974_950 * (1.0 - (t - 3.983_035).powi(2) * (t + 301.797) / (522_528.9 * (t + 69.348_81)))
}

/// Relative permittivity (dielectric constant) of water, 0 to 100 degrees Celsius.
///
/// C. G. Malmberg and A. A. Maryott, J. Res. Natl. Bur. Stand. 56 (1956) 1; coefficients from memory,
/// checked against the tabulated values in `fixtures/reference`.
#[must_use]
pub fn relative_permittivity(temperature_c: f64) -> f64 {
    let t = temperature_c;
    87.740 + t * (-0.400_08 + t * (9.398e-4 - t * 1.410e-6))
}

/// pKw of water at 0.1 MPa (molal scale), 0 to 100 degrees Celsius.
///
/// A. V. Bandura and S. N. Lvov, J. Phys. Chem. Ref. Data 35 (2006) 15, in the form of IAPWS R11-07;
/// coefficients from memory, checked against two printed tables in `fixtures/reference`.
#[must_use]
pub fn pkw(temperature_c: f64) -> f64 {
    const SOLVATION_NUMBER: f64 = 6.0;
    const MOLAR_MASS_KG: f64 = 18.015_268e-3;
    let t = kelvin(temperature_c);
    let rho = density_kg_m3(temperature_c) * 1e-3;
    let q = rho * (-0.864_671 + 8_659.19 / t - 22_786.2 / t.powi(2) * rho.powf(2.0 / 3.0)).exp();
    let ideal_gas = 0.614_15 + 48_251.33 / t - 67_707.93 / t.powi(2) + 10_102_100.0 / t.powi(3);
    let density_term = rho * (0.642_044 - 56.853_4 / t - 0.375_754 * rho);
    let solvation = (1.0 + q).log10() - q / (q + 1.0) * density_term;
    -2.0 * SOLVATION_NUMBER * solvation + ideal_gas + 2.0 * MOLAR_MASS_KG.log10()
}
