//! Volumes as they are: corrections of a burette from its gravimetric check, and of temperature to 20 degrees Celsius.

use super::{BadSource, Dimension, Extent, Kind, Quantity, Source, Sources, Uncertain, Unit};
use crate::chemistry::constants::CELSIUS_ZERO;
use crate::chemistry::volumetry::{water_expansion_per_degree, z_factor};
use crate::chemistry::water::density_kg_m3;
use serde::{Deserialize, Serialize};

/// The temperature for which volumetric ware is calibrated and titrants are stated, in degrees Celsius.
pub const REFERENCE_C: f64 = 20.0;

/// One point of a burette's check.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BurettePoint {
    /// Volume as the burette tells it, in mL.
    pub told_ml: f64,
    /// What must be added to it, in mL.
    pub correction_ml: f64,
    /// Standard uncertainty of the correction in mL.
    pub u_ml: f64,
}

/// The corrections of a burette over the volume that it tells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BuretteTable {
    points: Vec<BurettePoint>,
}

/// Why a volume cannot be corrected.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoVolume {
    /// The table is none.
    #[error(
        "the correction table cannot be used: {0}; give volumes that rise from above zero, each with its correction"
    )]
    Table(&'static str),
    /// The volume is beyond the table.
    #[error(
        "the burette was checked from 0 to {to_ml} mL, the volume is {volume_ml} mL; check the burette there too"
    )]
    Beyond {
        /// The volume in mL.
        volume_ml: f64,
        /// Highest volume of the table in mL.
        to_ml: f64,
    },
    /// A number that measures something else.
    #[error("{0} is needed here; check what is entered")]
    Dimension(&'static str),
    /// Water or air outside of the range of the equations.
    #[error(
        "the Z factor is known from 0 to 40 degC and 500 to 1200 hPa, not at {temperature_c} degC and {pressure_hpa} hPa"
    )]
    Conditions {
        /// Temperature of the water in degrees Celsius.
        temperature_c: f64,
        /// Air pressure in hPa.
        pressure_hpa: f64,
    },
    /// A source that cannot be used.
    #[error(transparent)]
    Source(#[from] BadSource),
}

impl BuretteTable {
    /// A table from points that rise in volume. At zero the correction is zero: nothing has been dispensed.
    ///
    /// # Errors
    /// When there is no point, volumes do not rise from above zero, or a figure is no number.
    pub fn new(points: Vec<BurettePoint>) -> Result<Self, NoVolume> {
        if points.is_empty() {
            return Err(NoVolume::Table("it has no points"));
        }
        let sound = |p: &BurettePoint| {
            p.told_ml.is_finite() && p.correction_ml.is_finite() && p.u_ml.is_finite() && p.u_ml >= 0.0
        };
        if !points.iter().all(sound) {
            return Err(NoVolume::Table("a figure is no number or negative"));
        }
        if points[0].told_ml <= 0.0 || points.windows(2).any(|pair| pair[1].told_ml <= pair[0].told_ml) {
            return Err(NoVolume::Table("its volumes do not rise from above zero"));
        }
        Ok(Self { points })
    }

    /// The points.
    #[must_use]
    pub fn points(&self) -> &[BurettePoint] {
        &self.points
    }

    /// Enters the table into sources once for all volumes of this burette: each point is a shared source.
    ///
    /// # Errors
    /// When an uncertainty cannot be used.
    pub fn enter(
        &self,
        sources: &mut Sources,
        burette: &str,
        certificate: &str,
    ) -> Result<EnteredTable, BadSource> {
        let ml = Unit::parse("mL")?;
        let mut points = vec![(0.0, Uncertain::exact(0.0, Dimension::VOLUME))];
        for point in &self.points {
            let name = format!("{burette} at {} mL", point.told_ml);
            let source = Source::normal(&name, point.u_ml, "mL", Kind::CalibrationOfVolume)?
                .told("correction of the burette", certificate);
            let id = sources.add(Source { extent: Extent::Shared, ..source })?;
            let correction = Quantity::new(point.correction_ml, ml.clone());
            points.push((point.told_ml, sources.quantity(&correction, &[id])?));
        }
        Ok(EnteredTable { points })
    }
}

/// A burette's corrections as uncertain numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct EnteredTable {
    points: Vec<(f64, Uncertain)>,
}

impl EnteredTable {
    /// The volume with its correction, by a straight line between the neighbours of the table.
    ///
    /// # Errors
    /// A volume below zero or beyond the table, or no volume at all.
    pub fn correct(&self, told: &Uncertain) -> Result<Uncertain, NoVolume> {
        if told.dimension != Dimension::VOLUME {
            return Err(NoVolume::Dimension("a volume"));
        }
        let v = told.value;
        let beyond = || NoVolume::Beyond { volume_ml: v, to_ml: self.points.last().map_or(0.0, |p| p.0) };
        let next = self.points.iter().position(|p| p.0 >= v).filter(|_| v >= 0.0).ok_or_else(beyond)?;
        let (high_at, high) = &self.points[next.max(1)];
        let (low_at, low) = &self.points[next.max(1) - 1];
        let share = (v - low_at) / (high_at - low_at);
        let steepness = (high.value - low.value) / (high_at - low_at);
        let correction = low.value + share * (high.value - low.value);
        Ok(Uncertain::combined(
            v + correction,
            Dimension::VOLUME,
            &[(1.0 + steepness, told), (1.0 - share, low), (share, high)],
        ))
    }
}

/// The volume at 20 degrees Celsius that a weighed mass of water shows, from a gravimetric check.
///
/// V20 = m Z (1 - g (t - 20)) with the Z factor of ISO 8655-6 and the cubic expansion g of the vessel for each degree
/// (glass of the table in `chemistry::volumetry`; zero for a piston whose expansion is not known). The temperature enters
/// with the expansion of water less that of the vessel.
///
/// # Errors
/// Numbers that are no mass or temperature, conditions outside of the equations.
pub fn volume_of_water(
    mass: &Uncertain,
    temperature: &Uncertain,
    pressure_hpa: f64,
    vessel_per_degree: f64,
) -> Result<Uncertain, NoVolume> {
    if mass.dimension != Dimension::MASS {
        return Err(NoVolume::Dimension("a mass"));
    }
    let temperature_c = celsius(temperature)?;
    let z =
        z_factor(temperature_c, pressure_hpa).ok_or(NoVolume::Conditions { temperature_c, pressure_hpa })?;
    let vessel = 1.0 - vessel_per_degree * (temperature_c - REFERENCE_C);
    let volume = mass.value * z * vessel;
    let by_degree = volume * (water_expansion_per_degree(temperature_c) - vessel_per_degree);
    Ok(Uncertain::combined(volume, Dimension::VOLUME, &[(z * vessel, mass), (by_degree, temperature)]))
}

/// The volume that a solution would have at 20 degrees Celsius: V (1 - g (t - 20)) with its cubic expansion g for each degree.
///
/// This is the form of the note of EN 14104 (there with 0.0011 for alcoholic solutions). The expansion of the burette's
/// glass is taken off `per_degree` by the caller where it matters.
///
/// # Errors
/// Numbers that are no volume, temperature or expansion.
///
/// ```
/// use dropwise::results::volume::at_reference_temperature;
/// use dropwise::results::{Sources, Unit};
/// let sources = Sources::default();
/// let exact = |text: &str| sources.exact(&text.parse().unwrap());
/// let v = at_reference_temperature(&exact("1.500 mL"), &exact("26 degC"), &exact("0.0011 1/K")).unwrap();
/// assert_eq!(format!("{:.4}", v.value), "1.4901");
/// ```
pub fn at_reference_temperature(
    volume: &Uncertain,
    temperature: &Uncertain,
    per_degree: &Uncertain,
) -> Result<Uncertain, NoVolume> {
    if volume.dimension != Dimension::VOLUME {
        return Err(NoVolume::Dimension("a volume"));
    }
    if per_degree.dimension != Dimension::ONE / Dimension::TEMPERATURE {
        return Err(NoVolume::Dimension("an expansion for each degree (1/K)"));
    }
    let above = celsius(temperature)? - REFERENCE_C;
    let factor = 1.0 - per_degree.value * above;
    Ok(Uncertain::combined(
        volume.value * factor,
        Dimension::VOLUME,
        &[
            (factor, volume),
            (-volume.value * per_degree.value, temperature),
            (-volume.value * above, per_degree),
        ],
    ))
}

/// As [`at_reference_temperature`] for dilute aqueous solutions, which expand like water: V rho(t) / rho(20).
///
/// # Errors
/// Numbers that are no volume or temperature, or a temperature outside 0 to 40 degrees Celsius.
pub fn aqueous_at_reference_temperature(
    volume: &Uncertain,
    temperature: &Uncertain,
) -> Result<Uncertain, NoVolume> {
    if volume.dimension != Dimension::VOLUME {
        return Err(NoVolume::Dimension("a volume"));
    }
    let t = celsius(temperature)?;
    if !(0.0..=40.0).contains(&t) {
        return Err(NoVolume::Dimension("a temperature from 0 to 40 degC"));
    }
    let ratio = density_kg_m3(t) / density_kg_m3(REFERENCE_C);
    let by_degree = -volume.value * ratio * water_expansion_per_degree(t);
    Ok(Uncertain::combined(
        volume.value * ratio,
        Dimension::VOLUME,
        &[(ratio, volume), (by_degree, temperature)],
    ))
}

fn celsius(temperature: &Uncertain) -> Result<f64, NoVolume> {
    if temperature.dimension != Dimension::TEMPERATURE {
        return Err(NoVolume::Dimension("a temperature"));
    }
    Ok(temperature.value - CELSIUS_ZERO)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entered(text: &str, u: f64, unit: &str, sources: &mut Sources) -> Uncertain {
        let id = sources.add(Source::normal(text, u, unit, Kind::Other).unwrap()).unwrap();
        sources.quantity(&text.parse().unwrap(), &[id]).unwrap()
    }

    fn table() -> BuretteTable {
        let point = |told_ml, correction_ml| BurettePoint { told_ml, correction_ml, u_ml: 0.004 };
        BuretteTable::new(vec![point(5.0, 0.010), point(10.0, -0.006), point(20.0, 0.002)]).unwrap()
    }

    #[test]
    fn corrections_are_interpolated_and_never_extended() {
        let mut sources = Sources::default();
        let table = table().enter(&mut sources, "burette", "certificate").unwrap();
        let at = |ml: f64| table.correct(&Uncertain::exact(ml, Dimension::VOLUME));
        for (told, wanted) in [(0.0, 0.0), (2.5, 2.505), (5.0, 5.010), (7.5, 7.502), (20.0, 20.002)] {
            assert!((at(told).unwrap().value - wanted).abs() < 1e-12, "{told}");
        }
        assert!(sources.u(&at(0.0).unwrap()) < 1e-15);
        assert!((sources.u(&at(5.0).unwrap()) - 0.004).abs() < 1e-12);
        assert!((sources.u(&at(7.5).unwrap()) - 0.004 / 2_f64.sqrt()).abs() < 1e-12);
        for told in [-0.1, 20.001, f64::NAN] {
            assert!(matches!(at(told), Err(NoVolume::Beyond { .. })), "{told}");
        }
        assert!(table.correct(&Uncertain::exact(1.0, Dimension::MASS)).is_err());
        // Two volumes near each other share their corrections.
        let difference = at(5.0).unwrap().minus(&at(4.9).unwrap());
        assert!(sources.u(&difference) < 0.0001);
    }

    #[test]
    fn tables_that_cannot_be_are_told() {
        let point = |told_ml, u_ml| BurettePoint { told_ml, correction_ml: 0.0, u_ml };
        for points in [
            vec![],
            vec![point(0.0, 0.1)],
            vec![point(5.0, 0.1), point(5.0, 0.1)],
            vec![point(5.0, -0.1)],
            vec![point(f64::NAN, 0.1)],
        ] {
            assert!(BuretteTable::new(points).is_err());
        }
    }

    /// 9.9715 g of water at 20 degC and 1013 hPa are 10.0004 mL with the printed Z of 1.0029.
    #[test]
    fn a_weighed_mass_shows_its_volume() {
        let mut sources = Sources::default();
        let mass = entered("9.9715 g", 0.001, "g", &mut sources);
        let temperature = entered("20 degC", 0.2, "K", &mut sources);
        let v = volume_of_water(&mass, &temperature, 1013.0, 9.9e-6).unwrap();
        assert!((v.value - 10.0004).abs() < 5e-4, "{}", v.value);
        // 10 mL * 2.07e-4 * 0.2 K beside 1 mg.
        let wanted = (0.001_003_f64).hypot(10.0 * (2.07e-4 - 9.9e-6) * 0.2);
        assert!((sources.u(&v) - wanted).abs() < 1e-5, "{}", sources.u(&v));
        assert!(volume_of_water(&mass, &temperature, 100.0, 0.0).is_err());
        assert!(volume_of_water(&temperature, &temperature, 1013.0, 0.0).is_err());
        assert!(volume_of_water(&mass, &mass, 1013.0, 0.0).is_err());
    }

    #[test]
    fn the_two_corrections_to_20_degrees_agree_for_water() {
        let mut sources = Sources::default();
        let v = entered("20 mL", 0.01, "mL", &mut sources);
        let t = entered("24 degC", 1.0, "K", &mut sources);
        let per_degree = Uncertain::exact(2.27e-4, Dimension::ONE / Dimension::TEMPERATURE);
        let by_coefficient = at_reference_temperature(&v, &t, &per_degree).unwrap();
        let by_density = aqueous_at_reference_temperature(&v, &t).unwrap();
        assert!((by_coefficient.value - by_density.value).abs() < 1e-4);
        // One degree moves 20 mL by 20 * 2.47e-4 at 24 degC.
        assert!((sources.u(&by_density) - 0.01_f64.hypot(20.0 * 2.47e-4)).abs() < 2e-5);
        let hot = entered("60 degC", 1.0, "K", &mut sources);
        assert!(aqueous_at_reference_temperature(&v, &hot).is_err());
        assert!(at_reference_temperature(&t, &t, &per_degree).is_err());
        assert!(at_reference_temperature(&v, &t, &v).is_err());
    }
}
