//! What to do while the beaker can still be saved, and how large the next addition may be.

use super::finder::Finder;
use super::sight::amount;
use super::{Mark, Watch};
use crate::detector::{Outlook, WatchState};

/// One drop from a burette (mL): common practice, no source.
const DROP: f64 = 0.05;
/// A hand may add this part of the way to the near end of the forecast.
const PART_OF_WAY: f64 = 0.5;
/// No addition larger than this part of the expected titrant.
const COARSEST: f64 = 0.1;
/// Points past an end-point that tell its far side.
const PAST_ENOUGH: usize = 5;
/// Points within so many Nernst units of the end-point lie in the jump.
const IN_JUMP: f64 = 3.0;
/// A jump less steep than this multiple of the stretch before it is flat.
const FLAT: f64 = 7.4;
/// A signal that still moves by this part of the Nernst unit in a minute drifts (about 20 mV a minute).
const DRIFT: f64 = 0.8;
/// Noise above this part of the Nernst unit spoils the jump.
const NOISY: f64 = 0.15;
/// An expected volume is passed when it lies behind by so many standard uncertainties.
const PASSED: f64 = 3.0;

impl Watch {
    /// What is expected, and what to do about it.
    #[must_use]
    pub fn outlook(&self) -> Outlook {
        let Some(last) = self.last else { return Outlook::default() };
        let interval =
            self.forecast.map(|f| ((f.expected - f.below).max(last.titrant), f.expected + f.above));
        Outlook {
            expected: self.forecast.map(|f| f.expected),
            interval,
            next_addition: self.next_addition(last, interval),
            advice: self.advice(last, interval),
            u_reached: self.latest.map(|find| find.place.u),
            u_reachable: self.reachable(last),
        }
    }

    fn next_addition(&self, last: Mark, interval: Option<(f64, f64)>) -> Option<f64> {
        match self.state {
            WatchState::Turning => Some(DROP),
            WatchState::Found => self.last_but_one.map(|before| (last.titrant - before.titrant).max(DROP)),
            WatchState::Far | WatchState::Closing | WatchState::Withdrawn => {
                let (low, _) = interval?;
                let most = (COARSEST * self.forecast?.expected).max(DROP);
                Some(round_step((PART_OF_WAY * (low - last.titrant)).clamp(DROP, most)))
            }
        }
    }

    /// The uncertainty of the latest find with a few more points behind it.
    fn reachable(&self, last: Mark) -> Option<f64> {
        let find = self.latest?;
        let held = self.recent.marks().len() as f64;
        let past = self.past(find.place.end_point);
        let more = PAST_ENOUGH.saturating_sub(past) as f64;
        let floor = self.resolution.step().max(self.grid.step()) / 12_f64.sqrt() / held.max(1.0).sqrt();
        (last.titrant > find.place.end_point)
            .then(|| (find.place.u * (held / (held + more)).sqrt()).max(floor))
    }

    fn past(&self, end_point: f64) -> usize {
        self.recent.marks().iter().filter(|m| m.titrant > end_point).count()
    }

    fn advice(&self, last: Mark, interval: Option<(f64, f64)>) -> Vec<String> {
        let unit = self.head.titrant.unit();
        let mut advice = Vec::new();
        let step = self.last_but_one.map_or(0.0, |before| last.titrant - before.titrant);
        if let (Some((_, high)), Some(supply)) = (interval, self.supply)
            && high > supply
        {
            advice.push(format!(
                "the end-point may lie at {} {unit}, but only {} {unit} of titrant are at hand: refill before you go on",
                short(high),
                short(supply)
            ));
        }
        if let Some(prior) = self.prior
            && self.finds == 0
            && self.state != WatchState::Turning
            && last.titrant > prior.expected + PASSED * prior.u
        {
            advice.push(format!(
                "the expected {} {unit} are passed without an end-point: check electrode, titrant and amount before you add more",
                short(prior.expected)
            ));
        }
        if self.drift.abs() > DRIFT * self.nernst && matches!(self.finder, Finder::Jump(_)) {
            advice.push(format!(
                "the signal still moves by {} a minute when titrant is added: wait longer",
                self.in_signal_unit(self.drift)
            ));
        }
        if matches!(self.finder, Finder::Jump(_)) && self.noise.value() > NOISY * self.nernst {
            advice.push(format!(
                "the signal scatters by {}: stir evenly, wait longer, check electrode and earthing",
                self.in_signal_unit(self.noise.value())
            ));
        }
        if let (WatchState::Closing, Some((low, _))) = (self.state, interval)
            && step > 2.0 * DROP
            && step > low - last.titrant
        {
            advice.push(format!(
                "the next step of {} {unit} may pass the end-point: add {} {unit} at a time",
                short(step),
                short(self.next_addition(last, interval).unwrap_or(DROP))
            ));
        }
        self.advice_after_find(step, &mut advice);
        advice
    }

    fn advice_after_find(&self, step: f64, advice: &mut Vec<String>) {
        let Some(find) = self.latest else { return };
        let unit = self.head.titrant.unit();
        let past = self.past(find.place.end_point);
        if past < PAST_ENOUGH && self.stays() {
            let more = (PAST_ENOUGH - past) as f64 * step.max(DROP);
            advice.push(format!("go on for about {} {unit}: the far side tells the volume too", short(more)));
        }
        if let Some(steepness) = find.steepness.filter(|s| *s < FLAT) {
            advice.push(format!(
                "the jump is flat, only {steepness:.1} times as steep as the stretch before it; u = {} {unit}: smaller steps, longer waits, or a stronger titrant",
                amount(find.place.u)
            ));
        }
        if let Some(in_jump) = find.in_jump.filter(|n| *n < 3)
            && find.place.u > self.resolution.step().max(DROP / 10.0)
        {
            advice.push(format!(
                "{in_jump} points lie in the jump and u = {} {unit}: smaller steps for the next portion",
                amount(find.place.u)
            ));
        }
    }

    /// Points of the newest that lie in the jump around a signal.
    pub(super) fn in_jump(&self, end_point: f64) -> usize {
        let marks = self.recent.marks();
        let at = marks.partition_point(|m| m.titrant < end_point).clamp(1, marks.len().max(2) - 1);
        let (Some(below), Some(above)) = (marks.get(at - 1), marks.get(at)) else { return 0 };
        let middle = 0.5 * (below.signal + above.signal);
        marks.iter().filter(|m| (m.signal - middle).abs() < IN_JUMP * self.nernst).count()
    }

    fn in_signal_unit(&self, value: f64) -> String {
        let unit = self.head.signal.map_or("", |(_, unit)| unit.symbol());
        format!("{:.2} {unit}", value.abs())
    }
}

/// The largest of 1, 2, 5 times a power of ten, or of single drops, that is not above a step.
fn round_step(step: f64) -> f64 {
    if step < 2.0 * DROP {
        return DROP;
    }
    let decade = 10_f64.powf(step.log10().floor());
    [5.0, 2.0, 1.0]
        .into_iter()
        .map(|factor| factor * decade)
        .find(|s| *s <= step * (1.0 + 1e-9))
        .unwrap_or(DROP)
}

fn short(value: f64) -> String {
    format!("{value:.2}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn additions_are_round_and_never_above_what_is_safe() {
        for (safe, step) in [(0.051, 0.05), (0.19, 0.1), (0.5, 0.5), (1.99, 1.0), (7.0, 5.0)] {
            assert!((round_step(safe) - step).abs() < 1e-12, "{safe}: {}", round_step(safe));
        }
    }
}
