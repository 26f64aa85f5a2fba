//! What the record knows beside runs, as it holds at one moment: equipment, factors, blanks, electrode checks.

use super::{Equipment, EquipmentKind, Origin};
use crate::work::result::InputSource;
use serde::{Deserialize, Serialize};

/// Kinds of documents that the program itself writes.
pub mod kind {
    /// The strength of a titrant, by the name of its lot.
    pub const FACTOR: &str = "factor";
    /// A blank, by `procedure id / end-point / run`.
    pub const BLANK: &str = "blank";
    /// An electrode check, by the name of the electrode.
    pub const CHECK: &str = "electrode_check";
    /// The result of a portion, by `run N`.
    pub const RESULT: &str = "result";
    /// The accepted result of a sample in a series, by `series / sample`.
    pub const ACCEPTED: &str = "accepted";
    /// What a sample of the simulated bench came to, accepted as practice, by `series / sample`.
    pub const PRACTISED: &str = "practised";
    /// Which evaluation of a run is the reported one, by `run N`.
    pub const REPORTED: &str = "reported";
    /// What the fit of a run found, by `run N`.
    pub const FIT: &str = "fit";
    /// A step of preparation or care, done or skipped, by series and step.
    pub const STEP: &str = "step";
}

/// A document of the record with its number and time.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept<T> {
    /// Its number in the record; 0 for one that is not in a record.
    pub datum: i64,
    /// When it was made, microseconds since 1970 UTC.
    pub utc_us: i64,
    /// Who made it.
    pub who: String,
    /// The document.
    pub it: T,
}

/// The strength of a titrant as found by a standardisation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Factor {
    /// The lot of the titrant.
    pub lot: String,
    /// The strength in `unit`.
    pub value: f64,
    /// Standard uncertainty in `unit`.
    pub u: f64,
    /// The unit.
    pub unit: String,
    /// True over nominal strength, where the lot has a nominal one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub factor: Option<f64>,
    /// The series that it was found in.
    pub series: String,
    /// The procedure, by id and revision.
    pub procedure: String,
    /// Where the data of its portions came from; a simulated factor serves simulated runs only.
    pub origin: Origin,
    /// How many portions.
    pub n: usize,
    /// Standard deviation of the portions in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub s: Option<f64>,
    /// Sources of its uncertainty.
    pub sources: Vec<InputSource>,
}

/// A blank as it was titrated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlankValue {
    /// The procedure's id.
    pub procedure: String,
    /// The end-point's name.
    pub find: String,
    /// The series that it belongs to.
    pub series: String,
    /// The run.
    pub run: i64,
    /// In mL or g.
    pub value: f64,
    /// Standard uncertainty of the end-point in mL or g.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u: Option<f64>,
    /// Set aside by a person: it does not count.
    #[serde(default)]
    pub set_aside: bool,
}

/// An electrode check, as far as runs and reports need it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CheckRecord {
    /// The electrode.
    pub electrode: String,
    /// Slope in mV a pH unit.
    pub slope_mv: f64,
    /// Its standard uncertainty.
    pub u_slope_mv: f64,
    /// Slope in per cent of the Nernst slope at that temperature.
    pub slope_percent: f64,
    /// Potential at pH 7 in mV.
    pub zero_mv: f64,
    /// Its standard uncertainty.
    pub u_zero_mv: f64,
    /// Covariance of slope and potential at pH 7 in mV squared.
    pub covariance: f64,
    /// The pH at which the electrode gives 0 mV.
    pub zero_ph: f64,
    /// Temperature in degrees Celsius.
    pub temperature_c: f64,
    /// Accepted by the limits of the lab.
    pub accepted: bool,
    /// What the limits said, one sentence each.
    pub words: Vec<String>,
    /// Buffers: name, pH at the temperature, reading, residual in mV, drift in mV/min, time to settle in s.
    pub buffers: Vec<BufferRecord>,
}

impl CheckRecord {
    /// Standard uncertainty of a pH by this check: of the line through the buffers, grown by their residuals; of a meter
    /// that sends only pH, its largest difference from a buffer as the limit of a rectangular distribution.
    #[must_use]
    pub fn u_ph(&self, ph: f64) -> f64 {
        if self.u_slope_mv > 0.0 || self.u_zero_mv > 0.0 {
            let x = ph - 7.0;
            let variance = self.u_zero_mv.powi(2) + 2.0 * x * self.covariance + (x * self.u_slope_mv).powi(2);
            let u_ph = variance.max(0.0).sqrt() / self.slope_mv.abs();
            return if u_ph.is_finite() { u_ph } else { 0.0 };
        }
        self.buffers.iter().fold(0.0_f64, |most, buffer| most.max(buffer.residual.abs())) / 3.0_f64.sqrt()
    }
}

/// One buffer of an electrode check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BufferRecord {
    /// The buffer.
    pub name: String,
    /// Its pH at the temperature of the check.
    pub ph: f64,
    /// What the instrument showed: mV, or pH of a meter that gives no mV.
    pub reading: f64,
    /// Difference from the line, in the unit of the reading.
    pub residual: f64,
    /// Drift at the end, in the unit of the reading a minute.
    pub drift_per_min: Option<f64>,
    /// Time to settle in s.
    pub settled_s: Option<f64>,
    /// Temperature in degrees Celsius.
    pub temperature_c: Option<f64>,
}

/// Everything that a result or a readiness check may look up.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Stock {
    /// The versions that hold.
    pub equipment: Vec<Kept<Equipment>>,
    /// All factors, the oldest first.
    pub factors: Vec<Kept<Factor>>,
    /// All blanks, the oldest first.
    pub blanks: Vec<Kept<BlankValue>>,
    /// All electrode checks, the oldest first.
    pub checks: Vec<Kept<CheckRecord>>,
}

impl Stock {
    /// A piece of equipment by its name.
    #[must_use]
    pub fn named(&self, kind: EquipmentKind, name: &str) -> Option<&Kept<Equipment>> {
        self.equipment.iter().find(|kept| kept.it.kind == kind && kept.it.name == name)
    }

    /// The pieces of a kind that are in use.
    pub fn of(&self, kind: EquipmentKind) -> impl Iterator<Item = &Kept<Equipment>> {
        self.equipment.iter().filter(move |kept| kept.it.kind == kind && !kept.it.retired)
    }

    /// The piece of a kind, when there is only one that fits.
    #[must_use]
    pub fn only(&self, kind: EquipmentKind, fits: impl Fn(&Equipment) -> bool) -> Option<&Kept<Equipment>> {
        let mut fitting = self.of(kind).filter(|kept| fits(&kept.it));
        let first = fitting.next()?;
        fitting.next().is_none().then_some(first)
    }

    /// The latest factor of a lot at a moment. For a real run a simulated factor is none.
    #[must_use]
    pub fn factor(&self, lot: &str, utc_us: i64, real: bool) -> Option<&Kept<Factor>> {
        let fits = |kept: &&Kept<Factor>| {
            kept.it.lot == lot && kept.utc_us <= utc_us && (!real || kept.it.origin.is_real())
        };
        self.factors.iter().rfind(fits)
    }

    /// The latest check of an electrode at a moment.
    #[must_use]
    pub fn check(&self, electrode: &str, utc_us: i64) -> Option<&Kept<CheckRecord>> {
        self.checks.iter().rfind(|kept| kept.it.electrode == electrode && kept.utc_us <= utc_us)
    }
}

/// Whether documents of this kind follow from runs alone: nobody enters them.
#[must_use]
pub fn is_computed(of: &str) -> bool {
    [kind::RESULT, kind::BLANK, kind::FIT].contains(&of)
}
