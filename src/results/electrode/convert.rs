//! Potentials turned into pH with the line of a check, also at another temperature.

use super::ElectrodeCheck;
use crate::chemistry::constants::CELSIUS_ZERO;
use crate::results::{
    BadSource, Dimension, Distribution, Extent, Kind, Quantity, Source, Sources, Uncertain, Unit,
};
use serde::{Deserialize, Serialize};

impl ElectrodeCheck {
    /// Enters the line into sources, so that every pH that it gives keeps what they share.
    ///
    /// # Errors
    /// When the covariance is none, which a line of this module never has.
    pub fn enter(&self, sources: &mut Sources, electrode: &str) -> Result<EnteredLine, BadSource> {
        let mv = Unit::parse("mV")?;
        let student = self.degrees.is_finite();
        let model =
            Source::student(&format!("line of {electrode}"), 0.0, self.degrees, "1", Kind::Electrode)?
                .told("offset and slope of the electrode check", "straight line through the buffers");
        let model = if student { model } else { Source { distribution: Distribution::Normal, ..model } };
        let [zero, both, slope] = self.covariance;
        let quantities = [Quantity::new(self.zero_mv, mv.clone()), Quantity::new(self.slope_mv, mv)];
        let mut line = sources.correlated(&quantities, &[zero, both, both, slope], &model)?.into_iter();
        match (line.next(), line.next()) {
            (Some(zero), Some(slope)) => Ok(EnteredLine { zero, slope, temperature_c: self.temperature_c }),
            _ => Err(BadSource::Covariance { why: "it does not hold two quantities".to_owned() }),
        }
    }
}

/// The line of a check as uncertain numbers over common sources.
#[derive(Debug, Clone, PartialEq)]
pub struct EnteredLine {
    /// Potential at pH 7.
    pub zero: Uncertain,
    /// Slope for each pH.
    pub slope: Uncertain,
    /// Temperature of the buffers in degrees Celsius.
    pub temperature_c: f64,
}

/// The pH at which the potential does not depend on temperature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Isopotential {
    /// Its pH.
    pub ph: f64,
    /// Standard uncertainty of it.
    pub u_ph: f64,
    /// Where it came from.
    pub from: String,
}

impl Default for Isopotential {
    /// pH 7, which the makers of most electrodes aim at: an assumption, with a standard uncertainty of 0.5 pH
    /// (common practice, no source).
    fn default() -> Self {
        Self { ph: 7.0, u_ph: 0.5, from: "assumed: pH 7, not measured for this electrode".to_owned() }
    }
}

impl Isopotential {
    /// Enters the point as a source of its own.
    ///
    /// # Errors
    /// When its uncertainty is negative or no number.
    pub fn enter(&self, sources: &mut Sources) -> Result<Uncertain, BadSource> {
        let source = Source::normal("isopotential point", self.u_ph, "pH", Kind::Electrode)?
            .told("pH at which the potential does not depend on temperature", &self.from);
        let id = sources.add(Source { extent: Extent::Shared, ..source })?;
        sources.quantity(&Quantity::new(self.ph, Unit::parse("pH")?), &[id])
    }
}

impl EnteredLine {
    /// The pH of a potential at a temperature (both coherent: use [`Unit`] to enter mV and degC).
    ///
    /// pH = iso + (E - E7 - slope (iso - 7)) / (slope T / T_check): the line of the check, turned about the isopotential
    /// point in the ratio of the absolute temperatures. At the temperature of the check the point has no influence.
    /// `None` when a number is no potential, no temperature, or the slope is zero.
    #[must_use]
    pub fn ph(
        &self,
        emf: &Uncertain,
        temperature: &Uncertain,
        isopotential: &Uncertain,
    ) -> Option<Uncertain> {
        if emf.dimension != Dimension::POTENTIAL
            || temperature.dimension != Dimension::TEMPERATURE
            || !isopotential.dimension.is_one()
            || temperature.value <= 0.0
        {
            return None;
        }
        let from_seven = isopotential.minus(&Uncertain::exact(7.0, Dimension::ONE));
        let at_point = self.zero.plus(&self.slope.times(&from_seven));
        let check = Uncertain::exact(self.temperature_c + CELSIUS_ZERO, Dimension::TEMPERATURE);
        let slope = self.slope.times(&temperature.over(&check)?);
        let ph = isopotential.plus(&emf.minus(&at_point).over(&slope)?);
        ph.is_finite().then_some(ph)
    }
}

#[cfg(test)]
mod tests {
    use super::super::example::three;
    use super::*;
    use crate::chemistry::constants::nernst_slope_mv;

    fn entered(text: &str, u: f64, sources: &mut Sources) -> Uncertain {
        let quantity: Quantity = text.parse().unwrap();
        let id =
            sources.add(Source::normal(text, u, &quantity.unit.to_string(), Kind::Other).unwrap()).unwrap();
        sources.quantity(&quantity, &[id]).unwrap()
    }

    #[test]
    fn a_potential_becomes_the_ph_that_it_came_from() {
        let check = ElectrodeCheck::of(&three(25.0)).unwrap();
        let mut sources = Sources::default();
        let line = check.enter(&mut sources, "electrode").unwrap();
        let iso = Isopotential::default().enter(&mut sources).unwrap();
        for (ph, t) in [(4.5, 25.0), (8.2, 25.0), (8.2, 40.0), (2.0, 10.0)] {
            // The same electrode, whose line turns about pH 7 and 5 mV.
            let mv = 5.0 - 0.98 * nernst_slope_mv(t) * (ph - 7.0);
            let emf = entered(&format!("{mv} mV"), 0.1, &mut sources);
            let temperature = entered(&format!("{t} degC"), 0.2, &mut sources);
            let got = line.ph(&emf, &temperature, &iso).unwrap();
            assert!((got.value - ph).abs() < 1e-9, "{ph} at {t}: {}", got.value);
            // Away from the temperature of the check the assumed point costs certainty, in the ratio of temperatures.
            let by_point = 0.5 * (1.0 - (273.15 + 25.0) / (273.15 + t)).abs();
            let u = sources.u(&got);
            assert!(u > by_point && u < by_point.hypot(0.02), "{ph} at {t}: {u} {by_point}");
        }
        let mass = entered("1 g", 0.1, &mut sources);
        assert_eq!(line.ph(&mass, &mass, &iso), None);
    }

    /// Two values of pH from one line share its error: their difference is better known than each.
    #[test]
    fn ph_values_of_one_line_are_correlated() {
        let mut sources = Sources::default();
        let line = ElectrodeCheck::of(&three(25.0)).unwrap().enter(&mut sources, "electrode").unwrap();
        let iso = Isopotential::default().enter(&mut sources).unwrap();
        let exact = |text: &str| {
            Uncertain::exact(
                text.parse::<Quantity>().unwrap().coherent(),
                text.parse::<Quantity>().unwrap().dimension(),
            )
        };
        let t = exact("25 degC");
        let a = line.ph(&exact("-65 mV"), &t, &iso).unwrap();
        let b = line.ph(&exact("-66 mV"), &t, &iso).unwrap();
        assert!(sources.u(&a) > 0.001);
        assert!(sources.u(&a.minus(&b)) < 0.05 * sources.u(&a));
    }
}
