//! What can be measured.

use super::Unit;
use serde::{Deserialize, Serialize};

/// A kind of measured quantity; each has one canonical unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Dispensed titrant by volume, canonical mL.
    Volume,
    /// pH, canonical pH.
    Ph,
    /// Potential of a potentiometric cell, canonical mV.
    Emf,
    /// Temperature, canonical degrees Celsius.
    Temperature,
    /// Conductivity, canonical uS/cm.
    Conductance,
    /// Absorbance, canonical A (decadic).
    Absorbance,
    /// Transmittance, canonical per cent.
    Transmittance,
    /// Current between polarised electrodes, canonical uA.
    Current,
    /// Voltage between polarised electrodes, canonical mV.
    Voltage,
    /// Mass, canonical g.
    Mass,
    /// Elapsed time as the instrument sends it, canonical s.
    Time,
}

/// Lowest and highest plausible value in canonical units, in the order of [`Quantity::ALL`].
const PLAUSIBLE: [(f64, f64); 11] = [
    (-1.0, 10_000.0),
    (-2.0, 16.0),
    (-5_000.0, 5_000.0),
    (-30.0, 200.0),
    (-10.0, 2_000_000.0),
    (-1.0, 10.0),
    (-10.0, 200.0),
    (-10_000.0, 10_000.0),
    (-5_000.0, 5_000.0),
    (-10_000.0, 100_000.0),
    (0.0, 1e7),
];

impl Quantity {
    /// All quantities, in the order in which help texts list them.
    pub const ALL: [Self; 11] = [
        Self::Volume,
        Self::Ph,
        Self::Emf,
        Self::Temperature,
        Self::Conductance,
        Self::Absorbance,
        Self::Transmittance,
        Self::Current,
        Self::Voltage,
        Self::Mass,
        Self::Time,
    ];

    /// The name used in profiles, JSON and SQL.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Volume => "volume",
            Self::Ph => "ph",
            Self::Emf => "emf",
            Self::Temperature => "temperature",
            Self::Conductance => "conductance",
            Self::Absorbance => "absorbance",
            Self::Transmittance => "transmittance",
            Self::Current => "current",
            Self::Voltage => "voltage",
            Self::Mass => "mass",
            Self::Time => "time",
        }
    }

    /// The quantity of that name (`potential` is another word for `emf`).
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        if name == "potential" {
            return Some(Self::Emf);
        }
        Self::ALL.into_iter().find(|q| q.name() == name)
    }

    /// The unit in which the program computes.
    #[must_use]
    pub const fn canonical_unit(self) -> Unit {
        match self {
            Self::Volume => Unit::Millilitre,
            Self::Ph => Unit::Ph,
            Self::Emf | Self::Voltage => Unit::Millivolt,
            Self::Temperature => Unit::Celsius,
            Self::Conductance => Unit::MicrosiemensPerCm,
            Self::Absorbance => Unit::Absorbance,
            Self::Transmittance => Unit::Percent,
            Self::Current => Unit::Microampere,
            Self::Mass => Unit::Gram,
            Self::Time => Unit::Second,
        }
    }

    /// Whether a value in the canonical unit can be real on a titration bench.
    ///
    /// The limits are wide (common practice, no source); they catch a lost decimal point, not a bad result.
    #[must_use]
    #[inline]
    pub fn is_plausible(self, canonical: f64) -> bool {
        let (low, high) = self.plausible();
        (low..=high).contains(&canonical)
    }

    /// Lowest and highest plausible value in the canonical unit.
    pub(crate) const fn plausible(self) -> (f64, f64) {
        PLAUSIBLE[self as usize]
    }
}

impl std::fmt::Display for Quantity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_of_all_and_the_limits_have_the_order_of_the_variants() {
        for (place, quantity) in Quantity::ALL.into_iter().enumerate() {
            assert_eq!(quantity as usize, place);
        }
        assert!(Quantity::Time.is_plausible(1e6) && !Quantity::Time.is_plausible(-1.0));
        assert!(Quantity::Ph.is_plausible(7.0) && !Quantity::Ph.is_plausible(70.0));
    }
}
