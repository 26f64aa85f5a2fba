//! The check of a meter that sends pH and no potential.

use super::{MOST_BUFFERS, NEAREST_PH, NoCheck};
use crate::numeric::line::least_squares;
use serde::{Deserialize, Serialize};

/// The check of a meter that only sends pH.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeterCheck {
    /// Reading minus buffer for each buffer, in pH.
    pub differences: Vec<f64>,
    /// Slope of the readings over the buffers; 1 for a meter that is right.
    pub slope: f64,
    /// Reading that the line gives at pH 7, minus 7.
    pub offset_ph: f64,
}

impl MeterCheck {
    /// From pairs of buffer pH and reading.
    ///
    /// # Errors
    /// As for [`super::ElectrodeCheck::of`].
    pub fn of(pairs: &[(f64, f64)]) -> Result<Self, NoCheck> {
        let n = pairs.len();
        if !(2..=MOST_BUFFERS).contains(&n) {
            return Err(NoCheck::Number(n));
        }
        if let Some(i) = pairs.iter().position(|(a, b)| !(a.is_finite() && b.is_finite())) {
            return Err(NoCheck::Figures(format!("buffer {}", i + 1)));
        }
        let (low, high) =
            pairs.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), (ph, _)| (a.min(*ph), b.max(*ph)));
        let rows: Vec<[f64; 2]> = pairs.iter().map(|(ph, _)| [1.0, ph - 7.0]).collect();
        let y: Vec<f64> = pairs.iter().map(|(_, reading)| reading - 7.0).collect();
        let line = least_squares(&rows, &y).filter(|_| high - low >= NEAREST_PH);
        let (c, _, _) = line.ok_or(NoCheck::TooNear(high - low))?;
        let differences = pairs.iter().map(|(ph, reading)| reading - ph).collect();
        Ok(Self { differences, slope: c[1], offset_ph: c[0] })
    }

    /// Size of the largest difference in pH.
    #[must_use]
    pub fn largest(&self) -> f64 {
        self.differences.iter().fold(0.0, |m, d| m.max(d.abs()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_meter_that_sends_ph_is_checked_as_ph() {
        let check = MeterCheck::of(&[(4.01, 4.05), (6.87, 6.86), (9.18, 9.13)]).unwrap();
        assert!((check.largest() - 0.05).abs() < 1e-9);
        assert!((check.slope - 0.983).abs() < 0.002, "{}", check.slope);
        assert!(MeterCheck::of(&[(7.0, 7.0)]).is_err());
        assert!(MeterCheck::of(&[(7.0, 7.0), (7.1, 7.1)]).is_err());
        assert!(MeterCheck::of(&[(7.0, f64::NAN), (4.0, 7.1)]).is_err());
    }
}
