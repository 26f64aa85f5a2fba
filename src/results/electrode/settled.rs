//! How a signal comes to rest.

use crate::numeric::line::least_squares;

/// How a signal settled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// Mean of the readings at the end.
    pub mean: f64,
    /// Standard deviation of the readings at the end about their drift.
    pub s: f64,
    /// Time from the first reading until all later ones stay within the band, in s.
    pub settle_s: f64,
    /// Drift at the end in units of the signal for each minute.
    pub drift_min: f64,
}

/// Judges how a signal came to rest: times in s (rising), values in one unit.
///
/// The end is the last `window_s` seconds (at least 4 readings); it has settled from the first reading after which all
/// stay within `band` of the mean of the end. `None` for too few readings, times that do not rise, or no numbers.
#[must_use]
pub fn settled(readings: &[(f64, f64)], window_s: f64, band: f64) -> Option<Settled> {
    let sound = readings.iter().all(|(t, v)| t.is_finite() && v.is_finite())
        && readings.windows(2).all(|pair| pair[1].0 > pair[0].0);
    let (first, last) = (readings.first()?, readings.last()?);
    if !sound {
        return None;
    }
    let end: Vec<(f64, f64)> = readings.iter().copied().filter(|(t, _)| *t >= last.0 - window_s).collect();
    if end.len() < 4 {
        return None;
    }
    let mean = end.iter().map(|(_, v)| v).sum::<f64>() / end.len() as f64;
    let rows: Vec<[f64; 2]> = end.iter().map(|(t, _)| [1.0, (t - last.0) / 60.0]).collect();
    let values: Vec<f64> = end.iter().map(|(_, v)| v - mean).collect();
    let (line, _, s) = least_squares(&rows, &values)?;
    let left = readings.iter().rposition(|(_, v)| (v - mean).abs() > band);
    let settle_s = match left {
        None => 0.0,
        Some(i) => readings.get(i + 1)?.0 - first.0,
    };
    Some(Settled { mean, s, settle_s, drift_min: line[1] })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settling_is_timed_and_drift_is_measured() {
        // Approach with 10 s, then a drift of 0.3 mV/min.
        let readings: Vec<(f64, f64)> =
            (0..120).map(f64::from).map(|t| (t, 100.0 + 20.0 * (-t / 10.0).exp() + 0.3 * t / 60.0)).collect();
        let found = settled(&readings, 30.0, 0.5).unwrap();
        assert!((found.drift_min - 0.3).abs() < 0.02, "{found:?}");
        assert!((30.0..45.0).contains(&found.settle_s), "{found:?}");
        assert_eq!(settled(&readings[..3], 30.0, 0.5), None);
        assert_eq!(settled(&[(0.0, 1.0), (0.0, 1.0), (1.0, 1.0), (2.0, 1.0)], 30.0, 0.5), None);
        assert_eq!(settled(&[], 30.0, 0.5), None);
    }
}
