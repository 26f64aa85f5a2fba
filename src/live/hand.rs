//! One person has the hand on a run: whoever started it, until it is given or taken.

use crate::work::{Command, HandWish};
use std::time::{Duration, Instant};

/// So long a question for the hand waits for an answer before it may be taken.
const PATIENCE: Duration = Duration::from_secs(30);

/// The hand on one lane.
#[derive(Debug, Default)]
pub(super) struct Hand {
    holder: Option<String>,
    asked: Option<(String, Instant)>,
}

/// What became of a wish.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Moved {
    /// Whoever has it is to be told.
    Asked(String),
    /// It has moved: what the ledger says, and why.
    To { verb: &'static str, why: String, words: String },
}

impl Hand {
    /// The hand of who started a run.
    pub(super) const fn of(who: String) -> Self {
        Self { holder: Some(who), asked: None }
    }

    /// Whether `who` may do that to the run that goes on; whoever starts one has the hand on it.
    pub(super) fn check(&mut self, who: &str, command: &Command, going: bool) -> Result<(), String> {
        if !going || self.holder.is_none() {
            if matches!(command, Command::Start { .. } | Command::Open { .. }) {
                *self = Self { holder: Some(who.to_owned()), asked: None };
            }
            return Ok(());
        }
        match &self.holder {
            Some(holder) if holder != who => {
                Err(format!("{holder} has the hand on this run; ask for it (h, or `dropwise hand ask`)"))
            }
            _ => Ok(()),
        }
    }

    /// Who has it, and who asks for it.
    pub(super) fn told(&self) -> (Option<String>, Option<String>) {
        (self.holder.clone(), self.asked.as_ref().map(|(asker, _)| asker.clone()))
    }

    /// Does what is wished.
    pub(super) fn wish(&mut self, who: &str, wish: &HandWish, now: Instant) -> Result<Moved, String> {
        let Some(holder) = self.holder.clone() else {
            return Err("nobody has the hand: whoever starts a run has it".to_owned());
        };
        match wish {
            HandWish::Ask if holder == who => Err("you have the hand already".to_owned()),
            HandWish::Ask => {
                let since = match &self.asked {
                    Some((asker, since)) if asker == who => *since,
                    _ => now,
                };
                self.asked = Some((who.to_owned(), since));
                Ok(Moved::Asked(format!(
                    "{who} asks {holder} for the hand on this run (h, or `dropwise hand grant`)"
                )))
            }
            HandWish::Grant | HandWish::Keep if holder != who => {
                Err(format!("{holder} has the hand, not you"))
            }
            HandWish::Grant => {
                let (asker, _) = self.asked.take().ok_or("nobody asks for the hand")?;
                self.holder = Some(asker.clone());
                let words = format!("{who} gave the hand on this run to {asker}");
                Ok(Moved::To { verb: "give the hand", why: format!("to {asker}, who asked for it"), words })
            }
            HandWish::Keep => {
                let (asker, _) = self.asked.take().ok_or("nobody asks for the hand")?;
                Ok(Moved::Asked(format!("{who} keeps the hand on this run; {asker} asked for it")))
            }
            HandWish::Take { reason } if reason.trim().is_empty() => {
                Err("the hand is taken only with a reason".to_owned())
            }
            HandWish::Take { reason } => {
                let asked = self.asked.as_ref().filter(|(asker, _)| asker == who).map(|(_, since)| *since);
                let since = asked.ok_or("ask for the hand first: `dropwise hand ask`")?;
                let waited = now.saturating_duration_since(since);
                if let Some(left) = PATIENCE.checked_sub(waited).filter(|left| !left.is_zero()) {
                    return Err(format!("wait {} s more for an answer of {holder}", left.as_secs() + 1));
                }
                *self = Self { holder: Some(who.to_owned()), asked: None };
                let words = format!("{who} took the hand on this run from {holder}: {reason}");
                let why = format!("from {holder}, who did not answer for {} s: {reason}", waited.as_secs());
                Ok(Moved::To { verb: "take the hand", why, words })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hand_is_asked_for_and_granted_or_taken_after_a_while_with_a_reason() {
        let start = Command::Start { lane: 1, plan: Box::default() };
        let end = Command::End { lane: 1, reason: None };
        let mut hand = Hand::default();
        let now = Instant::now();
        assert_eq!(hand.check("rosa", &start, false), Ok(()));
        assert_eq!(hand.check("rosa", &end, true), Ok(()));
        assert!(hand.check("ivo", &end, true).unwrap_err().contains("rosa has the hand"));
        let take = HandWish::Take { reason: "she is at lunch".to_owned() };
        assert!(hand.wish("ivo", &take, now).unwrap_err().contains("ask"));
        assert!(hand.wish("ivo", &HandWish::Grant, now).is_err());
        assert!(hand.wish("rosa", &HandWish::Grant, now).is_err());
        assert!(matches!(hand.wish("ivo", &HandWish::Ask, now), Ok(Moved::Asked(_))));
        assert!(hand.wish("ivo", &take, now + PATIENCE / 2).unwrap_err().contains("wait"));
        // Asking again does not start the time anew.
        assert!(hand.wish("ivo", &HandWish::Ask, now + PATIENCE / 2).is_ok());
        assert_eq!(hand.told(), (Some("rosa".to_owned()), Some("ivo".to_owned())));
        // Whoever keeps it answered: the time begins anew with the next question.
        assert!(hand.wish("ivo", &HandWish::Keep, now).is_err());
        assert!(matches!(hand.wish("rosa", &HandWish::Keep, now), Ok(Moved::Asked(_))));
        assert!(hand.wish("ivo", &take, now + PATIENCE).unwrap_err().contains("ask"));
        assert!(hand.wish("ivo", &HandWish::Ask, now).is_ok());
        let none = HandWish::Take { reason: " ".to_owned() };
        assert!(hand.wish("ivo", &none, now + PATIENCE).unwrap_err().contains("reason"));
        assert!(matches!(
            hand.wish("ivo", &take, now + PATIENCE),
            Ok(Moved::To { verb: "take the hand", .. })
        ));
        assert_eq!(hand.check("ivo", &end, true), Ok(()));
        assert!(hand.wish("rosa", &HandWish::Ask, now).is_ok());
        assert!(matches!(
            hand.wish("ivo", &HandWish::Grant, now),
            Ok(Moved::To { verb: "give the hand", .. })
        ));
        assert_eq!(hand.check("rosa", &end, true), Ok(()));
        // Without a run anybody may begin one, and has the hand then.
        assert_eq!(hand.check("ivo", &start, false), Ok(()));
        assert!(hand.check("rosa", &end, true).is_err());
    }
}
