//! Atomic weights, in sets with their sources.

use std::borrow::Cow;

/// Element, value and half width in g/mol.
type Row = (&'static str, f64, f64);

/// Standard atomic weights 2021. Where the commission gives an interval, its middle and half of it; otherwise the
/// value and its stated uncertainty. Source: CIAAW, ciaaw.org; Ba, La, Ce, W, Pt, Au, Hg, Pb, Bi, Th from memory.
#[rustfmt::skip]
const STANDARD_2021: &[Row] = &[
    ("H", 1.007_975, 0.000_135),
    ("Li", 6.967_5, 0.029_5),
    ("B", 10.813_5, 0.007_5),
    ("C", 12.010_6, 0.001),
    ("N", 14.006_855, 0.000_425),
    ("O", 15.999_4, 0.000_37),
    ("F", 18.998_403_162, 0.000_000_005),
    ("Na", 22.989_769_28, 0.000_000_02),
    ("Mg", 24.305_5, 0.001_5),
    ("Al", 26.981_538_4, 0.000_000_3),
    ("Si", 28.085, 0.001),
    ("P", 30.973_761_998, 0.000_000_005),
    ("S", 32.067_5, 0.008_5),
    ("Cl", 35.451_5, 0.005_5),
    ("K", 39.098_3, 0.000_1),
    ("Ca", 40.078, 0.004),
    ("Ti", 47.867, 0.001),
    ("V", 50.941_5, 0.000_1),
    ("Cr", 51.996_1, 0.000_6),
    ("Mn", 54.938_043, 0.000_002),
    ("Fe", 55.845, 0.002),
    ("Co", 58.933_194, 0.000_003),
    ("Ni", 58.693_4, 0.000_4),
    ("Cu", 63.546, 0.003),
    ("Zn", 65.38, 0.02),
    ("As", 74.921_595, 0.000_006),
    ("Br", 79.904, 0.003),
    ("Sr", 87.62, 0.01),
    ("Mo", 95.95, 0.01),
    ("Ag", 107.868_2, 0.000_2),
    ("Cd", 112.414, 0.004),
    ("Sn", 118.71, 0.007),
    ("Sb", 121.76, 0.001),
    ("I", 126.904_47, 0.000_03),
    ("Ba", 137.327, 0.007),
    ("La", 138.905_47, 0.000_07),
    ("Ce", 140.116, 0.001),
    ("W", 183.84, 0.01),
    ("Pt", 195.084, 0.009),
    ("Au", 196.966_57, 0.000_004),
    ("Hg", 200.592, 0.003),
    ("Pb", 207.04, 0.9),
    ("Bi", 208.980_4, 0.000_01),
    ("Th", 232.037_7, 0.000_4),
];

/// Abridged standard atomic weights 2021 to five digits: single values for trade and commerce with an uncertainty that
/// covers normal materials. Source: CIAAW; values from memory, each checked to contain the full interval.
#[rustfmt::skip]
const ABRIDGED_2021: &[Row] = &[
    ("H", 1.008, 0.000_2),
    ("Li", 6.94, 0.06),
    ("B", 10.81, 0.02),
    ("C", 12.011, 0.002),
    ("N", 14.007, 0.001),
    ("O", 15.999, 0.001),
    ("F", 18.998, 0.001),
    ("Na", 22.99, 0.001),
    ("Mg", 24.305, 0.002),
    ("Al", 26.982, 0.001),
    ("Si", 28.085, 0.001),
    ("P", 30.974, 0.001),
    ("S", 32.06, 0.02),
    ("Cl", 35.45, 0.01),
    ("K", 39.098, 0.001),
    ("Ca", 40.078, 0.004),
    ("Ti", 47.867, 0.001),
    ("V", 50.942, 0.001),
    ("Cr", 51.996, 0.001),
    ("Mn", 54.938, 0.001),
    ("Fe", 55.845, 0.002),
    ("Co", 58.933, 0.001),
    ("Ni", 58.693, 0.001),
    ("Cu", 63.546, 0.003),
    ("Zn", 65.38, 0.02),
    ("As", 74.922, 0.001),
    ("Br", 79.904, 0.003),
    ("Sr", 87.62, 0.01),
    ("Mo", 95.95, 0.01),
    ("Ag", 107.87, 0.01),
    ("Cd", 112.41, 0.01),
    ("Sn", 118.71, 0.01),
    ("Sb", 121.76, 0.01),
    ("I", 126.9, 0.01),
    ("Ba", 137.33, 0.01),
    ("La", 138.91, 0.01),
    ("Ce", 140.12, 0.01),
    ("W", 183.84, 0.01),
    ("Pt", 195.08, 0.02),
    ("Au", 196.97, 0.01),
    ("Hg", 200.59, 0.01),
    ("Pb", 207.2, 1.1),
    ("Bi", 208.98, 0.01),
    ("Th", 232.04, 0.01),
];

/// Atomic weights of 1999, as used by the examples A2 and A3 of the EURACHEM/CITAC guide QUAM. From memory; the molar
/// mass of potassium hydrogen phthalate and its uncertainty come out as the guide prints them.
#[rustfmt::skip]
const STANDARD_1999: &[Row] = &[
    ("H", 1.007_94, 0.000_07),
    ("C", 12.010_7, 0.000_8),
    ("O", 15.999_4, 0.000_3),
    ("K", 39.098_3, 0.000_1),
];

/// One atomic weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtomicWeight {
    /// Value in g/mol.
    pub value: f64,
    /// Half of the interval, or the stated uncertainty, in g/mol: taken as the half width of a rectangular distribution.
    pub half_width: f64,
}

/// A set of atomic weights with its source.
#[derive(Debug, Clone, PartialEq)]
pub struct AtomicWeights {
    source: Cow<'static, str>,
    rows: Cow<'static, [(Cow<'static, str>, AtomicWeight)]>,
}

impl AtomicWeights {
    fn table(source: &'static str, rows: &[Row]) -> Self {
        let rows = rows
            .iter()
            .map(|(element, value, half_width)| {
                (Cow::Borrowed(*element), AtomicWeight { value: *value, half_width: *half_width })
            })
            .collect();
        Self { source: Cow::Borrowed(source), rows: Cow::Owned(rows) }
    }

    /// The current set: standard atomic weights 2021 with the intervals of natural variation.
    #[must_use]
    pub fn current() -> Self {
        Self::table("standard atomic weights 2021 (CIAAW)", STANDARD_2021)
    }

    /// The abridged set of 2021.
    #[must_use]
    pub fn abridged() -> Self {
        Self::table("abridged standard atomic weights 2021 (CIAAW)", ABRIDGED_2021)
    }

    /// The old set of 1999 (H, C, O and K only), to redo old reckonings.
    #[must_use]
    pub fn of_1999() -> Self {
        Self::table("standard atomic weights 1999", STANDARD_1999)
    }

    /// A set of one's own: element, value and half width in g/mol, and where they came from.
    #[must_use]
    pub fn own(source: &str, rows: &[(&str, AtomicWeight)]) -> Self {
        let rows =
            rows.iter().map(|(element, weight)| (Cow::Owned((*element).to_owned()), *weight)).collect();
        Self { source: Cow::Owned(source.to_owned()), rows }
    }

    /// The atomic weight of an element.
    #[must_use]
    pub fn get(&self, element: &str) -> Option<AtomicWeight> {
        self.rows.iter().find(|(name, _)| name == element).map(|(_, weight)| *weight)
    }

    /// Where the figures came from.
    #[must_use]
    pub fn source(&self) -> &str {
        &self.source
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Both columns of the published table, read from their printed form.
    #[test]
    fn every_atomic_weight_of_the_table() {
        let text = include_str!("../../fixtures/reference/atomic_weights.csv");
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
        let mut rows = 0;
        for row in reader.records() {
            let row = row.unwrap();
            let number = |text: &str| text.trim().parse::<f64>().unwrap();
            let (value, half_width) = if let Some(interval) = row[1].strip_prefix('[') {
                let (low, high) = interval.trim_end_matches(']').split_once(',').unwrap();
                (0.5 * (number(low) + number(high)), 0.5 * (number(high) - number(low)))
            } else {
                let (value, last) = row[1].trim_end_matches(')').split_once('(').unwrap();
                let decimals = i32::try_from(value.split_once('.').map_or(0, |(_, d)| d.len())).unwrap();
                (number(value), number(last) * 10_f64.powi(-decimals))
            };
            let current = AtomicWeights::current().get(&row[0]).unwrap();
            assert!(
                (current.value - value).abs() < 1e-9 && (current.half_width / half_width - 1.0).abs() < 1e-6,
                "{row:?}"
            );
            let abridged = AtomicWeights::abridged().get(&row[0]).unwrap();
            assert!((abridged.value - number(&row[3])).abs() < 1e-9, "{row:?}");
            assert!((abridged.half_width - number(&row[4])).abs() < 1e-9, "{row:?}");
            // The abridged interval holds the full one.
            assert!(abridged.half_width - (abridged.value - value).abs() > half_width - 1e-9, "{row:?}");
            rows += 1;
        }
        assert_eq!(rows, STANDARD_2021.len());
        assert_eq!(rows, ABRIDGED_2021.len());
    }
}
