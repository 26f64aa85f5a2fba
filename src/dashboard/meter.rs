//! What the screen notices about each channel: how long it has been steady and how fine it is sent.

use super::text::decimals_of;
use crate::reading::{Quantity, Reading, Stamp};
use std::sync::Arc;

/// One channel of one lane.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Meter {
    channel: Arc<str>,
    /// Decimals in which the value is shown: as many as the instrument has been seen to send.
    pub(super) decimals: usize,
    since: Stamp,
    low: f64,
    high: f64,
    last: Stamp,
}

impl Meter {
    /// Takes a reading in; opens the channel when it is new.
    pub(super) fn take(meters: &mut Vec<Self>, reading: &Reading) {
        let Some(value) = reading.value.filter(|v| v.is_finite()) else { return };
        let decimals = decimals_of(value).min(most_decimals(reading.quantity));
        match meters.iter_mut().find(|m| m.channel == reading.channel) {
            Some(meter) => meter.widen(reading, value, decimals),
            None => meters.push(Self {
                channel: Arc::clone(&reading.channel),
                decimals: decimals.max(usual_decimals(reading.quantity)),
                since: reading.at,
                low: value,
                high: value,
                last: reading.at,
            }),
        }
    }

    fn widen(&mut self, reading: &Reading, value: f64, decimals: usize) {
        self.decimals = self.decimals.max(decimals);
        self.last = reading.at;
        self.low = self.low.min(value);
        self.high = self.high.max(value);
        if self.high - self.low > band(reading.quantity, value) {
            self.since = reading.at;
            (self.low, self.high) = (value, value);
        }
    }

    /// The meter of a channel.
    pub(super) fn of<'a>(meters: &'a [Self], channel: &str) -> Option<&'a Self> {
        meters.iter().find(|m| &*m.channel == channel)
    }

    /// Whole seconds for which the value has stayed within its band.
    pub(super) fn steady_s(&self) -> u64 {
        self.last.elapsed_ns.saturating_sub(self.since.elapsed_ns) / 1_000_000_000
    }
}

/// Spread within which a signal counts as steady on the screen (common practice, no source);
/// what decides whether a reading becomes a point is the procedure's own rule.
fn band(quantity: Quantity, value: f64) -> f64 {
    match quantity {
        Quantity::Ph => 0.02,
        Quantity::Emf | Quantity::Voltage => 1.0,
        Quantity::Temperature => 0.3,
        _ => (value.abs() * 0.002).max(0.001),
    }
}

/// Decimals that are shown before the instrument has shown what it sends.
const fn usual_decimals(quantity: Quantity) -> usize {
    match quantity {
        Quantity::Volume => 2,
        Quantity::Ph => 2,
        Quantity::Temperature | Quantity::Emf => 1,
        _ => 0,
    }
}

/// Decimals that are shown at most, so that the noise of a conversion does not look like resolution.
const fn most_decimals(quantity: Quantity) -> usize {
    match quantity {
        Quantity::Temperature | Quantity::Time | Quantity::Transmittance => 2,
        Quantity::Ph | Quantity::Emf | Quantity::Voltage | Quantity::Conductance => 3,
        _ => 4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{Unit, Validity};

    fn ph(seconds: f64, value: f64) -> Reading {
        Reading {
            channel: "ph".into(),
            quantity: Quantity::Ph,
            value: Some(value),
            unit: Unit::Ph,
            validity: Validity::Valid,
            steady: None,
            frame: 0,
            at: Stamp::from_seconds(seconds, 0),
        }
    }

    #[test]
    fn steadiness_counts_from_the_last_jump() {
        let mut meters = Vec::new();
        for (t, value) in [(0.0, 6.0), (1.0, 6.5), (2.0, 6.51), (5.0, 6.505)] {
            Meter::take(&mut meters, &ph(t, value));
        }
        assert_eq!(meters[0].steady_s(), 4);
        assert_eq!(meters[0].decimals, 3);
    }

    #[test]
    fn a_slow_drift_is_not_steady_for_ever() {
        let mut meters = Vec::new();
        for second in 0..100 {
            Meter::take(&mut meters, &ph(f64::from(second), 6.0 + 0.003 * f64::from(second)));
        }
        assert!(meters[0].steady_s() < 10, "{}", meters[0].steady_s());
    }
}
