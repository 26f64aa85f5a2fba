//! pH of buffer solutions at their temperature, from the published tables.

use std::borrow::Cow;

/// Name, source, and half of the last printed digit of each set. Sets are never mixed: phthalate at 25 degC is 4.005 in
/// one and 4.008 in another, so the set is kept with each check.
const SETS: &[(&str, &str, f64)] = &[
    ("pharmacopoeia", "European Pharmacopoeia 2.2.3, Table 2.2.3.-2", 0.005),
    ("jis", "JIS Z 8802 (confirmed 2011), reference solutions", 0.005),
    ("nbs", "NBS SP 260-53 (values from memory except citrate and carbonate at 25 degC)", 0.000_5),
    (
        "iupac",
        "IUPAC Recommendations 2002, Pure Appl. Chem. 74, 2169 (values from memory; 25 degC seen)",
        0.000_5,
    ),
    ("technical", "technical buffers 4/7/10, table of a manual of process analysers", 0.005),
];

/// Temperature in degrees Celsius and pH.
type Point = (f64, f64);

/// Set, name, composition, and pH at each temperature in degrees Celsius.
type Row = (&'static str, &'static str, &'static str, &'static [Point]);

#[rustfmt::skip]
const TABLE: &[Row] = &[
    ("pharmacopoeia", "tetroxalate", "potassium tetroxalate 0.05 mol/L", &[(15.0, 1.67), (20.0, 1.68), (25.0, 1.68), (30.0, 1.68), (35.0, 1.69)]),
    ("pharmacopoeia", "citrate", "potassium dihydrogen citrate 0.05 mol/L", &[(15.0, 3.8), (20.0, 3.79), (25.0, 3.78), (30.0, 3.77), (35.0, 3.76)]),
    ("pharmacopoeia", "phthalate", "potassium hydrogen phthalate 0.05 mol/L", &[(15.0, 4.0), (20.0, 4.0), (25.0, 4.01), (30.0, 4.02), (35.0, 4.02)]),
    ("pharmacopoeia", "phosphate", "dihydrogen and hydrogen phosphate, 0.025 mol/L each", &[(15.0, 6.9), (20.0, 6.88), (25.0, 6.87), (30.0, 6.85), (35.0, 6.84)]),
    ("pharmacopoeia", "phosphate 1:3.5", "dihydrogen phosphate 0.0087 and hydrogen phosphate 0.0303 mol/L", &[(15.0, 7.45), (20.0, 7.43), (25.0, 7.41), (30.0, 7.4), (35.0, 7.39)]),
    ("pharmacopoeia", "borax", "disodium tetraborate 0.01 mol/L", &[(15.0, 9.28), (20.0, 9.23), (25.0, 9.18), (30.0, 9.14), (35.0, 9.1)]),
    ("pharmacopoeia", "carbonate", "hydrogen carbonate and carbonate, 0.025 mol/L each", &[(15.0, 10.12), (20.0, 10.06), (25.0, 10.01), (30.0, 9.97), (35.0, 9.93)]),
    ("pharmacopoeia", "calcium hydroxide", "calcium hydroxide, saturated at 25 degC", &[(15.0, 12.81), (20.0, 12.63), (25.0, 12.45), (30.0, 12.29), (35.0, 12.13)]),
    ("pharmacopoeia", "tartrate", "potassium hydrogen tartrate, saturated at 25 degC", &[(25.0, 3.56), (30.0, 3.55), (35.0, 3.55)]),
    ("jis", "tetroxalate", "potassium tetroxalate 0.05 mol/L", &[(0.0, 1.67), (5.0, 1.67), (10.0, 1.67), (15.0, 1.67), (20.0, 1.68), (25.0, 1.68), (30.0, 1.69), (35.0, 1.69), (40.0, 1.7), (45.0, 1.7), (50.0, 1.71), (55.0, 1.72), (60.0, 1.73), (70.0, 1.74), (80.0, 1.77), (90.0, 1.8), (95.0, 1.81)]),
    ("jis", "phthalate", "potassium hydrogen phthalate 0.05 mol/L", &[(0.0, 4.01), (5.0, 4.01), (10.0, 4.0), (15.0, 4.0), (20.0, 4.0), (25.0, 4.01), (30.0, 4.01), (35.0, 4.02), (40.0, 4.03), (45.0, 4.04), (50.0, 4.06), (55.0, 4.08), (60.0, 4.1), (70.0, 4.12), (80.0, 4.16), (90.0, 4.2), (95.0, 4.23)]),
    ("jis", "phosphate", "dihydrogen and hydrogen phosphate, 0.025 mol/L each", &[(0.0, 6.98), (5.0, 6.95), (10.0, 6.92), (15.0, 6.9), (20.0, 6.88), (25.0, 6.86), (30.0, 6.85), (35.0, 6.84), (40.0, 6.84), (45.0, 6.83), (50.0, 6.83), (55.0, 6.84), (60.0, 6.84), (70.0, 6.85), (80.0, 6.86), (90.0, 6.88), (95.0, 6.89)]),
    ("jis", "borax", "disodium tetraborate 0.01 mol/L", &[(0.0, 9.46), (5.0, 9.39), (10.0, 9.33), (15.0, 9.27), (20.0, 9.22), (25.0, 9.18), (30.0, 9.14), (35.0, 9.1), (40.0, 9.07), (45.0, 9.04), (50.0, 9.01), (55.0, 8.99), (60.0, 8.96), (70.0, 8.93), (80.0, 8.89), (90.0, 8.85), (95.0, 8.83)]),
    ("jis", "carbonate", "hydrogen carbonate and carbonate, 0.025 mol/L each", &[(0.0, 10.32), (5.0, 10.25), (10.0, 10.18), (15.0, 10.12), (20.0, 10.07), (25.0, 10.02), (30.0, 9.97), (35.0, 9.93), (38.0, 9.91)]),
    ("nbs", "tetroxalate", "potassium tetroxalate 0.05 mol/L", &[(0.0, 1.666), (5.0, 1.668), (10.0, 1.670), (15.0, 1.672), (20.0, 1.675), (25.0, 1.679), (30.0, 1.683), (35.0, 1.688), (40.0, 1.694), (50.0, 1.707)]),
    ("nbs", "tartrate", "potassium hydrogen tartrate, saturated at 25 degC", &[(25.0, 3.557), (30.0, 3.552), (35.0, 3.549), (37.0, 3.548), (40.0, 3.547), (50.0, 3.549)]),
    ("nbs", "citrate", "potassium dihydrogen citrate 0.05 mol/L", &[(0.0, 3.863), (5.0, 3.840), (10.0, 3.820), (15.0, 3.802), (20.0, 3.788), (25.0, 3.776), (30.0, 3.766), (35.0, 3.759), (37.0, 3.756), (40.0, 3.754), (50.0, 3.749)]),
    ("nbs", "phthalate", "potassium hydrogen phthalate 0.05 mol/L", &[(0.0, 4.003), (5.0, 3.999), (10.0, 3.998), (15.0, 3.999), (20.0, 4.002), (25.0, 4.008), (30.0, 4.015), (35.0, 4.024), (37.0, 4.028), (40.0, 4.035), (50.0, 4.060)]),
    ("nbs", "phosphate", "dihydrogen and hydrogen phosphate, 0.025 mol/L each", &[(0.0, 6.984), (5.0, 6.951), (10.0, 6.923), (15.0, 6.900), (20.0, 6.881), (25.0, 6.865), (30.0, 6.853), (35.0, 6.844), (37.0, 6.841), (40.0, 6.838), (50.0, 6.833)]),
    ("nbs", "phosphate 1:3.5", "dihydrogen phosphate 0.0087 and hydrogen phosphate 0.0303 mol/L", &[(0.0, 7.534), (5.0, 7.500), (10.0, 7.472), (15.0, 7.448), (20.0, 7.429), (25.0, 7.413), (30.0, 7.400), (35.0, 7.389), (37.0, 7.386), (40.0, 7.380), (50.0, 7.367)]),
    ("nbs", "borax", "disodium tetraborate 0.01 mol/L", &[(0.0, 9.464), (5.0, 9.395), (10.0, 9.332), (15.0, 9.276), (20.0, 9.225), (25.0, 9.180), (30.0, 9.139), (35.0, 9.102), (37.0, 9.088), (40.0, 9.068), (50.0, 9.011)]),
    ("nbs", "carbonate", "hydrogen carbonate and carbonate, 0.025 mol/L each", &[(0.0, 10.317), (5.0, 10.245), (10.0, 10.179), (15.0, 10.118), (20.0, 10.062), (25.0, 10.012), (30.0, 9.966), (35.0, 9.926), (37.0, 9.910), (40.0, 9.889), (50.0, 9.828)]),
    ("nbs", "calcium hydroxide", "calcium hydroxide, saturated at 25 degC", &[(0.0, 13.423), (5.0, 13.207), (10.0, 13.003), (15.0, 12.810), (20.0, 12.627), (25.0, 12.454), (30.0, 12.289), (35.0, 12.133), (40.0, 11.984), (50.0, 11.705)]),
    ("iupac", "phthalate", "potassium hydrogen phthalate 0.05 mol/L", &[(5.0, 3.998), (10.0, 3.997), (15.0, 3.998), (20.0, 4.000), (25.0, 4.005), (30.0, 4.011), (35.0, 4.018), (37.0, 4.022), (40.0, 4.027), (50.0, 4.050)]),
    ("technical", "4.00", "technical buffer 4.00, phthalate", &[(0.0, 4.0), (5.0, 4.0), (10.0, 4.0), (15.0, 4.0), (20.0, 4.0), (25.0, 4.0), (30.0, 4.01), (35.0, 4.02), (40.0, 4.03), (45.0, 4.04), (50.0, 4.06)]),
    ("technical", "7.00", "technical buffer 7.00, phosphate", &[(0.0, 7.12), (5.0, 7.09), (10.0, 7.06), (15.0, 7.04), (20.0, 7.02), (25.0, 7.0), (30.0, 6.99), (35.0, 6.99), (40.0, 6.98), (45.0, 6.98), (50.0, 6.97)]),
    ("technical", "10.01", "technical buffer 10.01, carbonate", &[(0.0, 10.32), (5.0, 10.25), (10.0, 10.18), (15.0, 10.12), (20.0, 10.06), (25.0, 10.01), (30.0, 9.97), (35.0, 9.93), (40.0, 9.89), (45.0, 9.86), (50.0, 9.83)]),
];

/// The pH of one buffer over temperature.
///
/// ```
/// use dropwise::chemistry::buffers::Buffer;
/// let phosphate = Buffer::find("pharmacopoeia", "phosphate").unwrap();
/// assert!((phosphate.ph(25.0).unwrap() - 6.87).abs() < 1e-12);
/// assert!((phosphate.ph(22.5).unwrap() - 6.875).abs() < 1e-12);
/// assert!(phosphate.ph(40.0).is_err());
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Buffer {
    /// Name of the set: `pharmacopoeia`, `jis`, `nbs`, `iupac`, `technical`, or `lot` for a certificate.
    pub set: Cow<'static, str>,
    /// Name within the set.
    pub name: Cow<'static, str>,
    /// Composition, in words.
    pub composition: Cow<'static, str>,
    /// Where the table was published.
    pub source: Cow<'static, str>,
    /// Half of the last printed digit: how far the table may be from what it stands for, by its rounding alone.
    pub half_width: f64,
    points: Cow<'static, [Point]>,
}

/// A temperature that a table does not hold.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "the table of {name} ({source_of_table}) holds {from} to {to} degC, not {temperature_c} degC; bring the buffer to \
     such a temperature or use another set"
)]
pub struct OutsideTable {
    /// The buffer.
    pub name: String,
    /// Where its table was published.
    pub source_of_table: String,
    /// Lowest temperature of the table in degrees Celsius.
    pub from: f64,
    /// Highest temperature.
    pub to: f64,
    /// The temperature asked for.
    pub temperature_c: f64,
}

/// A table that cannot be one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "the table of buffer {name} cannot be used: {why}; give pairs of temperature and pH, rising in temperature"
)]
pub struct BadTable {
    /// The buffer.
    pub name: String,
    /// What is wrong.
    pub why: &'static str,
}

impl Buffer {
    fn of_row(row: &Row) -> Self {
        let (_, source, half_width) =
            SETS.iter().find(|set| set.0 == row.0).copied().unwrap_or((row.0, "", f64::NAN));
        Self {
            set: Cow::Borrowed(row.0),
            name: Cow::Borrowed(row.1),
            composition: Cow::Borrowed(row.2),
            source: Cow::Borrowed(source),
            half_width,
            points: Cow::Borrowed(row.3),
        }
    }

    /// All buffers of the published tables, set by set.
    pub fn all() -> impl Iterator<Item = Self> {
        TABLE.iter().map(Self::of_row)
    }

    /// The names of the sets.
    pub fn sets() -> impl Iterator<Item = &'static str> {
        SETS.iter().map(|set| set.0)
    }

    /// A buffer of a set by its name.
    #[must_use]
    pub fn find(set: &str, name: &str) -> Option<Self> {
        TABLE.iter().find(|row| row.0 == set && row.1 == name).map(Self::of_row)
    }

    /// The table of a bought lot, from its certificate: degrees Celsius and pH, rising in temperature.
    ///
    /// # Errors
    /// When the table is empty, not rising, or holds no pH.
    pub fn of_lot(
        name: &str,
        certificate: &str,
        half_width: f64,
        points: &[(f64, f64)],
    ) -> Result<Self, BadTable> {
        let bad = |why| Err(BadTable { name: name.to_owned(), why });
        if points.is_empty() {
            return bad("it is empty");
        }
        if points.iter().any(|(t, ph)| !t.is_finite() || !(-2.0..=16.0).contains(ph)) {
            return bad("a temperature or a pH cannot be");
        }
        if points.windows(2).any(|pair| pair[1].0 <= pair[0].0) {
            return bad("its temperatures do not rise");
        }
        Ok(Self {
            set: Cow::Borrowed("lot"),
            name: Cow::Owned(name.to_owned()),
            composition: Cow::Borrowed(""),
            source: Cow::Owned(certificate.to_owned()),
            half_width,
            points: Cow::Owned(points.to_vec()),
        })
    }

    /// Lowest and highest temperature of the table in degrees Celsius.
    #[must_use]
    pub fn range(&self) -> (f64, f64) {
        let at = |i: usize| self.points.get(i).map_or(f64::NAN, |point| point.0);
        (at(0), at(self.points.len().saturating_sub(1)))
    }

    /// The pH at a temperature, by a straight line between the neighbours in the table.
    ///
    /// # Errors
    /// Outside the table: it is never extended.
    pub fn ph(&self, temperature_c: f64) -> Result<f64, OutsideTable> {
        self.between(temperature_c).map(|(low, high)| {
            let share = if high.0 > low.0 { (temperature_c - low.0) / (high.0 - low.0) } else { 0.0 };
            low.1 + share * (high.1 - low.1)
        })
    }

    /// Change of the pH for each degree at a temperature.
    ///
    /// # Errors
    /// Outside the table.
    pub fn ph_per_degree(&self, temperature_c: f64) -> Result<f64, OutsideTable> {
        self.between(temperature_c)
            .map(|(low, high)| if high.0 > low.0 { (high.1 - low.1) / (high.0 - low.0) } else { 0.0 })
    }

    fn between(&self, temperature_c: f64) -> Result<(Point, Point), OutsideTable> {
        let (from, to) = self.range();
        let next = self.points.iter().position(|point| point.0 >= temperature_c);
        match next {
            Some(i) if temperature_c >= from => Ok((self.points[i.saturating_sub(1)], self.points[i])),
            _ => Err(OutsideTable {
                name: self.name.to_string(),
                source_of_table: self.source.to_string(),
                from,
                to,
                temperature_c,
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows() -> Vec<Vec<String>> {
        let text = include_str!("../../fixtures/reference/buffers.csv");
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
        reader.records().map(|row| row.unwrap().iter().map(str::to_owned).collect()).collect()
    }

    /// Names of the file and of this table.
    const NAMES: &[(&str, &str)] = &[
        ("tetroxalate_0.05M", "tetroxalate"),
        ("hydrogen_tartrate_sat25", "tartrate"),
        ("dihydrogen_citrate_0.05M", "citrate"),
        ("hydrogen_phthalate_0.05M", "phthalate"),
        ("phosphate_1to1_0.025M", "phosphate"),
        ("phosphate_1to3.5_0.0087M_0.0303M", "phosphate 1:3.5"),
        ("borax_0.01M", "borax"),
        ("carbonate_0.025M", "carbonate"),
        ("calcium_hydroxide_sat25", "calcium hydroxide"),
        ("technical_4.00_phthalate", "4.00"),
        ("technical_7.00_phosphate_0.041M_0.026M", "7.00"),
        ("technical_10.01_carbonate_0.025M", "10.01"),
    ];
    const FILE_SETS: &[(&str, &str)] = &[
        ("PhEur_2.2.3-2", "pharmacopoeia"),
        ("JIS_Z_8802", "jis"),
        ("NBS_NIST_3dp", "nbs"),
        ("IUPAC_2002_KHP", "iupac"),
        ("technical_4_7_10", "technical"),
    ];

    fn other<'a>(names: &[(&str, &'a str)], name: &str) -> Option<&'a str> {
        names.iter().find(|pair| pair.0 == name).map(|pair| pair.1)
    }

    #[test]
    fn every_published_value_is_given_at_its_temperature() {
        let mut checked = 0;
        for row in rows() {
            let Some(set) = other(FILE_SETS, &row[0]) else { continue };
            let buffer = Buffer::find(set, other(NAMES, &row[1]).unwrap()).unwrap();
            let (t, ph): (f64, f64) = (row[2].parse().unwrap(), row[3].parse().unwrap());
            assert!((buffer.ph(t).unwrap() - ph).abs() < 1e-9, "{row:?}");
            checked += 1;
        }
        assert_eq!(checked, TABLE.iter().map(|row| row.3.len()).sum::<usize>());
        assert_eq!(checked, 255);
    }

    /// The pharmacopoeia's two decimals are the three decimals of the older tables, rounded: an independent print.
    #[test]
    fn two_prints_agree_within_rounding() {
        for two in Buffer::all().filter(|b| b.set == "pharmacopoeia") {
            let three = Buffer::find("nbs", &two.name).unwrap();
            for t in [15.0, 20.0, 25.0, 30.0, 35.0] {
                if let Ok(ph) = two.ph(t) {
                    assert!((ph - three.ph(t).unwrap()).abs() < 0.0056, "{} at {t}", two.name);
                }
            }
        }
    }

    /// The equation of Hamer, Pinching and Acree (J. Res. NBS 36 (1946) 47), between the temperatures of the table too.
    #[test]
    fn phthalate_follows_a_published_equation() {
        let phthalate = Buffer::find("iupac", "phthalate").unwrap();
        for i in 0..=90 {
            let t = 5.0 + 0.5 * f64::from(i);
            let kelvin = t + 273.16;
            let equation = 1336.08 / kelvin - 5.2678 + 0.016_069 * kelvin;
            // The two evaluations part at the ends: by 0.007 at 5 and 0.009 at 50 degC.
            let tolerance = if (15.0..=35.0).contains(&t) { 0.003 } else { 0.0095 };
            assert!((phthalate.ph(t).unwrap() - equation).abs() < tolerance, "{t}: {equation}");
        }
    }

    #[test]
    fn a_table_is_never_extended() {
        for buffer in Buffer::all() {
            let (from, to) = buffer.range();
            for t in [from - 0.01, to + 0.01, f64::NAN] {
                assert!(buffer.ph(t).is_err(), "{} {t}", buffer.name);
            }
            assert!(buffer.ph(from).is_ok() && buffer.ph(to).is_ok());
        }
        let error = Buffer::find("pharmacopoeia", "borax").unwrap().ph(50.0).unwrap_err().to_string();
        assert!(error.contains("holds 15 to 35 degC, not 50 degC"), "{error}");
    }

    #[test]
    fn a_lot_has_its_own_table() {
        let lot = Buffer::of_lot("7.00", "certificate 12", 0.01, &[(20.0, 7.02), (25.0, 7.00)]).unwrap();
        assert!((lot.ph(22.0).unwrap() - 7.012).abs() < 1e-12);
        assert!((lot.ph_per_degree(22.0).unwrap() + 0.004).abs() < 1e-12);
        for points in [&[][..], &[(25.0, 7.0), (20.0, 7.02)], &[(25.0, 70.0)], &[(f64::NAN, 7.0)]] {
            assert!(Buffer::of_lot("7.00", "", 0.01, points).is_err());
        }
    }
}
