//! The symbols of units.

use crate::results::Dimension;

/// Symbol, dimension, and how many coherent units it is, as a fraction of two exact numbers.
pub(super) type Row = (&'static str, Dimension, f64, f64);

const VOLT: Dimension = Dimension::POTENTIAL;
const PRESSURE: Dimension = Dimension::whole([-1, 1, -2, 0, 0, 0]);
const ENERGY: Dimension = Dimension::whole([2, 1, -2, 0, 0, 0]);
const CHARGE: Dimension = Dimension::whole([0, 0, 1, 0, 1, 0]);
const CONDUCTANCE: Dimension = Dimension::whole([-2, -1, 3, 0, 2, 0]);

/// The symbols, in the way of the SI brochure (9th edition), prefixes written out so that none can be misread.
#[rustfmt::skip]
pub(super) const TABLE: &[Row] = &[
    ("1", Dimension::ONE, 1.0, 1.0),
    ("%", Dimension::ONE, 1.0, 100.0),
    ("‰", Dimension::ONE, 1.0, 1e3),
    ("ppm", Dimension::ONE, 1.0, 1e6),
    ("pH", Dimension::ONE, 1.0, 1.0),
    ("L", Dimension::VOLUME, 1e3, 1.0),
    ("dL", Dimension::VOLUME, 100.0, 1.0),
    ("cL", Dimension::VOLUME, 10.0, 1.0),
    ("mL", Dimension::VOLUME, 1.0, 1.0),
    ("uL", Dimension::VOLUME, 1.0, 1e3),
    ("m", Dimension::LENGTH, 100.0, 1.0),
    ("dm", Dimension::LENGTH, 10.0, 1.0),
    ("cm", Dimension::LENGTH, 1.0, 1.0),
    ("mm", Dimension::LENGTH, 1.0, 10.0),
    ("t", Dimension::MASS, 1e6, 1.0),
    ("kg", Dimension::MASS, 1e3, 1.0),
    ("g", Dimension::MASS, 1.0, 1.0),
    ("mg", Dimension::MASS, 1.0, 1e3),
    ("ug", Dimension::MASS, 1.0, 1e6),
    ("ng", Dimension::MASS, 1.0, 1e9),
    ("d", Dimension::TIME, 86_400.0, 1.0),
    ("h", Dimension::TIME, 3_600.0, 1.0),
    ("min", Dimension::TIME, 60.0, 1.0),
    ("s", Dimension::TIME, 1.0, 1.0),
    ("ms", Dimension::TIME, 1.0, 1e3),
    ("kmol", Dimension::AMOUNT, 1e3, 1.0),
    ("mol", Dimension::AMOUNT, 1.0, 1.0),
    ("mmol", Dimension::AMOUNT, 1.0, 1e3),
    ("umol", Dimension::AMOUNT, 1.0, 1e6),
    ("nmol", Dimension::AMOUNT, 1.0, 1e9),
    ("eq", Dimension::AMOUNT, 1.0, 1.0),
    ("meq", Dimension::AMOUNT, 1.0, 1e3),
    ("A", Dimension::CURRENT, 1.0, 1.0),
    ("mA", Dimension::CURRENT, 1.0, 1e3),
    ("uA", Dimension::CURRENT, 1.0, 1e6),
    ("nA", Dimension::CURRENT, 1.0, 1e9),
    ("K", Dimension::TEMPERATURE, 1.0, 1.0),
    ("degC", Dimension::TEMPERATURE, 1.0, 1.0),
    ("V", VOLT, 1e7, 1.0),
    ("mV", VOLT, 1e4, 1.0),
    ("uV", VOLT, 10.0, 1.0),
    ("C", CHARGE, 1.0, 1.0),
    ("mC", CHARGE, 1.0, 1e3),
    ("J", ENERGY, 1e7, 1.0),
    ("kJ", ENERGY, 1e10, 1.0),
    ("S", CONDUCTANCE, 1.0, 1e7),
    ("mS", CONDUCTANCE, 1.0, 1e10),
    ("uS", CONDUCTANCE, 1.0, 1e13),
    ("Pa", PRESSURE, 10.0, 1.0),
    ("hPa", PRESSURE, 1e3, 1.0),
    ("kPa", PRESSURE, 1e4, 1.0),
    ("bar", PRESSURE, 1e6, 1.0),
    ("mbar", PRESSURE, 1e3, 1.0),
];

/// Other ways to write a symbol.
pub(super) const SAME: &[(&str, &str)] = &[
    ("l", "L"),
    ("dl", "dL"),
    ("cl", "cL"),
    ("ml", "mL"),
    ("ul", "uL"),
    ("µL", "uL"),
    ("μL", "uL"),
    ("µl", "uL"),
    ("μl", "uL"),
    ("µg", "ug"),
    ("μg", "ug"),
    ("µmol", "umol"),
    ("μmol", "umol"),
    ("µA", "uA"),
    ("μA", "uA"),
    ("µV", "uV"),
    ("μV", "uV"),
    ("µS", "uS"),
    ("μS", "uS"),
    ("°C", "degC"),
    ("℃", "degC"),
    ("day", "d"),
    ("days", "d"),
    ("hour", "h"),
    ("hours", "h"),
];

/// Symbols that are refused, with what to write instead.
pub(super) const REFUSED: &[(&str, &str)] = &[
    ("M", "mol/L for a concentration"),
    ("N", "mol/L of equivalents, or eq/L"),
    ("mM", "mmol/L"),
    ("ppb", "ug/kg for a mass fraction, ug/L for a mass concentration"),
    ("sec", "s"),
    ("gr", "g"),
    ("cc", "mL"),
];
