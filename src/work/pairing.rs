//! Readings become points: a volume and a signal that belong together.
//!
//! Three ways a volume comes: an instrument sends it, a person keys it, a pump runs at a constant
//! rate. A table prints each volume once, and its signal counts as it stands. A stream repeats a
//! volume while the signal settles; then the settled value counts, or the last one before the next
//! volume. Which of the two a wire is shows by itself at the first repeated volume.

use super::{Settling, VolumeFrom, VolumeMark};
use crate::reading::{CurveHead, Point, Quantity, Reading, Stamp, Titrant};
use std::collections::VecDeque;

/// Signals in the order in which they are taken when the procedure names none: what carries the
/// most meaning first (a meter that sends pH sends millivolts beside it, not the other way round).
const PREFERENCE: [Quantity; 7] = [
    Quantity::Ph,
    Quantity::Emf,
    Quantity::Voltage,
    Quantity::Current,
    Quantity::Conductance,
    Quantity::Absorbance,
    Quantity::Transmittance,
];

/// Readings kept at one volume; older ones say nothing about whether the signal stands now.
const WINDOW_READINGS: usize = 256;

/// Volumes nearer than this are the same (mL or g): a thousandth of the finest burette step.
const SAME_TITRANT: f64 = 1e-6;

/// The drift at which a signal counts as settled where the bench does not say.
///
/// 20 mV/min for a quick run, told as pH by 59 mV a unit (common practice, no source).
#[must_use]
pub fn default_settling(signal: Quantity) -> Settling {
    let drift_per_min = match signal {
        Quantity::Ph => 0.34,
        Quantity::Emf | Quantity::Voltage => 20.0,
        _ => f64::INFINITY,
    };
    Settling { drift_per_min, window_s: 4.0, longest_s: 60.0 }
}

/// The signal to titrate with: the one asked for, else the most telling one that is measured.
#[must_use]
pub fn choose_signal(wanted: Option<Quantity>, measured: &[Quantity]) -> Option<Quantity> {
    wanted.or_else(|| PREFERENCE.into_iter().find(|q| measured.contains(q)))
}

/// A point and the frame that gave its signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Paired {
    /// The point.
    pub point: Point,
    /// The frame of its signal, counted on its own wire.
    pub frame: u64,
}

/// What a mark did.
#[derive(Debug, Clone, PartialEq)]
pub enum Marked {
    /// The titrant now stands at this many mL; the point before it is given if it was still open.
    Volume(Option<Paired>),
    /// The volume `from` was meant to be `to`: points that carry `from` carry `to` from now on.
    Corrected {
        /// The mistyped volume in mL.
        from: f64,
        /// What was meant, in mL.
        to: f64,
    },
}

#[derive(Debug, Clone, Copy)]
struct Sample {
    t_s: f64,
    signal: f64,
    frame: u64,
}

/// Joins readings to points for one run.
#[derive(Debug, Clone)]
pub struct Pairing {
    from: VolumeFrom,
    titrant_is: Titrant,
    signal: Quantity,
    settling: Settling,
    start_s: f64,
    titrant: Option<f64>,
    titrant_zero: Option<f64>,
    since_s: f64,
    window: VecDeque<Sample>,
    temperature_c: Option<f64>,
    repeats: bool,
    open: bool,
}

impl Pairing {
    /// A pairing for a run that starts at `start`.
    #[must_use]
    pub fn new(from: VolumeFrom, signal: Quantity, settling: Option<Settling>, start: Stamp) -> Self {
        Self {
            from,
            titrant_is: if from == VolumeFrom::Mass { Titrant::Mass } else { Titrant::Volume },
            signal,
            settling: settling.unwrap_or_else(|| default_settling(signal)),
            start_s: start.seconds(),
            titrant: None,
            titrant_zero: None,
            since_s: start.seconds(),
            window: VecDeque::new(),
            temperature_c: None,
            // A person adds titrant and waits; there is nothing to find out.
            repeats: matches!(from, VolumeFrom::Keyed { .. }),
            open: false,
        }
    }

    /// The same with what is keyed being a mass: the readings of a balance under the burette, in g.
    ///
    /// # Errors
    /// In words, when this bench cannot measure the titrant so.
    pub fn measuring(mut self, titrant: Titrant) -> Result<Self, String> {
        let fits = match (titrant, self.from) {
            (Titrant::Mass, from) => matches!(from, VolumeFrom::Mass | VolumeFrom::Keyed { .. }),
            (Titrant::Volume, from) => from != VolumeFrom::Mass,
        };
        if !fits {
            let text = match titrant {
                Titrant::Mass => {
                    "the procedure dispenses its titrant by mass, this bench measures a volume: let a balance send it (mass), or key it"
                }
                Titrant::Volume => {
                    "this bench weighs its titrant, the procedure dispenses it by volume: state the strength by mass and `dispensed_by = \"mass\"` in [reagent]"
                }
            };
            return Err(text.to_owned());
        }
        self.titrant_is = titrant;
        Ok(self)
    }

    /// What the numbers of the curve are.
    #[must_use]
    pub fn head(&self) -> CurveHead {
        CurveHead { titrant: self.titrant_is, signal: Some((self.signal, self.signal.canonical_unit())) }
    }

    /// Takes the readings of one frame; gives the points that they complete.
    pub fn take(&mut self, readings: &[Reading]) -> Vec<Paired> {
        let mut points = Vec::new();
        for reading in readings {
            let Some(value) = reading.canonical() else { continue };
            match reading.quantity {
                Quantity::Temperature => self.temperature_c = Some(value),
                Quantity::Volume if self.from == VolumeFrom::Line => {
                    points.extend(self.move_to(value, reading.at));
                }
                // A pan that still moves says nothing about the mass.
                Quantity::Mass if self.from == VolumeFrom::Mass && reading.steady != Some(false) => {
                    let zero = *self.titrant_zero.get_or_insert(value);
                    points.extend(self.move_to((value - zero).abs(), reading.at));
                }
                _ => {}
            }
        }
        // The signal of a frame belongs to the volume of the same frame, wherever it stands in it.
        let signal = readings.iter().find(|r| r.quantity == self.signal && r.canonical().is_some());
        if let Some(reading) = signal {
            points.extend(self.take_signal(reading));
        }
        points
    }

    /// Takes a volume told by a person.
    ///
    /// # Errors
    /// In words, when the mark makes no sense for this run.
    pub fn mark(&mut self, mark: VolumeMark, at: Stamp) -> Result<Marked, String> {
        let VolumeFrom::Keyed { step_ml } = self.from else {
            return Err("this bench takes its volumes from the line; nothing is keyed".to_owned());
        };
        let reading = |value: f64| {
            if value.is_finite() && (-1.0..=10_000.0).contains(&value) {
                Ok(value)
            } else {
                let unit = self.titrant_is.unit().symbol();
                Err(format!("{value} {unit} cannot be a burette reading; key it again"))
            }
        };
        match mark {
            VolumeMark::BuretteStart { reading_ml } => {
                let start = reading(reading_ml)?;
                if self.titrant.is_some_and(|v| v.abs() > SAME_TITRANT) {
                    return Err("titrant has been added already; correct the last volume instead".to_owned());
                }
                self.titrant_zero = Some(start);
                Ok(Marked::Volume(self.move_to(0.0, at)))
            }
            VolumeMark::Burette { reading_ml } => {
                let volume = reading(reading_ml)? - *self.titrant_zero.get_or_insert(0.0);
                Ok(Marked::Volume(self.move_to(volume, at)))
            }
            VolumeMark::Step => {
                let step = step_ml.ok_or("the bench names no fixed step; key the burette reading instead")?;
                let volume = self.titrant.unwrap_or(0.0) + if self.titrant.is_some() { step } else { 0.0 };
                self.titrant_zero.get_or_insert(0.0);
                Ok(Marked::Volume(self.move_to(volume, at)))
            }
            VolumeMark::Correction { reading_ml } => {
                let from = self.titrant.ok_or("no volume has been keyed yet, so there is none to correct")?;
                let to = reading(reading_ml)? - self.titrant_zero.unwrap_or(0.0);
                self.titrant = Some(to);
                Ok(Marked::Corrected { from, to })
            }
        }
    }

    /// Closes the last volume at the end of a run.
    pub fn finish(&mut self) -> Option<Paired> {
        self.close()
    }

    fn move_to(&mut self, titrant: f64, at: Stamp) -> Option<Paired> {
        if self.titrant.is_some_and(|now| (now - titrant).abs() <= SAME_TITRANT) {
            return None;
        }
        let closed = self.close();
        self.titrant = Some(titrant);
        self.since_s = at.seconds();
        self.window.clear();
        self.open = true;
        closed
    }

    fn take_signal(&mut self, reading: &Reading) -> Option<Paired> {
        let sample = Sample { t_s: reading.at.seconds(), signal: reading.canonical()?, frame: reading.frame };
        if let VolumeFrom::Rate { ml_per_min } = self.from {
            self.titrant = Some((sample.t_s - self.start_s).max(0.0) / 60.0 * ml_per_min);
            return self.point(sample);
        }
        let titrant_known = self.titrant.is_some();
        if self.window.len() == WINDOW_READINGS {
            self.window.pop_front();
        }
        self.window.push_back(sample);
        if !titrant_known {
            return None;
        }
        if !self.repeats {
            if self.open {
                self.open = false;
                return self.point(sample);
            }
            self.repeats = true;
            return None;
        }
        if self.open && self.is_settled(sample, reading.steady) {
            self.open = false;
            return self.settled_point();
        }
        None
    }

    /// Whether the signal stands: by the instrument's own mark, else by its drift.
    fn is_settled(&self, last: Sample, steady: Option<bool>) -> bool {
        let waited_s = last.t_s - self.since_s;
        if waited_s >= self.settling.longest_s {
            return true;
        }
        match steady {
            Some(said) => said,
            None => {
                waited_s >= self.settling.window_s
                    && self
                        .drift_per_min(last.t_s)
                        .is_some_and(|(drift, u)| drift.abs() - 2.0 * u <= self.settling.drift_per_min)
            }
        }
    }

    /// Slope of the signal over the window and its standard error, per minute, by least squares.
    fn drift_per_min(&self, now_s: f64) -> Option<(f64, f64)> {
        let from_s = now_s - self.settling.window_s - 0.5;
        let window: Vec<&Sample> = self.window.iter().filter(|s| s.t_s >= from_s).collect();
        let n = window.len() as f64;
        if window.len() < 3 {
            return None;
        }
        let mean_t = window.iter().map(|s| s.t_s).sum::<f64>() / n;
        let mean_s = window.iter().map(|s| s.signal).sum::<f64>() / n;
        let stt: f64 = window.iter().map(|s| (s.t_s - mean_t).powi(2)).sum();
        if stt <= 0.0 {
            return None;
        }
        let slope = window.iter().map(|s| (s.t_s - mean_t) * (s.signal - mean_s)).sum::<f64>() / stt;
        let rest: f64 = window.iter().map(|s| (s.signal - mean_s - slope * (s.t_s - mean_t)).powi(2)).sum();
        let u = (rest / (n - 2.0) / stt).sqrt();
        Some((slope * 60.0, u * 60.0))
    }

    /// The median over the settling time: a single bad reading does not pull it.
    fn settled_point(&self) -> Option<Paired> {
        let last = *self.window.back()?;
        let from_s = (last.t_s - self.settling.window_s).max(self.since_s);
        let mut recent: Vec<f64> = self.window.iter().filter(|s| s.t_s >= from_s).map(|s| s.signal).collect();
        recent.sort_by(f64::total_cmp);
        let middle = recent.len() / 2;
        let signal = match recent.len() {
            0 => last.signal,
            n if n % 2 == 1 => recent[middle],
            _ => 0.5 * (recent[middle - 1] + recent[middle]),
        };
        self.point(Sample { signal, ..last })
    }

    fn close(&mut self) -> Option<Paired> {
        if !std::mem::take(&mut self.open) {
            return None;
        }
        self.settled_point()
    }

    fn point(&self, sample: Sample) -> Option<Paired> {
        let point = Point {
            titrant: self.titrant?,
            signal: sample.signal,
            temperature_c: self.temperature_c,
            t_s: Some(sample.t_s - self.start_s),
        };
        Some(Paired { point, frame: sample.frame })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{Unit, Validity};

    fn reading(quantity: Quantity, value: f64, t_s: f64) -> Reading {
        Reading {
            channel: quantity.name().into(),
            quantity,
            value: Some(value),
            unit: quantity.canonical_unit(),
            validity: Validity::Valid,
            steady: None,
            frame: 0,
            at: Stamp::from_seconds(t_s, 0),
        }
    }

    fn volume_and_ph(volume_ml: f64, ph: f64, t_s: f64) -> [Reading; 2] {
        [reading(Quantity::Volume, volume_ml, t_s), reading(Quantity::Ph, ph, t_s)]
    }

    fn line() -> Pairing {
        Pairing::new(VolumeFrom::Line, Quantity::Ph, None, Stamp::default())
    }

    #[test]
    fn a_table_gives_a_point_for_each_row_at_once() {
        let mut pairing = line();
        for row in 0..5 {
            let points = pairing.take(&volume_and_ph(f64::from(row), 3.0, f64::from(row)));
            assert_eq!(points.len(), 1);
            assert!((points[0].point.titrant - f64::from(row)).abs() < 1e-12);
        }
    }

    #[test]
    fn a_stream_gives_the_settled_value_of_each_volume() {
        let mut pairing = line();
        let mut points = Vec::new();
        for second in 0..60 {
            let t = f64::from(second);
            let volume = f64::from(second / 15);
            // After each step the electrode runs to its value with a time constant of one second.
            let since = t - volume * 15.0;
            points.extend(pairing.take(&volume_and_ph(volume, 4.0 + volume - (-since).exp(), t)));
        }
        let got: Vec<(f64, f64)> = points.iter().map(|p| (p.point.titrant, p.point.signal)).collect();
        assert_eq!(got.len(), 4, "{got:?}");
        for (titrant, signal) in &got[1..] {
            assert!((signal - (4.0 + titrant)).abs() < 0.02, "{got:?}");
        }
    }

    #[test]
    fn keyed_volumes_wait_for_a_steady_signal_and_can_be_corrected() {
        let mut pairing =
            Pairing::new(VolumeFrom::Keyed { step_ml: None }, Quantity::Ph, None, Stamp::default());
        let at = |t| Stamp::from_seconds(t, 0);
        assert_eq!(
            pairing.mark(VolumeMark::BuretteStart { reading_ml: 0.35 }, at(0.0)),
            Ok(Marked::Volume(None))
        );
        let mut points = Vec::new();
        for second in 0..6 {
            points.extend(pairing.take(&[reading(Quantity::Ph, 3.1, f64::from(second))]));
        }
        assert_eq!(points.len(), 1);
        pairing.mark(VolumeMark::Burette { reading_ml: 11.53 }, at(6.0)).unwrap();
        let marked = pairing.mark(VolumeMark::Correction { reading_ml: 11.35 }, at(7.0)).unwrap();
        let Marked::Corrected { from, to } = marked else { panic!("{marked:?}") };
        assert!((from - 11.18).abs() < 1e-9 && (to - 11.0).abs() < 1e-9);
        let last = {
            pairing.take(&[reading(Quantity::Ph, 5.0, 8.0)]);
            pairing.finish().unwrap()
        };
        assert!((last.point.titrant - 11.0).abs() < 1e-9);
    }

    #[test]
    fn what_is_keyed_may_be_a_mass_and_a_pump_gives_none() {
        let keyed = |from| Pairing::new(from, Quantity::Ph, None, Stamp::default());
        let weighed = keyed(VolumeFrom::Keyed { step_ml: None }).measuring(Titrant::Mass).unwrap();
        assert_eq!(weighed.head().titrant.unit(), Unit::Gram);
        assert!(keyed(VolumeFrom::Rate { ml_per_min: 1.0 }).measuring(Titrant::Mass).is_err());
        assert!(keyed(VolumeFrom::Mass).measuring(Titrant::Volume).unwrap_err().contains("dispensed_by"));
    }

    #[test]
    fn a_constant_rate_makes_each_reading_a_point() {
        let mut pairing =
            Pairing::new(VolumeFrom::Rate { ml_per_min: 0.6 }, Quantity::Ph, None, Stamp::default());
        let points = pairing.take(&[reading(Quantity::Ph, 3.0, 50.0)]);
        assert!((points[0].point.titrant - 0.5).abs() < 1e-12);
    }

    #[test]
    fn a_falling_bottle_mass_counts_as_titrant_and_a_moving_pan_does_not() {
        let mut pairing = Pairing::new(VolumeFrom::Mass, Quantity::Ph, None, Stamp::default());
        let mass = |value, steady, t| Reading { steady: Some(steady), ..reading(Quantity::Mass, value, t) };
        pairing.take(&[mass(250.0, true, 0.0), reading(Quantity::Ph, 3.0, 0.0)]);
        assert!(pairing.take(&[mass(200.0, false, 1.0)]).is_empty());
        let points = pairing.take(&[mass(248.5, true, 2.0), reading(Quantity::Ph, 3.2, 2.0)]);
        assert!((points[0].point.titrant - 1.5).abs() < 1e-9);
        assert_eq!(pairing.head().titrant.unit(), Unit::Gram);
    }

    #[test]
    fn words_instead_of_a_number_never_become_a_point() {
        let mut pairing = line();
        let mut bad = volume_and_ph(1.0, 3.0, 0.0);
        bad[1].validity = Validity::NotValid("over-range".to_owned());
        assert!(pairing.take(&bad).is_empty());
    }
}
