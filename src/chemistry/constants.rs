//! Constants of nature, as fixed by the SI.

/// Molar gas constant in J/(mol K). CODATA 2018 (exact since the SI revision of 2019).
pub const GAS: f64 = 8.314_462_618_153_24;
/// Faraday constant in C/mol. CODATA 2018 (exact).
pub const FARADAY: f64 = 96_485.332_123_310_01;
/// Boltzmann constant in J/K. CODATA 2018 (exact).
pub const BOLTZMANN: f64 = 1.380_649e-23;
/// Avogadro constant in 1/mol. CODATA 2018 (exact).
pub const AVOGADRO: f64 = 6.022_140_76e23;
/// Elementary charge in C. CODATA 2018 (exact).
pub const ELEMENTARY_CHARGE: f64 = 1.602_176_634e-19;
/// Permittivity of vacuum in F/m. CODATA 2018, from memory.
pub const VACUUM_PERMITTIVITY: f64 = 8.854_187_812_8e-12;
/// Zero of the Celsius scale in K. SI definition.
pub const CELSIUS_ZERO: f64 = 273.15;

/// Thermodynamic temperature in K.
#[must_use]
pub fn kelvin(temperature_c: f64) -> f64 {
    temperature_c + CELSIUS_ZERO
}

/// RT/F in mV: the width on the scale of potential in which a one-electron equilibrium turns.
#[must_use]
pub fn thermal_voltage_mv(temperature_c: f64) -> f64 {
    1e3 * GAS * kelvin(temperature_c) / FARADAY
}

/// The Nernst slope RT ln 10 / F in mV for each decade of a singly charged ion (each pH).
#[must_use]
pub fn nernst_slope_mv(temperature_c: f64) -> f64 {
    thermal_voltage_mv(temperature_c) * std::f64::consts::LN_10
}
