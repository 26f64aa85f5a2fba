//! An electrode that is dipped from buffer to buffer: when it has settled in one, and when it has been moved on.
//!
//! Nobody needs to touch a key: a signal that rests is a buffer, a signal that leaves the rest is the way to the next.

use crate::results::electrode::{Settled, settled};

/// How it is told that a signal rests and that it has left.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DipRules {
    /// The signal must rest for so long, in s.
    pub window_s: f64,
    /// Within this of its mean, in the unit of the signal.
    pub band: f64,
    /// So far from the last rest it is in another buffer, in the unit of the signal.
    pub apart: f64,
}

impl DipRules {
    /// For millivolts: 20 s within 0.8 mV; another buffer is more than 25 mV away (common practice, no source).
    pub const MILLIVOLTS: Self = Self { window_s: 20.0, band: 0.8, apart: 25.0 };
    /// For a meter that sends only pH: 20 s within 0.01; another buffer is more than 0.4 away (common practice, no source).
    pub const PH: Self = Self { window_s: 20.0, band: 0.01, apart: 0.4 };
}

/// Readings kept of one buffer; a longer wait drops the oldest.
const KEPT: usize = 20_000;

/// One buffer as the electrode met it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dip {
    /// How it came to rest.
    pub settled: Settled,
    /// Median temperature while it rested, in degrees Celsius, if it was measured.
    pub temperature_c: Option<f64>,
    /// Readings that its end rests on.
    pub readings: usize,
}

/// Watches an electrode go from buffer to buffer.
#[derive(Debug, Clone)]
pub struct Dips {
    rules: DipRules,
    readings: Vec<(f64, f64)>,
    temperatures: Vec<f64>,
    last: Option<f64>,
    latest: Option<f64>,
}

/// How the wait for the next rest stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wait {
    /// The latest signal.
    pub signal: f64,
    /// It is still that of the buffer that was told last.
    pub still_there: bool,
    /// For so many seconds the signal has kept within the band.
    pub rests_s: f64,
    /// So long it must rest, in s.
    pub window_s: f64,
}

impl Dips {
    /// An electrode that has not been in any buffer yet.
    #[must_use]
    pub fn new(rules: DipRules) -> Self {
        Self { rules, readings: Vec::new(), temperatures: Vec::new(), last: None, latest: None }
    }

    /// How the wait for the next rest stands; `None` before the first reading.
    #[must_use]
    pub fn wait(&self) -> Option<Wait> {
        let signal = self.latest?;
        let near = |reading: &&(f64, f64)| (reading.1 - signal).abs() <= 2.0 * self.rules.band;
        let end = self.readings.last().map(|(t, _)| *t);
        let begin = self.readings.iter().rev().take_while(near).last().map(|(t, _)| *t);
        let rests_s = end.zip(begin).map_or(0.0, |(end, begin)| end - begin);
        Some(Wait { signal, still_there: self.last.is_some(), rests_s, window_s: self.rules.window_s })
    }

    /// Takes a reading: time in s, signal, temperature in degrees Celsius. Gives the buffer once the signal rests.
    pub fn take(&mut self, t_s: f64, signal: f64, temperature_c: Option<f64>) -> Option<Dip> {
        if !(t_s.is_finite() && signal.is_finite()) {
            return None;
        }
        self.latest = Some(signal);
        if let Some(last) = self.last {
            if (signal - last).abs() < self.rules.apart {
                // Still in the buffer that was told, or rinsed and put back into it.
                self.readings.clear();
                self.temperatures.clear();
                return None;
            }
            self.last = None;
        }
        if self.readings.last().is_some_and(|(before, _)| *before >= t_s) {
            return None;
        }
        if self.readings.len() == KEPT {
            self.readings.remove(0);
        }
        self.readings.push((t_s, signal));
        self.temperatures.extend(temperature_c);
        let began = self.readings.first().map_or(t_s, |(t, _)| *t);
        if t_s - began < self.rules.window_s {
            return None;
        }
        let came = settled(&self.readings, self.rules.window_s, self.rules.band)?;
        // At rest for the whole window, and not just crossing the band.
        let rests = came.settle_s <= t_s - began - self.rules.window_s
            && (came.drift_min * self.rules.window_s / 60.0).abs() <= self.rules.band;
        if !rests {
            return None;
        }
        let at_rest = self.readings.iter().filter(|(t, _)| *t >= t_s - self.rules.window_s).count();
        let recent = self.temperatures.len().saturating_sub(at_rest);
        let mut temperatures = self.temperatures.split_off(recent);
        temperatures.sort_by(f64::total_cmp);
        let temperature_c = temperatures.get(temperatures.len() / 2).copied();
        self.last = Some(came.mean);
        self.readings.clear();
        self.temperatures.clear();
        Some(Dip { settled: came, temperature_c, readings: at_rest })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An electrode of time constant 3 s that stands for a minute in each buffer.
    fn signal(levels: &[f64], t: usize) -> f64 {
        let which = t / 60;
        let before = if which == 0 { 0.0 } else { levels[which - 1] };
        let wobble = 0.1 * ((t * 7919 % 13) as f64 / 6.0 - 1.0);
        levels[which] + (before - levels[which]) * (-((t % 60) as f64) / 3.0).exp() + wobble
    }

    #[test]
    fn three_buffers_are_told_once_each_at_their_level() {
        let levels = [175.0, 5.0, -130.0];
        let mut dips = Dips::new(DipRules::MILLIVOLTS);
        let found: Vec<Dip> =
            (0..180).filter_map(|t| dips.take(t as f64, signal(&levels, t), Some(22.0))).collect();
        assert_eq!(found.len(), 3);
        for (dip, level) in found.iter().zip(levels) {
            assert!((dip.settled.mean - level).abs() < 0.3, "{dip:?}");
            assert_eq!(dip.temperature_c, Some(22.0));
            assert!(dip.settled.settle_s > 5.0 && dip.settled.settle_s < 40.0, "{dip:?}");
        }
    }

    #[test]
    fn a_signal_that_creeps_is_no_rest() {
        let mut dips = Dips::new(DipRules::MILLIVOLTS);
        assert!((0..600).all(|t| dips.take(f64::from(t), 0.2 * f64::from(t), None).is_none()));
    }

    #[test]
    fn times_that_stand_still_and_no_numbers_are_left_out() {
        let mut dips = Dips::new(DipRules::MILLIVOLTS);
        for _ in 0..100 {
            assert_eq!(dips.take(1.0, 5.0, None), None);
            assert_eq!(dips.take(f64::NAN, f64::INFINITY, None), None);
        }
        assert!(dips.readings.len() <= 1);
    }
}
