//! What a quantity is, whatever its unit: exponents over six base quantities.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;
use std::ops::{Div, Mul};

/// Exponents are kept in sixths, so that square and cube roots stay exact.
const SIXTHS: i16 = 6;
/// Largest exponent that is kept (a power beyond it is refused).
const LARGEST: i16 = 100 * SIXTHS;

/// Exponents over length, mass, time, amount of substance, current and temperature.
///
/// The coherent units that belong to it are cm, g, s, mol, A and K: on a bench mL and g are then exactly 1.
/// A fraction (mass by mass, per cent, pH) has the dimension [`Dimension::ONE`].
///
/// ```
/// use dropwise::results::Dimension;
/// assert_eq!(Dimension::AMOUNT / Dimension::VOLUME * Dimension::VOLUME, Dimension::AMOUNT);
/// assert_eq!((Dimension::AMOUNT / Dimension::VOLUME).to_string(), "mol/L");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Dimension([i16; 6]);

impl Dimension {
    /// A plain number.
    pub const ONE: Self = Self([0; 6]);
    /// Length (coherent unit cm).
    pub const LENGTH: Self = Self::whole([1, 0, 0, 0, 0, 0]);
    /// Volume (coherent unit mL).
    pub const VOLUME: Self = Self::whole([3, 0, 0, 0, 0, 0]);
    /// Mass (coherent unit g).
    pub const MASS: Self = Self::whole([0, 1, 0, 0, 0, 0]);
    /// Time (coherent unit s).
    pub const TIME: Self = Self::whole([0, 0, 1, 0, 0, 0]);
    /// Amount of substance (coherent unit mol).
    pub const AMOUNT: Self = Self::whole([0, 0, 0, 1, 0, 0]);
    /// Current (coherent unit A).
    pub const CURRENT: Self = Self::whole([0, 0, 0, 0, 1, 0]);
    /// Temperature (coherent unit K).
    pub const TEMPERATURE: Self = Self::whole([0, 0, 0, 0, 0, 1]);
    /// Potential (coherent unit 1e-7 V).
    pub const POTENTIAL: Self = Self::whole([2, 1, -3, 0, -1, 0]);
    /// Amount by volume (coherent unit mol/mL).
    pub const CONCENTRATION: Self = Self::whole([-3, 0, 0, 1, 0, 0]);
    /// Mass by amount (coherent unit g/mol).
    pub const MOLAR_MASS: Self = Self::whole([0, 1, 0, -1, 0, 0]);
    /// Mass by volume (coherent unit g/mL).
    pub const DENSITY: Self = Self::whole([-3, 1, 0, 0, 0, 0]);

    /// From whole exponents of length, mass, time, amount, current, temperature.
    #[must_use]
    pub const fn whole(exponents: [i16; 6]) -> Self {
        let mut sixths = [0; 6];
        let mut i = 0;
        while i < 6 {
            sixths[i] = exponents[i] * SIXTHS;
            i += 1;
        }
        Self(sixths)
    }

    /// This dimension to a power; `None` unless every exponent stays a multiple of a sixth and of bearable size.
    #[must_use]
    pub fn power(self, exponent: f64) -> Option<Self> {
        let mut result = [0; 6];
        for (into, from) in result.iter_mut().zip(self.0) {
            let wanted = f64::from(from) * exponent;
            let near = wanted.round();
            if !((wanted - near).abs() < 1e-9 && near.abs() <= f64::from(LARGEST)) {
                return None;
            }
            #[expect(clippy::cast_possible_truncation, reason = "bounded by LARGEST just above")]
            {
                *into = near as i16;
            }
        }
        Some(Self(result))
    }

    /// Whether it is a plain number.
    #[must_use]
    pub fn is_one(self) -> bool {
        self == Self::ONE
    }

    fn combined(self, other: Self, sign: i16) -> Self {
        let mut result = self.0;
        for (into, from) in result.iter_mut().zip(other.0) {
            *into = into.saturating_add(sign * from).clamp(-LARGEST, LARGEST);
        }
        Self(result)
    }
}

impl Mul for Dimension {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        self.combined(other, 1)
    }
}

impl Div for Dimension {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        self.combined(other, -1)
    }
}

/// Names of the base quantities, in the order of the exponents.
const NAMES: [&str; 6] = ["length", "mass", "time", "amount", "current", "temperature"];

/// Written as the exponents that are not zero, `{"length":3.0}` for a volume.
impl Serialize for Dimension {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let exponents = NAMES.iter().zip(self.0).filter(|(_, sixths)| *sixths != 0);
        serializer.collect_map(exponents.map(|(name, sixths)| (name, f64::from(sixths) / f64::from(SIXTHS))))
    }
}

impl<'de> Deserialize<'de> for Dimension {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let mut dimension = Self::ONE;
        for (name, exponent) in BTreeMap::<String, f64>::deserialize(deserializer)? {
            let bad = || serde::de::Error::custom(format!("{name} to the power {exponent} is no dimension"));
            let base = NAMES.iter().position(|known| *known == name).ok_or_else(bad)?;
            let mut one = [0; 6];
            one[base] = SIXTHS;
            dimension = dimension * Self(one).power(exponent).ok_or_else(bad)?;
        }
        Ok(dimension)
    }
}

/// Dimensions with a unit that people at a bench expect for them.
const COMMON: &[(Dimension, &str)] = &[
    (Dimension::CONCENTRATION, "mol/L"),
    (Dimension::DENSITY, "g/L"),
    (Dimension::POTENTIAL, "mV"),
    (Dimension::whole([0, -1, 0, 1, 0, 0]), "mol/kg"),
    (Dimension::whole([-2, -1, 3, 0, 2, 0]), "S"),
    (Dimension::whole([-3, -1, 3, 0, 2, 0]), "uS/cm"),
    (Dimension::whole([2, 1, -2, 0, 0, 0]), "J"),
    (Dimension::whole([0, 0, 1, 0, 1, 0]), "C"),
    (Dimension::whole([-1, 1, -2, 0, 0, 0]), "hPa"),
];

/// A unit that has this dimension, for messages: `mL`, `mol/L`, `1` for a plain number.
impl fmt::Display for Dimension {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some((_, text)) = COMMON.iter().find(|(dimension, _)| dimension == self) {
            return f.pad(text);
        }
        let is_volume = self.0[0] % (3 * SIXTHS) == 0;
        let names = [if is_volume { "mL" } else { "cm" }, "g", "s", "mol", "A", "K"];
        let mut above = Vec::new();
        let mut below = Vec::new();
        for (i, (name, sixths)) in names.iter().zip(self.0).enumerate() {
            let sixths = if i == 0 && is_volume { sixths / 3 } else { sixths };
            let side = if sixths > 0 { &mut above } else { &mut below };
            match (sixths.abs(), sixths.abs() % SIXTHS) {
                (0, _) => {}
                (SIXTHS, _) => side.push((*name).to_owned()),
                (whole, 0) => side.push(format!("{name}^{}", whole / SIXTHS)),
                (part, _) => side.push(format!("{name}^({part}/6)")),
            }
        }
        let above = if above.is_empty() { "1".to_owned() } else { above.join("·") };
        f.pad(&match below.as_slice() {
            [] => above,
            [one] => format!("{above}/{one}"),
            several => format!("{above}/({})", several.join("·")),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_and_powers_are_exact_or_refused() {
        let area = Dimension::LENGTH.power(2.0).unwrap();
        assert_eq!(area.power(0.5), Some(Dimension::LENGTH));
        assert_eq!(Dimension::VOLUME.power(1.0 / 3.0), Some(Dimension::LENGTH));
        assert_eq!(Dimension::LENGTH.power(0.123), None);
        assert_eq!(Dimension::LENGTH.power(1e9), None);
        assert_eq!(Dimension::LENGTH.power(f64::NAN), None);
        assert_eq!(Dimension::ONE.power(0.123), Some(Dimension::ONE));
    }

    #[test]
    fn every_dimension_is_read_back() {
        for dimension in [
            Dimension::ONE,
            Dimension::POTENTIAL,
            Dimension::VOLUME.power(7.0).unwrap(),
            Dimension::CONCENTRATION.power(0.5).unwrap(),
        ] {
            let text = serde_json::to_string(&dimension).unwrap();
            assert_eq!(serde_json::from_str::<Dimension>(&text).unwrap(), dimension, "{text}");
        }
        for wrong in [r#"{"weight":1}"#, r#"{"mass":0.1}"#, r#"{"mass":1e9}"#] {
            assert!(serde_json::from_str::<Dimension>(wrong).is_err());
        }
    }

    #[test]
    fn messages_name_a_unit_of_the_bench() {
        assert_eq!(Dimension::VOLUME.to_string(), "mL");
        assert_eq!(Dimension::MOLAR_MASS.to_string(), "g/mol");
        assert_eq!((Dimension::ONE / Dimension::TEMPERATURE).to_string(), "1/K");
        assert_eq!((Dimension::VOLUME / Dimension::TIME).to_string(), "mL/s");
        assert_eq!(Dimension::ONE.to_string(), "1");
    }
}
