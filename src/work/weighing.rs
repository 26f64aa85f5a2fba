//! The mass of a portion from a balance on the bench: which readings are at rest, and which belong to the next portion.

use super::procedure::HowWord;
use crate::reading::{Quantity, Reading, Stamp};
use std::collections::VecDeque;

/// What is typed for a value that the balance is to give.
pub const FROM_BALANCE: &str = "balance";
/// Readings that agree within this much are one mass, in g: a few digits of an analytical balance (common practice, no
/// source).
const AGREE_G: f64 = 5e-4;
/// A balance without a mark for rest is at rest when it has agreed for so long, in s.
const REST_S: f64 = 3.0;
/// Below this the pan is empty, in g.
const EMPTY_G: f64 = 2e-3;
/// So many masses are remembered.
const REMEMBERED: usize = 8;

/// A mass at rest.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Rest {
    mass_g: f64,
    frame: u64,
    used: bool,
}

/// A mass as it is taken for a portion.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    /// In g.
    pub mass_g: f64,
    /// From which readings, in words.
    pub words: String,
}

/// Follows the readings of a balance.
#[derive(Debug, Clone, Default)]
pub struct Weighing {
    /// Agreeing readings of a balance that does not say when it is at rest: since when, and the first of them.
    agreeing: Option<(Stamp, f64)>,
    rests: VecDeque<Rest>,
}

impl Weighing {
    /// Takes the readings of one frame.
    pub fn take(&mut self, readings: &[Reading]) {
        for reading in readings.iter().filter(|r| r.quantity == Quantity::Mass) {
            let Some(mass_g) = reading.canonical() else {
                self.agreeing = None;
                continue;
            };
            let at_rest = match reading.steady {
                Some(steady) => steady,
                None => self.agrees(mass_g, reading.at),
            };
            if at_rest {
                self.at_rest(mass_g, reading.frame);
            }
        }
    }

    fn agrees(&mut self, mass_g: f64, at: Stamp) -> bool {
        match self.agreeing {
            Some((since, first)) if (mass_g - first).abs() <= AGREE_G => {
                at.elapsed_ns.saturating_sub(since.elapsed_ns) as f64 * 1e-9 >= REST_S
            }
            _ => {
                self.agreeing = Some((at, mass_g));
                false
            }
        }
    }

    fn at_rest(&mut self, mass_g: f64, frame: u64) {
        match self.rests.back_mut() {
            // The same beaker: the latest reading counts until it is used.
            Some(last) if (last.mass_g - mass_g).abs() <= AGREE_G => {
                if !last.used {
                    (last.mass_g, last.frame) = (mass_g, frame);
                }
            }
            _ => {
                self.rests.push_back(Rest { mass_g, frame, used: false });
                if self.rests.len() > REMEMBERED {
                    self.rests.pop_front();
                }
            }
        }
    }

    /// The mass of the next portion, measured so; `None` while it is not there. A mass is given once.
    ///
    /// One reading: what rests on the tared pan. By difference and weighed back: the latest two masses at rest, the empty
    /// pan left out.
    pub fn portion(&mut self, how: HowWord) -> Option<Weighed> {
        let differs = matches!(how, HowWord::ByDifference | HowWord::BackWeighed);
        let fresh: Vec<Rest> =
            self.rests.iter().filter(|r| !r.used && (r.mass_g > EMPTY_G)).copied().collect();
        let weighed = match fresh.as_slice() {
            [.., before, after] if differs => Weighed {
                mass_g: (before.mass_g - after.mass_g).abs(),
                words: format!(
                    "{:.5} g and {:.5} g, frames {} and {} of the balance",
                    before.mass_g, after.mass_g, before.frame, after.frame
                ),
            },
            // What rests now, not what stood there before the pan was emptied.
            [.., last] if !differs && self.rests.back() == Some(last) => Weighed {
                mass_g: last.mass_g,
                words: format!("{:.5} g, frame {} of the balance", last.mass_g, last.frame),
            },
            _ => return None,
        };
        for rest in &mut self.rests {
            rest.used = true;
        }
        Some(weighed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{Unit, Validity};

    fn reading(second: u64, mass: f64, steady: Option<bool>) -> [Reading; 1] {
        [Reading {
            channel: "mass".into(),
            quantity: Quantity::Mass,
            value: Some(mass),
            unit: Unit::Gram,
            validity: Validity::Valid,
            steady,
            frame: second,
            at: Stamp { elapsed_ns: second * 1_000_000_000, utc_us: 0 },
        }]
    }

    #[test]
    fn a_tared_portion_is_given_once_and_only_at_rest() {
        let mut weighing = Weighing::default();
        for (second, mass, steady) in [(0, 0.0001, true), (1, 0.8, false), (2, 1.6018, false)] {
            weighing.take(&reading(second, mass, Some(steady)));
            assert_eq!(weighing.portion(HowWord::OneReading), None, "second {second}");
        }
        weighing.take(&reading(3, 1.6020, Some(true)));
        weighing.take(&reading(4, 1.6021, Some(true)));
        let weighed = weighing.portion(HowWord::OneReading).unwrap();
        assert!((weighed.mass_g - 1.6021).abs() < 1e-12);
        assert_eq!(weighed.words, "1.60210 g, frame 4 of the balance");
        weighing.take(&reading(5, 1.6021, Some(true)));
        assert_eq!(weighing.portion(HowWord::OneReading), None, "the same beaker is no second portion");
        weighing.take(&reading(6, 0.0, Some(true)));
        weighing.take(&reading(7, 1.5873, Some(true)));
        assert!((weighing.portion(HowWord::OneReading).unwrap().mass_g - 1.5873).abs() < 1e-12);
    }

    #[test]
    fn a_difference_needs_two_masses_and_leaves_the_empty_pan_out() {
        let mut weighing = Weighing::default();
        weighing.take(&reading(0, 21.4402, Some(true)));
        assert_eq!(weighing.portion(HowWord::ByDifference), None);
        weighing.take(&reading(1, 0.0002, Some(true)));
        weighing.take(&reading(2, 21.0690, Some(true)));
        let weighed = weighing.portion(HowWord::ByDifference).unwrap();
        assert!((weighed.mass_g - 0.3712).abs() < 1e-9, "{weighed:?}");
    }

    #[test]
    fn a_balance_without_a_mark_is_at_rest_after_three_seconds() {
        let mut weighing = Weighing::default();
        for second in 0..3 {
            weighing.take(&reading(second, 1.6, None));
            assert_eq!(weighing.portion(HowWord::OneReading), None);
        }
        weighing.take(&reading(3, 1.6001, None));
        assert!(weighing.portion(HowWord::OneReading).is_some());
    }
}
