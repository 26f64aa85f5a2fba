//! The check of an electrode against buffers, and potentials turned into pH with it.
//!
//! The model is the straight line E = E7 + slope (pH - 7): E7 is the potential at pH 7, the slope is negative for a glass
//! electrode and is told by its size and as a share of the Nernst slope RT ln 10 / F at the temperature of the buffers.

mod convert;
mod meter;
mod settled;

pub use convert::{EnteredLine, Isopotential};
pub use meter::MeterCheck;
pub use settled::{Settled, settled};

use crate::chemistry::constants::{CELSIUS_ZERO, nernst_slope_mv};
use crate::numeric::line::least_squares;
use serde::{Deserialize, Serialize};

/// Largest difference of the buffers in temperature for one line, in degrees (common practice, no source).
const WARMEST_APART: f64 = 2.0;
/// Smallest distance of the outermost buffers in pH from which a slope is taken (common practice, no source).
const NEAREST_PH: f64 = 1.0;
/// Most buffers of one check.
const MOST_BUFFERS: usize = 12;

/// One buffer as it was measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BufferReading {
    /// Name of the buffer, for messages.
    pub name: String,
    /// pH of the buffer at its temperature, and its standard uncertainty.
    pub ph: f64,
    /// Standard uncertainty of `ph`; above zero.
    pub u_ph: f64,
    /// Temperature in degrees Celsius.
    pub temperature_c: f64,
    /// Potential in mV once it had settled.
    pub emf_mv: f64,
    /// Standard uncertainty of `emf_mv`.
    pub u_mv: f64,
    /// Drift at the end in mV/min, where it was watched.
    pub drift_mv_min: Option<f64>,
    /// Time until it had settled in s, where it was watched.
    pub settle_s: Option<f64>,
}

/// Why there is no line.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoCheck {
    /// Too few or too many buffers.
    #[error("{0} buffers were measured; an electrode is checked with 2 to {MOST_BUFFERS}")]
    Number(usize),
    /// Buffers that are too near to each other.
    #[error("the buffers are only {0:.2} pH apart; use two that are at least {NEAREST_PH} pH apart")]
    TooNear(f64),
    /// Buffers of different temperature.
    #[error(
        "the buffers are {0:.1} degrees apart; bring them to one temperature within {WARMEST_APART} degrees"
    )]
    Temperatures(f64),
    /// A figure that is no number, or an uncertainty that is not above zero.
    #[error("the reading of {0} cannot be used; check its pH, potential, temperature and uncertainties")]
    Figures(String),
}

/// The outcome of a check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ElectrodeCheck {
    /// Mean temperature of the buffers in degrees Celsius.
    pub temperature_c: f64,
    /// Potential at pH 7 in mV: the offset.
    pub zero_mv: f64,
    /// Slope in mV for each pH, negative for a glass electrode.
    pub slope_mv: f64,
    /// Variance of `zero_mv`, covariance, variance of `slope_mv`, in mV squared.
    pub covariance: [f64; 3],
    /// Degrees of freedom of the covariance: infinite when the stated uncertainties explain the residuals.
    #[serde(with = "crate::results::degrees")]
    pub degrees: f64,
    /// pH at which the potential is zero.
    pub zero_ph: f64,
    /// Residual of each buffer in mV and in pH, in the order of the readings.
    pub residuals: Vec<(f64, f64)>,
    /// Size of the largest drift in mV/min, where any was watched.
    pub drift_mv_min: Option<f64>,
    /// Longest time to settle in s, where any was watched.
    pub settle_s: Option<f64>,
}

impl ElectrodeCheck {
    /// The weighted straight line through the buffers.
    ///
    /// Weights are the inverse squares of the uncertainty in potential, that of the buffer's pH included by the slope.
    /// With three buffers or more the covariance grows with the residuals when they are larger than the stated
    /// uncertainties (R. T. Birge, Phys. Rev. 40 (1932) 207); it never becomes smaller.
    ///
    /// # Errors
    /// Too few buffers, too near in pH, too far in temperature, or figures that are no numbers.
    pub fn of(readings: &[BufferReading]) -> Result<Self, NoCheck> {
        let n = readings.len();
        if !(2..=MOST_BUFFERS).contains(&n) {
            return Err(NoCheck::Number(n));
        }
        for r in readings {
            let sound = [r.ph, r.u_ph, r.temperature_c, r.emf_mv, r.u_mv].iter().all(|v| v.is_finite())
                && r.u_ph >= 0.0
                && r.u_mv >= 0.0
                && r.u_ph + r.u_mv > 0.0
                && r.temperature_c > -CELSIUS_ZERO;
            if !sound {
                return Err(NoCheck::Figures(r.name.clone()));
            }
        }
        let spread = |of: fn(&BufferReading) -> f64| {
            let values = readings.iter().map(of);
            values.clone().fold(f64::NEG_INFINITY, f64::max) - values.fold(f64::INFINITY, f64::min)
        };
        if spread(|r| r.temperature_c) > WARMEST_APART {
            return Err(NoCheck::Temperatures(spread(|r| r.temperature_c)));
        }
        if spread(|r| r.ph) < NEAREST_PH {
            return Err(NoCheck::TooNear(spread(|r| r.ph)));
        }
        let temperature_c = readings.iter().map(|r| r.temperature_c).sum::<f64>() / n as f64;
        let mut slope_mv = -nernst_slope_mv(temperature_c);
        let mut line = None;
        // The weights need the slope: it is settled after the second pass.
        for _ in 0..3 {
            line = weighted(readings, slope_mv);
            slope_mv = line.as_ref().map_or(slope_mv, |l| l.0[1]);
        }
        let (c, inverse, scale) = line.ok_or(NoCheck::TooNear(spread(|r| r.ph)))?;
        let grown = n > 2 && scale > 1.0;
        let variance = if grown { scale * scale } else { 1.0 };
        let residuals = readings
            .iter()
            .map(|r| {
                let mv = r.emf_mv - (c[0] + c[1] * (r.ph - 7.0));
                (mv, mv / c[1])
            })
            .collect();
        let largest = |of: fn(&BufferReading) -> Option<f64>| {
            readings.iter().filter_map(of).map(f64::abs).filter(|v| v.is_finite()).reduce(f64::max)
        };
        Ok(Self {
            temperature_c,
            zero_mv: c[0],
            slope_mv: c[1],
            covariance: [inverse[0] * variance, inverse[1] * variance, inverse[2] * variance],
            degrees: if grown { (n - 2) as f64 } else { f64::INFINITY },
            zero_ph: 7.0 - c[0] / c[1],
            residuals,
            drift_mv_min: largest(|r| r.drift_mv_min),
            settle_s: largest(|r| r.settle_s),
        })
    }

    /// The slope as a share of the Nernst slope at the temperature of the buffers, in per cent.
    #[must_use]
    pub fn slope_percent(&self) -> f64 {
        -100.0 * self.slope_mv / nernst_slope_mv(self.temperature_c)
    }

    /// Standard uncertainty of [`ElectrodeCheck::slope_percent`].
    #[must_use]
    pub fn u_slope_percent(&self) -> f64 {
        100.0 * self.covariance[2].max(0.0).sqrt() / nernst_slope_mv(self.temperature_c)
    }

    /// Size of the largest residual in pH.
    #[must_use]
    pub fn largest_residual_ph(&self) -> f64 {
        self.residuals.iter().fold(0.0, |m, (_, ph)| m.max(ph.abs()))
    }

    /// Holds the check against limits.
    #[must_use]
    pub fn judge(&self, limits: &ElectrodeLimits) -> Vec<Judged> {
        let within = |what: &'static str, unit: &'static str, value: f64, (from, to): (f64, f64)| Judged {
            what,
            passes: (from..=to).contains(&value),
            words: format!("{what} {value:.1} {unit}, allowed {from} to {to} {unit}"),
        };
        let at_most = |what: &'static str, unit: &'static str, value: f64, most: f64| Judged {
            what,
            passes: value <= most,
            words: format!("{what} {value:.3} {unit}, allowed at most {most} {unit}"),
        };
        let unwatched = |what: &'static str| Judged {
            what,
            passes: false,
            words: format!("{what} was not watched, so its limit cannot be kept"),
        };
        let watched = |what, unit, value: Option<f64>, most: f64| match value {
            Some(value) => at_most(what, unit, value, most),
            None => unwatched(what),
        };
        let mut judged = Vec::new();
        judged.extend(limits.slope_percent.map(|l| within("slope", "%", self.slope_percent(), l)));
        judged.extend(limits.zero_mv.map(|l| within("potential at pH 7", "mV", self.zero_mv, l)));
        // Two buffers lie on their line whatever they are: a residual says nothing then.
        judged.extend(
            limits
                .residual_most_ph
                .filter(|_| self.residuals.len() > 2)
                .map(|most| at_most("largest residual", "pH", self.largest_residual_ph(), most)),
        );
        judged
            .extend(limits.drift_most_mv_min.map(|most| watched("drift", "mV/min", self.drift_mv_min, most)));
        judged.extend(limits.settle_most_s.map(|most| watched("time to settle", "s", self.settle_s, most)));
        judged
    }
}

/// Coefficients at pH 7, upper triangle of the inverse normal matrix, residual deviation.
type Fitted = ([f64; 2], [f64; 3], f64);

fn weighted(readings: &[BufferReading], slope: f64) -> Option<Fitted> {
    let weight = |r: &BufferReading| 1.0 / r.u_mv.hypot(slope * r.u_ph);
    let rows: Vec<[f64; 2]> = readings.iter().map(|r| [weight(r), weight(r) * (r.ph - 7.0)]).collect();
    let y: Vec<f64> = readings.iter().map(|r| weight(r) * r.emf_mv).collect();
    let (c, inverse, scale) = least_squares(&rows, &y)?;
    Some((c, [inverse[(0, 0)], inverse[(0, 1)], inverse[(1, 1)]], scale))
}

/// Limits of an electrode check; what is `None` is not judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ElectrodeLimits {
    /// Slope in per cent of the Nernst slope, from and to.
    pub slope_percent: Option<(f64, f64)>,
    /// Potential at pH 7 in mV, from and to.
    pub zero_mv: Option<(f64, f64)>,
    /// Largest residual of a buffer in pH.
    pub residual_most_ph: Option<f64>,
    /// Largest drift in mV/min.
    pub drift_most_mv_min: Option<f64>,
    /// Longest time to settle in s.
    pub settle_most_s: Option<f64>,
}

impl Default for ElectrodeLimits {
    /// Slope 90 to 105 per cent and offset within 30 mV: USP <791> (USP 39). Residual of 0.05 pH: what USP <791> and the
    /// European Pharmacopoeia 2.2.3 allow for the verification buffer, from memory. Drift and time are left to the laboratory.
    fn default() -> Self {
        Self {
            slope_percent: Some((90.0, 105.0)),
            zero_mv: Some((-30.0, 30.0)),
            residual_most_ph: Some(0.05),
            drift_most_mv_min: None,
            settle_most_s: None,
        }
    }
}

/// One limit and how it was kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Judged {
    /// What was judged.
    pub what: &'static str,
    /// Whether it is within its limits.
    pub passes: bool,
    /// Value and limits in words.
    pub words: String,
}

/// Readings that an electrode of known slope and offset would give.
#[cfg(test)]
mod example {
    use super::BufferReading;
    use crate::chemistry::buffers::Buffer;
    use crate::chemistry::constants::nernst_slope_mv;

    pub(super) fn reading(name: &str, temperature_c: f64, emf_mv: f64) -> BufferReading {
        let ph = Buffer::find("pharmacopoeia", name).unwrap().ph(temperature_c).unwrap();
        BufferReading {
            name: name.to_owned(),
            ph,
            u_ph: 0.005,
            temperature_c,
            emf_mv,
            u_mv: 0.1,
            drift_mv_min: Some(0.1),
            settle_s: Some(25.0),
        }
    }

    /// An electrode of 98 per cent and 5 mV by construction.
    pub(super) fn three(temperature_c: f64) -> Vec<BufferReading> {
        ["phthalate", "phosphate", "borax"]
            .map(|name| {
                let mut r = reading(name, temperature_c, 0.0);
                r.emf_mv = 5.0 - 0.98 * nernst_slope_mv(temperature_c) * (r.ph - 7.0);
                r
            })
            .into()
    }
}

#[cfg(test)]
mod tests {
    use super::example::three;
    use super::*;

    #[test]
    fn slope_and_offset_come_back() {
        for t in [15.0, 20.0, 25.0, 35.0] {
            let check = ElectrodeCheck::of(&three(t)).unwrap();
            assert!((check.slope_percent() - 98.0).abs() < 1e-9 && (check.zero_mv - 5.0).abs() < 1e-9);
            assert!((check.zero_ph - (7.0 + 5.0 / (0.98 * nernst_slope_mv(t)))).abs() < 1e-9);
            assert!(check.largest_residual_ph() < 1e-9);
            assert!(check.judge(&ElectrodeLimits::default()).iter().all(|j| j.passes));
            assert!(check.degrees.is_infinite());
        }
    }

    #[test]
    fn each_limit_has_its_words() {
        let mut readings = three(25.0);
        readings[1].emf_mv += 6.0;
        for r in &mut readings {
            r.emf_mv += 40.0;
        }
        readings[0].settle_s = Some(90.0);
        let limits = ElectrodeLimits {
            drift_most_mv_min: Some(0.05),
            settle_most_s: Some(60.0),
            ..ElectrodeLimits::default()
        };
        let check = ElectrodeCheck::of(&readings).unwrap();
        let failed: Vec<&str> = check.judge(&limits).iter().filter(|j| !j.passes).map(|j| j.what).collect();
        assert_eq!(failed, ["potential at pH 7", "largest residual", "drift", "time to settle"]);
        assert!((check.degrees - 1.0).abs() < 1e-12, "a residual beyond the uncertainties widens the line");
        let words = &check.judge(&limits)[0].words;
        assert!(words.starts_with("slope 97.9 %") && words.ends_with("allowed 90 to 105 %"), "{words}");
        readings.truncate(2);
        for r in &mut readings {
            r.drift_mv_min = None;
        }
        let judged = ElectrodeCheck::of(&readings).unwrap().judge(&limits);
        assert!(judged.iter().all(|j| j.what != "largest residual"));
        assert!(judged.iter().any(|j| j.words.contains("drift was not watched") && !j.passes));
    }

    #[test]
    fn what_cannot_be_a_check_is_told() {
        let two = three(25.0)[..2].to_vec();
        assert_eq!(ElectrodeCheck::of(&two[..1]), Err(NoCheck::Number(1)));
        let mut near = two.clone();
        near[1].ph = near[0].ph + 0.5;
        assert!(matches!(ElectrodeCheck::of(&near), Err(NoCheck::TooNear(_))));
        let mut warm = two.clone();
        warm[1].temperature_c = 30.0;
        assert!(matches!(ElectrodeCheck::of(&warm), Err(NoCheck::Temperatures(_))));
        for wrong in [f64::NAN, f64::INFINITY, -0.1] {
            let mut bad = two.clone();
            bad[1].u_mv = wrong;
            assert!(matches!(ElectrodeCheck::of(&bad), Err(NoCheck::Figures(_))));
        }
    }
}
