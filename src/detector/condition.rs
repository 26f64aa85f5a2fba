//! From a curve as recorded to points that a model may be fitted to, with their noise.
//!
//! Repeats, disorder, refills and spikes are sorted out by rule, and each rule that was used is said in words.

use super::noise;
use crate::reading::Curve;

/// How the titrant was added, as far as the volumes show it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Dosing {
    /// In steps, each followed by a wait.
    Steps,
    /// At a constant rate while the signal is read.
    Continuous,
    /// By hand, the volume read from a scale.
    Hand,
}

/// Points in rising order of titrant, with what is known about their errors.
#[derive(Debug, Clone)]
pub(super) struct Points {
    /// Titrant added (mL or g).
    pub(super) titrant: Vec<f64>,
    /// Signal in the unit of the curve.
    pub(super) signal: Vec<f64>,
    /// Times in seconds, where every point has one.
    pub(super) time_s: Option<Vec<f64>>,
    /// Mean temperature in degrees Celsius; 25 where none was measured.
    pub(super) temperature_c: f64,
    /// Standard deviation of the signal.
    pub(super) u_signal: f64,
    /// Standard deviation of one titrant reading.
    pub(super) u_titrant: f64,
    /// How the titrant was added.
    pub(super) dosing: Dosing,
    /// What was sorted out, in words.
    pub(super) notes: Vec<String>,
}

/// A group of at least so many readings at one volume is a settling electrode, not a set of repeats.
const SETTLING_GROUP: usize = 4;
/// A signal further than this many noise scales outside both neighbours is a spike.
const SPIKE: f64 = 8.0;

/// A motor stops at whole steps and the display shows them: it is off by less than the rounding of any volume would be,
/// by this part of that (common practice, no source).
const OF_A_MOTOR: f64 = 0.5;
/// What an eye misses on a scale before the reading is rounded, in divisions (common practice, no source).
const BY_EYE: f64 = 0.2;
/// So many repeats of a reading are looked at as a display that stands still.
const STUCK: usize = 3;

#[derive(Clone, Copy)]
struct Row {
    titrant: f64,
    signal: f64,
    time_s: f64,
}

impl Points {
    /// Sorts the points of a curve out. `None` if fewer than three usable points remain.
    pub(super) fn of(curve: &Curve) -> Option<Self> {
        let mut notes = Vec::new();
        let mut rows: Vec<Row> = Vec::with_capacity(curve.points.len());
        let mut temperature = (0.0, 0.0);
        for point in &curve.points {
            if !(usable(point.titrant) && usable(point.signal)) {
                continue;
            }
            let time_s = point.t_s.filter(|t| usable(*t)).unwrap_or(f64::NAN);
            rows.push(Row { titrant: point.titrant, signal: point.signal, time_s });
            if let Some(t) = point.temperature_c.filter(|t| (-30.0..=150.0).contains(t)) {
                temperature = (temperature.0 + t, temperature.1 + 1.0);
            }
        }
        let lost = curve.points.len() - rows.len();
        if lost > 0 {
            notes.push(format!("{lost} points without a usable number were left out"));
        }
        order_by_time(&mut rows, &mut notes);
        join_refills(&mut rows, &mut notes);
        order_by_titrant(&mut rows, &mut notes);
        let rows = settle(rows, &mut notes);
        if rows.len() < 3 {
            return None;
        }
        let titrant: Vec<f64> = rows.iter().map(|r| r.titrant).collect();
        let signal: Vec<f64> = rows.iter().map(|r| r.signal).collect();
        let time_s =
            rows.iter().all(|r| r.time_s.is_finite()).then(|| rows.iter().map(|r| r.time_s).collect());
        let (dosing, u_titrant) = dosing(&titrant, time_s.as_deref());
        let u_signal = noise::scale(&titrant, &signal);
        let temperature_c = if temperature.1 > 0.0 { temperature.0 / temperature.1 } else { 25.0 };
        Some(Self { titrant, signal, time_s, temperature_c, u_signal, u_titrant, dosing, notes })
    }

    /// Number of points.
    pub(super) fn len(&self) -> usize {
        self.titrant.len()
    }

    /// The points without spikes and stuck readings: for a signal that is not expected to turn back.
    pub(super) fn without_spikes(mut self) -> Self {
        let keep = not_spikes(&self.titrant, &self.signal, self.u_signal, &mut self.notes);
        self.keep(&keep).without_stuck()
    }

    /// The points without stuck readings.
    pub(super) fn without_stuck(mut self) -> Self {
        let keep = not_stuck(&self.titrant, &self.signal, self.u_signal, &mut self.notes);
        self.keep(&keep)
    }

    fn keep(mut self, keep: &[bool]) -> Self {
        if keep.iter().all(|k| *k) {
            return self;
        }
        let pick = |values: &[f64]| {
            values.iter().zip(keep).filter(|(_, k)| **k).map(|(v, _)| *v).collect::<Vec<f64>>()
        };
        self.titrant = pick(&self.titrant);
        self.signal = pick(&self.signal);
        self.time_s = self.time_s.as_deref().map(pick);
        self.u_signal = noise::scale(&self.titrant, &self.signal);
        self
    }

    /// Titrant from first to last point.
    pub(super) fn range(&self) -> f64 {
        self.titrant[self.len() - 1] - self.titrant[0]
    }
}

/// Finite and of a size that squares without overflow.
fn usable(value: f64) -> bool {
    value.is_finite() && value.abs() < 1e9
}

/// Lines that came out of order are put back by their times, where all have one.
fn order_by_time(rows: &mut [Row], notes: &mut Vec<String>) {
    if rows.iter().any(|r| r.time_s.is_nan()) {
        return;
    }
    let moved = rows.windows(2).filter(|w| w[1].time_s < w[0].time_s).count();
    if moved > 0 {
        rows.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        notes.push(format!("lines out of order in {moved} places, put back by their times"));
    }
}

/// A burette that was refilled starts again near zero: what was given before is added.
fn join_refills(rows: &mut [Row], notes: &mut Vec<String>) {
    let (low, high) =
        rows.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), r| (l.min(r.signal), h.max(r.signal)));
    let span = high - low;
    let mut given = 0.0;
    let mut refills = 0_usize;
    for i in 1..rows.len() {
        let before = rows[i - 1].titrant - given;
        let now = rows[i].titrant;
        // A line out of order or a mistyped volume is followed by one beyond the last; a new filling is not.
        let next = &rows[i..rows.len().min(i + 4)];
        let goes_on = next.len() >= 3
            && next.windows(2).all(|w| w[1].titrant >= w[0].titrant)
            && next.iter().all(|r| r.titrant < before);
        let restarts = before > 0.0 && now < 0.5 * before && goes_on;
        // After a refill the signal goes on where it was; a mistyped volume or a second run does not.
        let step = (rows[i].signal - rows[i - 1].signal).abs();
        if restarts && step < 0.2 * span {
            given += before;
            refills += 1;
        }
        rows[i].titrant += given;
    }
    if refills > 0 {
        notes.push(format!("burette refilled {refills} times: what was given before was added"));
    }
}

fn order_by_titrant(rows: &mut [Row], notes: &mut Vec<String>) {
    let falls = rows.windows(2).filter(|w| w[1].titrant < w[0].titrant).count();
    if falls > 0 {
        rows.sort_by(|a, b| a.titrant.total_cmp(&b.titrant));
        notes.push(format!("the titrant falls in {falls} places: points sorted by titrant"));
    }
}

/// One point for each group of readings at one volume: repeated lines count once, a settling electrode by its last readings.
fn settle(rows: Vec<Row>, notes: &mut Vec<String>) -> Vec<Row> {
    let mut kept: Vec<Row> = Vec::with_capacity(rows.len());
    let (mut repeated, mut settled) = (0_usize, 0_usize);
    for group in rows.chunk_by(|a, b| a.titrant.total_cmp(&b.titrant).is_eq()) {
        if group.len() >= SETTLING_GROUP {
            let last = &group[group.len() - (group.len() / 4).max(1)..];
            let n = last.len() as f64;
            kept.push(Row {
                titrant: group[0].titrant,
                signal: last.iter().map(|r| r.signal).sum::<f64>() / n,
                time_s: last.iter().map(|r| r.time_s).sum::<f64>() / n,
            });
            settled += 1;
        } else {
            for (i, row) in group.iter().enumerate() {
                if group[..i].iter().any(|r| r.signal.total_cmp(&row.signal).is_eq()) {
                    repeated += 1;
                } else {
                    kept.push(*row);
                }
            }
        }
    }
    if repeated > 0 {
        notes.push(format!("{repeated} repeated lines count once"));
    }
    if settled > 0 {
        notes.push(format!("{settled} volumes with many readings: the mean of the last quarter was taken"));
    }
    kept
}

/// Points far outside both neighbours, where the neighbours agree, are spikes: an end-point does not come back.
fn not_spikes(titrant: &[f64], signal: &[f64], u_signal: f64, notes: &mut Vec<String>) -> Vec<bool> {
    let n = titrant.len();
    let mut keep = vec![true; n];
    if n < 8 {
        return keep;
    }
    // Single readings, then two in a row.
    for width in [1, 2] {
        for i in 1..n - width {
            let (before, behind) = (signal[i - 1], signal[i + width]);
            let apart = (behind - before).abs().max(SPIKE * u_signal);
            let group = &signal[i..i + width];
            let above = group.iter().all(|x| x - before > apart && x - behind > apart);
            let below = group.iter().all(|x| before - x > apart && behind - x > apart);
            let free = keep[i - 1..=i + width].iter().all(|k| *k);
            if (above || below) && free {
                keep[i..i + width].fill(false);
            }
        }
    }
    let places: Vec<String> = (0..n).filter(|i| !keep[*i]).map(|i| format!("{:.3}", titrant[i])).collect();
    // More than a tenth of all points is not a few spikes but a signal that we do not understand.
    if places.len() * 10 > n {
        return vec![true; n];
    }
    if !places.is_empty() {
        notes.push(format!(
            "{} spikes left out, at {}",
            places.len(),
            places[..places.len().min(5)].join(", ")
        ));
    }
    keep
}

/// A display that stands still while the signal must have moved: of each such stretch only the first point is kept.
fn not_stuck(titrant: &[f64], signal: &[f64], u_signal: f64, notes: &mut Vec<String>) -> Vec<bool> {
    let n = titrant.len();
    let mut keep = vec![true; n];
    let mut first = 0;
    while first < n {
        let mut last = first;
        while last + 1 < n && signal[last + 1].total_cmp(&signal[first]).is_eq() {
            last += 1;
        }
        if last >= first + STUCK && first >= 2 && last + 2 < n {
            let slope = |i: usize, j: usize| (signal[j] - signal[i]) / (titrant[j] - titrant[i]);
            let (before, behind) = (slope(first - 2, first), slope(last + 1, last + 2));
            let missed = before.abs().min(behind.abs()) * (titrant[last] - titrant[first]);
            let caught_up = (signal[last + 1] - signal[last]).abs();
            if before * behind > 0.0 && missed > 4.0 * u_signal && caught_up > 0.7 * missed {
                keep[first + 1..=last].fill(false);
                notes.push(format!(
                    "the signal stood still from {:.3} to {:.3} and then caught up (sticking electrode or display)",
                    titrant[first], titrant[last]
                ));
            }
        }
        first = last + 1;
    }
    keep
}

/// How the titrant was added, and the standard deviation of one volume reading.
fn dosing(titrant: &[f64], time_s: Option<&[f64]>) -> (Dosing, f64) {
    let resolution = noise::resolution(titrant);
    let steps: Vec<f64> = titrant.windows(2).map(|w| w[1] - w[0]).filter(|s| *s > 0.0).collect();
    let mut different: Vec<i64> = Vec::new();
    for step in &steps {
        #[expect(clippy::cast_possible_truncation, reason = "saturates; only compared for equality")]
        let length = (step / resolution).round() as i64;
        if different.len() < 8 && !different.contains(&length) {
            different.push(length);
        }
    }
    let range = titrant[titrant.len() - 1] - titrant[0];
    // A piston burette resolves about a ten-thousandth of what it gives; equal steps say nothing about the scale.
    if resolution > 2e-4 * range && different.len() > 3 {
        return (Dosing::Hand, resolution * 12_f64.sqrt().recip().hypot(BY_EYE));
    }
    let continuous = time_s.is_some_and(|t| steady_rate(titrant, t));
    let u = OF_A_MOTOR * resolution.clamp(1e-6 * range, 1e-4 * range) / 12_f64.sqrt();
    (if continuous { Dosing::Continuous } else { Dosing::Steps }, u)
}

/// Whether volume follows time along one straight line, with many small and even steps.
fn steady_rate(titrant: &[f64], time_s: &[f64]) -> bool {
    let n = titrant.len();
    if n < 40 {
        return false;
    }
    let (span_v, span_t) = (titrant[n - 1] - titrant[0], time_s[n - 1] - time_s[0]);
    // The densest eighth decides: what the watch remembers of a long run is thinned elsewhere.
    let mut gaps: Vec<f64> = time_s.windows(2).map(|w| w[1] - w[0]).collect();
    gaps.sort_by(f64::total_cmp);
    if !(span_v > 0.0 && span_t > 0.0) || gaps[n / 8] > 5.0 {
        return false;
    }
    let rate = span_v / span_t;
    let off = titrant
        .iter()
        .zip(time_s)
        .filter(|(v, t)| (*v - titrant[0] - rate * (*t - time_s[0])).abs() > 0.01 * span_v)
        .count();
    off * 20 < n
}
