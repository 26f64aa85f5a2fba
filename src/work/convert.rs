//! Millivolts become pH by the electrode's check, at the temperature of the solution.

use crate::chemistry::constants::CELSIUS_ZERO;
use crate::reading::{Quantity, Reading, Unit};
use crate::results::electrode::EnteredLine;
use crate::results::{Dimension, Uncertain};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Where the potential does not depend on temperature when nothing else is known: pH 7, which the makers of most
/// electrodes aim at (common practice, no source).
pub const USUAL_ISOPOTENTIAL_PH: f64 = 7.0;

/// The line of an electrode check, as a run takes it from the record at its start.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PhFromPotential {
    /// Number of the check in the record.
    pub check: i64,
    /// Slope in mV a pH unit at the temperature of the check; negative for a glass electrode.
    pub slope_mv: f64,
    /// Potential at pH 7 in mV.
    pub zero_mv: f64,
    /// Temperature of the check in degrees Celsius.
    pub temperature_c: f64,
    /// pH at which the potential does not depend on temperature.
    pub isopotential_ph: f64,
}

impl PhFromPotential {
    /// The pH of a potential in mV at a temperature in degrees Celsius; without one, that of the check.
    ///
    /// By [`EnteredLine::ph`]; `None` for a line without slope or a temperature that cannot be.
    #[must_use]
    pub fn ph(&self, emf_mv: f64, temperature_c: Option<f64>) -> Option<f64> {
        // All potentials are in mV: only their ratios count.
        let potential = |mv| Uncertain::exact(mv, Dimension::POTENTIAL);
        let line = EnteredLine {
            zero: potential(self.zero_mv),
            slope: potential(self.slope_mv),
            temperature_c: self.temperature_c,
        };
        let kelvin = temperature_c.unwrap_or(self.temperature_c) + CELSIUS_ZERO;
        let temperature = Uncertain::exact(kelvin, Dimension::TEMPERATURE);
        let isopotential = Uncertain::exact(self.isopotential_ph, Dimension::ONE);
        line.ph(&potential(emf_mv), &temperature, &isopotential).map(|ph| ph.value)
    }

    /// The readings of a frame with each potential as pH; `latest_c` keeps the latest temperature.
    pub(super) fn readings(&self, readings: &[Reading], latest_c: &mut Option<f64>) -> Vec<Reading> {
        let temperature = readings.iter().find(|r| r.quantity == Quantity::Temperature);
        *latest_c = temperature.and_then(Reading::canonical).or(*latest_c);
        let one = |reading: &Reading| match (reading.quantity, reading.canonical()) {
            (Quantity::Emf, Some(emf_mv)) => Some(Reading {
                channel: Arc::from("ph"),
                quantity: Quantity::Ph,
                value: self.ph(emf_mv, *latest_c),
                unit: Unit::Ph,
                ..reading.clone()
            }),
            // What the meter makes of the same potential is another line's pH.
            (Quantity::Ph, _) => None,
            _ => Some(reading.clone()),
        };
        readings.iter().filter_map(one).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CHECK: PhFromPotential = PhFromPotential {
        check: 1,
        slope_mv: -58.0,
        zero_mv: 4.0,
        temperature_c: 25.0,
        isopotential_ph: 7.0,
    };

    #[test]
    fn at_the_temperature_of_the_check_the_line_is_read_backwards() {
        assert!((CHECK.ph(4.0, Some(25.0)).unwrap() - 7.0).abs() < 1e-12);
        assert!((CHECK.ph(4.0 + 3.0 * 58.0, None).unwrap() - 4.0).abs() < 1e-12);
    }

    #[test]
    fn a_warmer_solution_turns_the_line_about_the_isopotential_point() {
        assert!((CHECK.ph(4.0, Some(60.0)).unwrap() - 7.0).abs() < 1e-12);
        let warm = CHECK.ph(4.0 + 3.0 * 58.0, Some(60.0)).unwrap();
        assert!((7.0 - warm - 3.0 * 298.15 / 333.15).abs() < 1e-9, "{warm}");
    }
}
