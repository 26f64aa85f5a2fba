//! Titrations as equilibria: what an ideal sensor shows when a volume of titrant has been added.
//!
//! Every system holds its equivalence volumes as parameters (`ends_ml`, in order), so that the truth is exact by
//! stoichiometry: the amount of an analyte is its share of the equivalence volumes times the titrant's concentration.

mod complexation;
mod conductance;
mod photometry;
mod polarised;
mod precipitation;
mod protolysis;
mod redox;

pub use complexation::{Complexation, Metal};
pub use conductance::Conductance;
pub use photometry::Photometry;
pub use polarised::{Measured, Polarised, ReversibleCouple};
pub use precipitation::{Anion, Precipitation};
pub use protolysis::{Component, Protolysis};
pub use redox::{HalfReaction, Redox};

use super::constants::nernst_slope_mv;

/// A parameter that an analyst would not know.
#[derive(Debug)]
pub struct Free<'a> {
    /// The parameter itself.
    pub value: &'a mut f64,
    /// A step small enough for a difference quotient.
    pub step: f64,
    /// Standard deviation with which it is known beforehand; infinite if not at all.
    pub prior: f64,
}

impl<'a> Free<'a> {
    /// A parameter about which nothing is known.
    pub(super) const fn unknown(value: &'a mut f64, step: f64) -> Self {
        Self { value, step, prior: f64::INFINITY }
    }

    /// A parameter that is known to a fraction of itself.
    pub(super) fn known_to(value: &'a mut f64, fraction: f64) -> Self {
        let size = value.abs().max(1e-12);
        Self { value, step: 1e-4 * size, prior: fraction * size }
    }
}

/// What sample and titrant are, and what the sensor follows.
#[derive(Debug, Clone)]
pub enum System {
    /// Acids and bases with a glass electrode.
    Protolysis(Protolysis),
    /// Silver salts with a silver electrode.
    Precipitation(Precipitation),
    /// Two redox couples with an inert electrode.
    Redox(Redox),
    /// Metals and a chelating agent with an ion electrode.
    Complexation(Complexation),
    /// Acids and bases with a conductivity cell.
    Conductance(Conductance),
    /// A coloured reaction in a photometer.
    Photometry(Photometry),
    /// Two polarised electrodes.
    Polarised(Polarised),
}

/// Volumes and concentrations that every titration has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vessel {
    /// Volume before the first addition in mL.
    pub sample_volume_ml: f64,
    /// Concentration of the titrant in mol/L.
    pub titrant_mol_l: f64,
    /// Temperature in degrees Celsius.
    pub temperature_c: f64,
}

impl Vessel {
    /// Concentration in the sample of an analyte that takes `share_ml` of titrant, one to one.
    #[must_use]
    pub fn sample_mol_l(&self, share_ml: f64) -> f64 {
        share_ml * self.titrant_mol_l / self.sample_volume_ml
    }

    /// Factors by which sample and titrant are diluted after `volume_ml`.
    #[must_use]
    pub fn dilution(&self, volume_ml: f64) -> (f64, f64) {
        let total = self.sample_volume_ml + volume_ml;
        (self.sample_volume_ml / total, volume_ml / total)
    }
}

/// How a sensor turns what the system does into the number on its display.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scale {
    /// pH, or absorbance, conductance, current, voltage as they are.
    Direct,
    /// Potential of an electrode that follows the logarithm of an activity: charge of the ion.
    Nernst(f64),
}

/// A titration with its sensor.
#[derive(Debug, Clone)]
pub struct Titration {
    /// What reacts.
    pub system: System,
    /// Volumes and concentrations.
    pub vessel: Vessel,
    /// What the display shows.
    pub scale: Scale,
    /// Offset of the sensor in the unit of the signal.
    pub offset: f64,
    /// Slope of the sensor as a fraction of the ideal one, or the gain of a linear sensor.
    pub slope: f64,
}

impl Titration {
    /// The equivalence volumes in mL, in order.
    #[must_use]
    pub fn ends_ml(&self) -> &[f64] {
        match &self.system {
            System::Protolysis(s) => &s.ends_ml,
            System::Precipitation(s) => &s.ends_ml,
            System::Redox(s) => std::slice::from_ref(&s.end_ml),
            System::Complexation(s) => &s.ends_ml,
            System::Conductance(s) => &s.protolysis.ends_ml,
            System::Photometry(s) => std::slice::from_ref(&s.end_ml),
            System::Polarised(s) => std::slice::from_ref(&s.end_ml),
        }
    }

    /// What the sensor shows at equilibrium after `volume_ml`; NaN where the equilibrium has no solution.
    ///
    /// pH turns around 7 with the slope of the electrode, as a glass electrode does.
    #[must_use]
    pub fn signal(&self, volume_ml: f64) -> f64 {
        let ideal = match &self.system {
            System::Protolysis(s) => s.ph(&self.vessel, volume_ml).map(|ph| match self.scale {
                Scale::Direct => 7.0 + self.slope * (ph - 7.0),
                Scale::Nernst(_) => self.slope * nernst_slope_mv(self.vessel.temperature_c) * (7.0 - ph),
            }),
            System::Precipitation(s) => s.log_silver(&self.vessel, volume_ml).map(|l| self.nernstian(l)),
            System::Redox(s) => s.potential_mv(&self.vessel, volume_ml).map(|e| self.slope * e),
            System::Complexation(s) => s.log_ion(&self.vessel, volume_ml).map(|l| self.nernstian(l)),
            System::Conductance(s) => s.ms_cm(&self.vessel, volume_ml).map(|k| self.slope * k),
            System::Photometry(s) => Some(self.slope * s.absorbance(&self.vessel, volume_ml)),
            System::Polarised(s) => s.signal(&self.vessel, volume_ml).map(|j| self.slope * j),
        };
        ideal.map_or(f64::NAN, |y| self.offset + y)
    }

    fn nernstian(&self, log_activity: f64) -> f64 {
        let charge = if let Scale::Nernst(charge) = self.scale { charge } else { 1.0 };
        self.slope * nernst_slope_mv(self.vessel.temperature_c) / charge * log_activity
    }

    /// Everything that an analyst would not know, the equivalence volumes first.
    ///
    /// The titrant's concentration is known to 1 % and a little is known about the sensor.
    pub fn free(&mut self) -> Vec<Free<'_>> {
        let is_photometric = matches!(self.system, System::Photometry(_));
        let size = self.slope.abs();
        let mut free = match &mut self.system {
            System::Protolysis(s) => s.free(),
            System::Precipitation(s) => s.free(),
            System::Redox(s) => s.free(),
            System::Complexation(s) => s.free(),
            System::Conductance(s) => s.free(),
            System::Photometry(s) => s.free(),
            System::Polarised(s) => s.free(),
        };
        free.push(Free::known_to(&mut self.vessel.titrant_mol_l, 0.01));
        free.push(Free { value: &mut self.offset, step: 1e-3, prior: f64::INFINITY });
        // Absorptivities take the part of a slope.
        if !is_photometric {
            free.push(Free { value: &mut self.slope, step: 1e-4 * size, prior: 0.3 * size });
        }
        free
    }
}

#[cfg(test)]
mod tests;
