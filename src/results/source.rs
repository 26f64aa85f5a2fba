//! A source of uncertainty: what is known about one cause of error.

use super::{NotAUnit, Unit};
use serde::{Deserialize, Serialize};

/// How a source of uncertainty is distributed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Distribution {
    /// Normal.
    Normal,
    /// Every value within the limits is as likely as any other.
    Rectangular,
    /// Values near the middle of the limits are more likely.
    Triangular,
    /// From the scatter of a few readings: Student's t with the degrees of freedom of the source.
    Student,
}

/// Where a source belongs in a budget.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Calibration of a burette, pipette or flask.
    CalibrationOfVolume,
    /// Calibration of a balance.
    CalibrationOfMass,
    /// Temperature of the solution.
    Temperature,
    /// Factor of the titrant.
    Factor,
    /// Content of a standard or another stated value.
    Standard,
    /// Scatter of repeated work.
    Repeatability,
    /// Atomic weights and molar masses.
    MolarMass,
    /// Where the end-point lies.
    EndPoint,
    /// The blank.
    Blank,
    /// Readings and line of an electrode.
    Electrode,
    /// Anything else.
    Other,
}

impl Kind {
    /// The kind in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::CalibrationOfVolume => "calibration of volume",
            Self::CalibrationOfMass => "calibration of mass",
            Self::Temperature => "temperature",
            Self::Factor => "factor",
            Self::Standard => "standard",
            Self::Repeatability => "repeatability",
            Self::MolarMass => "molar mass",
            Self::EndPoint => "end-point",
            Self::Blank => "blank",
            Self::Electrode => "electrode",
            Self::Other => "other",
        }
    }
}

/// Whether a source is the same for all portions of a series or drawn anew for each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Extent {
    /// The same for all portions: a mean does not make it smaller.
    Shared,
    /// Of one portion only (counted from 1): sources of the same name make one line of a budget.
    Portion(u32),
}

/// One source of uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// Name of its line in the budget, such as `burette`.
    pub name: String,
    /// What it is, in words; may be empty.
    pub words: String,
    /// Standard uncertainty in `unit`.
    pub u: f64,
    /// The unit of `u` (degC counts as a difference).
    pub unit: Unit,
    /// Degrees of freedom; infinite when the uncertainty itself is taken as known.
    #[serde(with = "super::degrees")]
    pub degrees: f64,
    /// Its distribution.
    pub distribution: Distribution,
    /// Shared by the portions or of one.
    pub extent: Extent,
    /// Where it belongs.
    pub kind: Kind,
    /// Where the figure came from: a certificate, a statement of the maker, the scatter of readings.
    pub from: String,
}

/// Why a source cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BadSource {
    /// Standard uncertainty or degrees of freedom that no number of measurements can give.
    #[error("the uncertainty of '{name}' cannot be used: {why}; give a number that is not negative")]
    Figures {
        /// Name of the source.
        name: String,
        /// What is wrong.
        why: String,
    },
    /// The unit of the source measures something else than the value.
    #[error(
        "the uncertainty of '{name}' is in {unit}, which cannot belong to a value in {value}; give it in {value}"
    )]
    Dimension {
        /// Name of the source.
        name: String,
        /// Its unit.
        unit: String,
        /// The unit of the value.
        value: String,
    },
    /// The unit of the source is not understood.
    #[error(transparent)]
    Unit(#[from] NotAUnit),
    /// A covariance matrix that no set of quantities can have.
    #[error(
        "these covariances cannot be: {why}; check that the matrix is square, symmetric and no correlation is beyond 1"
    )]
    Covariance {
        /// What is wrong.
        why: String,
    },
}

impl Source {
    /// A source with standard uncertainty `u`, normal, shared by the portions, infinite degrees of freedom.
    ///
    /// # Errors
    /// When the unit is not understood.
    pub fn normal(name: &str, u: f64, unit: &str, kind: Kind) -> Result<Self, BadSource> {
        Ok(Self {
            name: name.to_owned(),
            words: String::new(),
            u,
            unit: Unit::parse(unit)?,
            degrees: f64::INFINITY,
            distribution: Distribution::Normal,
            extent: Extent::Shared,
            kind,
            from: String::new(),
        })
    }

    /// Limits of plus or minus `half_width` within which every value is as likely: u = half_width / sqrt 3.
    ///
    /// # Errors
    /// When the unit is not understood.
    pub fn rectangular(name: &str, half_width: f64, unit: &str, kind: Kind) -> Result<Self, BadSource> {
        let source = Self::normal(name, half_width / 3_f64.sqrt(), unit, kind)?;
        Ok(Self { distribution: Distribution::Rectangular, ..source })
    }

    /// Limits of plus or minus `half_width` with the middle more likely: u = half_width / sqrt 6.
    ///
    /// # Errors
    /// When the unit is not understood.
    pub fn triangular(name: &str, half_width: f64, unit: &str, kind: Kind) -> Result<Self, BadSource> {
        let source = Self::normal(name, half_width / 6_f64.sqrt(), unit, kind)?;
        Ok(Self { distribution: Distribution::Triangular, ..source })
    }

    /// An expanded uncertainty of a certificate with its coverage factor: u = expanded / k.
    ///
    /// # Errors
    /// When the unit is not understood.
    pub fn expanded(name: &str, expanded: f64, k: f64, unit: &str, kind: Kind) -> Result<Self, BadSource> {
        Self::normal(name, expanded / k, unit, kind)
    }

    /// A standard deviation from readings: Student's t with its degrees of freedom.
    ///
    /// # Errors
    /// When the unit is not understood.
    pub fn student(name: &str, u: f64, degrees: f64, unit: &str, kind: Kind) -> Result<Self, BadSource> {
        let source = Self::normal(name, u, unit, kind)?;
        Ok(Self { distribution: Distribution::Student, degrees, ..source })
    }

    /// The same source, of one portion only.
    #[must_use]
    pub fn of_portion(self, portion: u32) -> Self {
        Self { extent: Extent::Portion(portion), ..self }
    }

    /// The same source with its description and where its figure came from.
    #[must_use]
    pub fn told(self, words: &str, from: &str) -> Self {
        Self { words: words.to_owned(), from: from.to_owned(), ..self }
    }

    /// Standard uncertainty in coherent units.
    #[must_use]
    pub fn u_coherent(&self) -> f64 {
        self.u * self.unit.scale()
    }
}
