//! Volumes and temperature: expansion of solutions and glass, volume from a weighed mass of water.

use super::water::density_kg_m3;

/// Density of the weights of balances in kg/m3 (conventional value, OIML D 28).
const WEIGHTS_KG_M3: f64 = 8_000.0;

/// Material, coefficient of cubic expansion for each degree, relative standard uncertainty of it, and its source.
type Row = (&'static str, f64, f64, &'static str);

/// The uncertainties are estimates (common practice, no source): 5 % for glass, 10 % for solvents.
const EXPANSION: &[Row] = &[
    ("borosilicate glass 3.3", 9.9e-6, 0.05, "ISO 4787 / ISO 3585, three times 3.3e-6 (from memory)"),
    ("borosilicate glass 5.0", 15e-6, 0.05, "ISO 4787 (from memory)"),
    ("soda-lime glass", 27e-6, 0.05, "ISO 4787 (from memory)"),
    ("propan-2-ol", 1.1e-3, 0.1, "handbook value for propan-2-ol and its mixture with toluene (from memory)"),
    (
        "acetic acid",
        1.07e-3,
        0.1,
        "handbook value (from memory); pharmacopoeias correct by 0.0011 for each degree",
    ),
];

/// Cubic expansion of a material.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expansion {
    /// The material.
    pub material: &'static str,
    /// Coefficient for each degree near 20 degrees Celsius.
    pub per_degree: f64,
    /// Its relative standard uncertainty.
    pub relative_u: f64,
    /// Where it came from.
    pub source: &'static str,
}

impl Expansion {
    /// All materials of the table (water and dilute aqueous titrants have [`water_expansion_per_degree`]).
    pub fn all() -> impl Iterator<Item = Self> {
        EXPANSION.iter().map(|(material, per_degree, relative_u, source)| Self {
            material,
            per_degree: *per_degree,
            relative_u: *relative_u,
            source,
        })
    }

    /// The one of that material.
    #[must_use]
    pub fn find(material: &str) -> Option<Self> {
        Self::all().find(|row| row.material == material)
    }
}

/// Coefficient of cubic expansion of water for each degree, 0 to 40 degrees Celsius.
///
/// Derivative of the equation of M. Tanaka et al., Metrologia 38 (2001) 301, by a central difference of 0.01 degrees.
/// Dilute aqueous titrants (0.1 mol/L and less) expand like water (common practice, no source).
#[must_use]
pub fn water_expansion_per_degree(temperature_c: f64) -> f64 {
    const STEP: f64 = 0.01;
    (density_kg_m3(temperature_c - STEP) - density_kg_m3(temperature_c + STEP))
        / (2.0 * STEP * density_kg_m3(temperature_c))
}

/// Density of moist air in kg/m3: temperature in degrees Celsius (15 to 30), pressure in hPa, relative humidity in per cent.
///
/// The short form of the CIPM equation that ISO 4787 gives; coefficients from memory, checked against the Z factors.
#[must_use]
pub fn air_density_kg_m3(temperature_c: f64, pressure_hpa: f64, humidity_percent: f64) -> f64 {
    let vapour = humidity_percent * (0.002_52 * temperature_c - 0.020_582);
    (0.348_44 * pressure_hpa - vapour) / (273.15 + temperature_c)
}

/// Z factor in mL/g: the volume of one gram of water as a balance in air reads it.
///
/// Z = (1 - rho_air / rho_weights) / (rho_water - rho_air), ISO 8655-6 style; air at 50 per cent humidity, weights of
/// 8000 kg/m3. Water temperature in degrees Celsius (15 to 30), pressure in hPa (800 to 1067); `None` far outside
/// (0 to 40, 500 to 1200), where the equations do not hold.
///
/// ```
/// use dropwise::chemistry::volumetry::z_factor;
/// assert!((z_factor(20.0, 1013.0).unwrap() - 1.0029).abs() < 6e-5);
/// ```
#[must_use]
pub fn z_factor(temperature_c: f64, pressure_hpa: f64) -> Option<f64> {
    if !((0.0..=40.0).contains(&temperature_c) && (500.0..=1200.0).contains(&pressure_hpa)) {
        return None;
    }
    let air = air_density_kg_m3(temperature_c, pressure_hpa, 50.0);
    Some(1e3 * (1.0 - air / WEIGHTS_KG_M3) / (density_kg_m3(temperature_c) - air))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(text: &str) -> Vec<Vec<f64>> {
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
        let numbers = |row: csv::StringRecord| row.iter().map(|c| c.parse().unwrap_or(f64::NAN)).collect();
        reader.records().map(|row| numbers(row.unwrap())).collect()
    }

    /// All 186 cells. Tolerance: 0.00006 for the print (12 cells differ in the last digit), 2e-6 for the computed column.
    #[test]
    fn z_factors_of_the_whole_table() {
        let rows = rows(include_str!("../../fixtures/reference/z_factor.csv"));
        assert_eq!(rows.len(), 186);
        for row in rows {
            let z = z_factor(row[0], row[1]).unwrap();
            assert!((z - row[2]).abs() < 6.5e-5, "{row:?}: {z}");
            assert!((z - row[3]).abs() < 2e-6, "{row:?}: {z}");
        }
        for (t, p) in [(-1.0, 1013.0), (41.0, 1013.0), (20.0, 100.0), (f64::NAN, 1013.0), (20.0, f64::NAN)] {
            assert_eq!(z_factor(t, p), None);
        }
    }

    /// The values that the table of expansions gives for water from the same equation, and the 2.1e-4 of QUAM to its
    /// digits; the materials of the table are those here.
    #[test]
    fn expansions_of_the_table() {
        let text = include_str!("../../fixtures/reference/expansion.csv");
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
        let mut checked = 0;
        for row in reader.records() {
            let row = row.unwrap();
            let Ok(wanted) = row[1].trim_start_matches("about ").parse::<f64>() else { continue };
            let water = row[0].strip_prefix("water, computed at ").and_then(|t| t.strip_suffix(" degC"));
            let got = match water {
                Some(t) => water_expansion_per_degree(t.parse().unwrap()),
                None if row[0].starts_with("water (QUAM") => water_expansion_per_degree(20.0),
                None => match Expansion::all().find(|e| row[0].contains(e.material)) {
                    Some(expansion) => expansion.per_degree,
                    None => continue,
                },
            };
            let tolerance = if row[0].starts_with("water (QUAM") { 5e-6 } else { 6e-7 };
            assert!((got - wanted).abs() < tolerance, "{row:?}: {got}");
            checked += 1;
        }
        assert_eq!(checked, 10);
    }

    /// ISO 4787 and common tables give 1.1992 kg/m3 at 20 degC, 1013.25 hPa, 50 % (from memory).
    #[test]
    fn air_as_heavy_as_usual() {
        assert!((air_density_kg_m3(20.0, 1013.25, 50.0) - 1.1992).abs() < 3e-4);
        assert!(Expansion::find("soda-lime glass").is_some() && Expansion::find("jelly").is_none());
    }
}
