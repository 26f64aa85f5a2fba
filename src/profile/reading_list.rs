//! The readings of one frame, in memory that is kept from frame to frame.

use crate::reading::{Quantity, Reading, Stamp, Unit, Validity};
use std::sync::Arc;

/// A reading without the name of its channel.
pub(crate) struct Nameless {
    pub quantity: Quantity,
    pub value: Option<f64>,
    pub unit: Unit,
    pub validity: Validity,
    pub steady: Option<bool>,
    pub frame: u64,
    pub at: Stamp,
}

/// Readings of one frame. A reading that follows one of the same channel at the same place of the last frame
/// keeps its name, so that a steady stream neither allocates nor counts references.
#[derive(Debug, Clone, Default)]
pub(crate) struct ReadingList {
    held: Vec<Reading>,
    used: usize,
}

impl ReadingList {
    /// Forgets the readings.
    pub(crate) const fn clear(&mut self) {
        self.used = 0;
    }

    pub(crate) fn as_slice(&self) -> &[Reading] {
        &self.held[..self.used]
    }

    pub(crate) fn as_mut_slice(&mut self) -> &mut [Reading] {
        &mut self.held[..self.used]
    }

    /// Adds a reading: all of it but its channel's name is in `new`.
    // A call would copy all of the reading once more.
    #[inline(always)]
    pub(crate) fn push(&mut self, channel: &Arc<str>, new: Nameless) {
        let Nameless { quantity, value, unit, validity, steady, frame, at } = new;
        match self.held.get_mut(self.used) {
            Some(place) => {
                if !Arc::ptr_eq(&place.channel, channel) {
                    place.channel = Arc::clone(channel);
                }
                place.quantity = quantity;
                place.value = value;
                place.unit = unit;
                place.validity = validity;
                place.steady = steady;
                place.frame = frame;
                place.at = at;
            }
            None => {
                let channel = Arc::clone(channel);
                self.held.push(Reading { channel, quantity, value, unit, validity, steady, frame, at });
            }
        }
        self.used += 1;
    }

    /// Takes the readings out.
    pub(crate) fn drain(&mut self) -> impl Iterator<Item = Reading> + '_ {
        self.held.truncate(self.used);
        self.used = 0;
        self.held.drain(..)
    }

    /// Puts other readings in the place of these.
    pub(crate) fn replace(&mut self, readings: Vec<Reading>) {
        self.used = readings.len();
        self.held = readings;
    }
}
