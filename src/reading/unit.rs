//! Units that instruments send, with their way to the canonical unit of a quantity.

use super::Quantity;
use serde::{Deserialize, Serialize};

/// A unit as sent by an instrument.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Unit {
    /// mL
    Millilitre,
    /// uL
    Microlitre,
    /// L
    Litre,
    /// pH
    Ph,
    /// mV
    Millivolt,
    /// V
    Volt,
    /// uV
    Microvolt,
    /// degC
    Celsius,
    /// K
    Kelvin,
    /// degF
    Fahrenheit,
    /// uS/cm
    MicrosiemensPerCm,
    /// mS/cm
    MillisiemensPerCm,
    /// S/m
    SiemensPerM,
    /// A, decadic absorbance
    Absorbance,
    /// %
    Percent,
    /// 1, a fraction (transmittance 0..1)
    One,
    /// uA
    Microampere,
    /// nA
    Nanoampere,
    /// mA
    Milliampere,
    /// g
    Gram,
    /// mg
    Milligram,
    /// kg
    Kilogram,
    /// s
    Second,
    /// ms
    Millisecond,
    /// min
    Minute,
    /// h
    Hour,
}

/// Unit, its symbol, the quantities it may measure, and canonical = scale * value + offset.
type Row = (Unit, &'static str, &'static [Quantity], f64, f64);

const VOLTAGES: &[Quantity] = &[Quantity::Emf, Quantity::Voltage];

#[rustfmt::skip]
const TABLE: &[Row] = &[
    (Unit::Millilitre, "mL", &[Quantity::Volume], 1.0, 0.0),
    (Unit::Microlitre, "uL", &[Quantity::Volume], 1e-3, 0.0),
    (Unit::Litre, "L", &[Quantity::Volume], 1e3, 0.0),
    (Unit::Ph, "pH", &[Quantity::Ph], 1.0, 0.0),
    (Unit::Millivolt, "mV", VOLTAGES, 1.0, 0.0),
    (Unit::Volt, "V", VOLTAGES, 1e3, 0.0),
    (Unit::Microvolt, "uV", VOLTAGES, 1e-3, 0.0),
    (Unit::Celsius, "degC", &[Quantity::Temperature], 1.0, 0.0),
    (Unit::Kelvin, "K", &[Quantity::Temperature], 1.0, -273.15),
    (Unit::Fahrenheit, "degF", &[Quantity::Temperature], 5.0 / 9.0, -160.0 / 9.0),
    (Unit::MicrosiemensPerCm, "uS/cm", &[Quantity::Conductance], 1.0, 0.0),
    (Unit::MillisiemensPerCm, "mS/cm", &[Quantity::Conductance], 1e3, 0.0),
    (Unit::SiemensPerM, "S/m", &[Quantity::Conductance], 1e4, 0.0),
    (Unit::Absorbance, "A", &[Quantity::Absorbance], 1.0, 0.0),
    (Unit::Percent, "%", &[Quantity::Transmittance], 1.0, 0.0),
    (Unit::One, "1", &[Quantity::Transmittance], 100.0, 0.0),
    (Unit::Microampere, "uA", &[Quantity::Current], 1.0, 0.0),
    (Unit::Nanoampere, "nA", &[Quantity::Current], 1e-3, 0.0),
    (Unit::Milliampere, "mA", &[Quantity::Current], 1e3, 0.0),
    (Unit::Gram, "g", &[Quantity::Mass], 1.0, 0.0),
    (Unit::Milligram, "mg", &[Quantity::Mass], 1e-3, 0.0),
    (Unit::Kilogram, "kg", &[Quantity::Mass], 1e3, 0.0),
    (Unit::Second, "s", &[Quantity::Time], 1.0, 0.0),
    (Unit::Millisecond, "ms", &[Quantity::Time], 1e-3, 0.0),
    (Unit::Minute, "min", &[Quantity::Time], 60.0, 0.0),
    (Unit::Hour, "h", &[Quantity::Time], 3600.0, 0.0),
];

impl Unit {
    #[inline]
    fn row(self) -> &'static Row {
        // The table has the order of the variants (a test walks it).
        &TABLE[self as usize]
    }

    /// The symbol used in profiles, JSON, CSV headings and on the screen (plain ASCII).
    #[must_use]
    pub fn symbol(self) -> &'static str {
        self.row().1
    }

    /// Quantities that this unit may measure.
    #[must_use]
    pub fn quantities(self) -> &'static [Quantity] {
        self.row().2
    }

    /// All units of a quantity, the canonical one first.
    pub fn of(quantity: Quantity) -> impl Iterator<Item = Self> {
        TABLE.iter().filter(move |row| row.2.contains(&quantity)).map(|row| row.0)
    }

    /// A value in this unit, told in the canonical unit of its quantity.
    #[must_use]
    #[inline]
    pub fn to_canonical(self, value: f64) -> f64 {
        let row = self.row();
        value * row.3 + row.4
    }

    /// A value in the canonical unit, told in this unit.
    #[must_use]
    pub fn from_canonical(self, canonical: f64) -> f64 {
        let row = self.row();
        (canonical - row.4) / row.3
    }

    /// The unit with exactly this symbol.
    #[must_use]
    pub fn parse(symbol: &str) -> Option<Self> {
        TABLE.iter().find(|row| row.1 == symbol).map(|row| row.0)
    }
}

impl std::fmt::Display for Unit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.symbol())
    }
}

impl Serialize for Unit {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.symbol())
    }
}

impl<'de> Deserialize<'de> for Unit {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let symbol = String::deserialize(deserializer)?;
        Self::parse(&symbol).ok_or_else(|| serde::de::Error::custom(format!("unknown unit {symbol}")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_unit_goes_to_the_canonical_one_and_back() {
        for row in TABLE {
            let back = row.0.from_canonical(row.0.to_canonical(12.5));
            assert!((back - 12.5).abs() < 1e-9, "{}", row.1);
            assert_eq!(Unit::parse(row.1), Some(row.0));
            assert_eq!(row.0.row().0, row.0);
        }
    }

    #[test]
    fn fahrenheit_freezes_at_32() {
        assert!(Unit::Fahrenheit.to_canonical(32.0).abs() < 1e-12);
    }

    #[test]
    fn every_quantity_has_its_canonical_unit_first() {
        for quantity in Quantity::ALL {
            assert_eq!(Unit::of(quantity).next(), Some(quantity.canonical_unit()), "{quantity}");
        }
    }
}
