//! What a lane shows of people: who has the hand on its run, who asks for it, and how people are known there.

use super::{Identity, People};
use serde::{Deserialize, Serialize};

/// What every screen of a lane may know of people.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Posted {
    /// How people are known.
    pub identity: Identity,
    /// A screen that nobody touches for so many seconds is covered.
    pub lock_after_s: Option<u64>,
    /// Who has the hand on the run, as the record calls that person.
    pub hand: Option<String>,
    /// Who asks for it.
    pub asks: Option<String>,
}

impl Posted {
    /// What the bench file says, before anybody has the hand.
    #[must_use]
    pub fn of(people: &People) -> Self {
        let lock_after_s = people.lock_after.map(|after| after.seconds());
        Self { identity: people.identity, lock_after_s, ..Self::default() }
    }
}

/// A time without a key, as a bench file says it: `"30 s"`, `"10 min"`, `"1 h"`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct LockAfter(u64);

/// Shorter than this nobody could work.
const SHORTEST_S: u64 = 5;

impl LockAfter {
    /// In seconds.
    #[must_use]
    pub const fn seconds(self) -> u64 {
        self.0
    }
}

impl TryFrom<String> for LockAfter {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let digits = text.bytes().take_while(u8::is_ascii_digit).count();
        let (number, unit) = text.split_at(digits);
        let unit_s = match unit.trim() {
            "s" => 1,
            "min" => 60,
            "h" => 3_600,
            _ => 0,
        };
        let seconds = number.parse::<u64>().ok().and_then(|n| n.checked_mul(unit_s)).unwrap_or(0);
        if seconds < SHORTEST_S {
            return Err(format!(
                "lock_after = \"{text}\" is no time of at least {SHORTEST_S} s: write \"30 s\", \"10 min\" or \"1 h\""
            ));
        }
        Ok(Self(seconds))
    }
}

impl From<LockAfter> for String {
    fn from(after: LockAfter) -> Self {
        format!("{} s", after.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_without_a_key_has_a_unit() {
        let read = |text: &str| toml::from_str::<People>(&format!("lock_after = \"{text}\""));
        for (text, seconds) in [("30 s", 30), ("10 min", 600), ("1h", 3_600)] {
            assert_eq!(Posted::of(&read(text).unwrap()).lock_after_s, Some(seconds), "{text}");
        }
        for wrong in ["", "10", "min", "1 s", "-5 min", "10 minutes", "99999999999999999999 h"] {
            assert!(read(wrong).is_err_and(|e| e.to_string().contains("lock_after")), "{wrong}");
        }
        let again: People = toml::from_str(&toml::to_string(&read("10 min").unwrap()).unwrap()).unwrap();
        assert_eq!(again.lock_after.map(LockAfter::seconds), Some(600));
    }
}
