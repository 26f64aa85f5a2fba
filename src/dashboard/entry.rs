//! Fields that are typed into: volumes, notes, reasons.

use crate::work::{RunId, VolumeMark};
use tui_input::{Input, InputRequest};

/// Longest note or reason, in characters.
pub(super) const LONGEST_TEXT: usize = 500;
/// Longest number.
pub(super) const LONGEST_NUMBER: usize = 12;
/// Largest burette reading or mass that can be meant (common practice, no source).
const LARGEST_NUMBER: f64 = 10_000.0;

/// What a field asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Asks {
    /// The burette reading now.
    Burette,
    /// The burette reading from which volumes count.
    BuretteStart,
    /// What the last burette reading should have been.
    Correction,
    /// A note.
    Note,
    /// Why a stored run is set aside.
    Reason(RunId),
    /// Why the profile is changed while a run goes on.
    NewProfile,
    /// The volume at which an end-point was seen, and what was seen.
    Seen,
    /// Whether the hand on the run is given.
    GiveHand,
    /// Why the hand on the run is taken.
    TakeHand,
}

impl Asks {
    /// The three ways to tell a volume, in the order in which the arrows step through them.
    const VOLUMES: [Self; 3] = [Self::Burette, Self::BuretteStart, Self::Correction];

    /// The heading of the field.
    pub(super) fn heading(self) -> String {
        match self {
            Self::Burette => "burette reading now".to_owned(),
            Self::BuretteStart => "burette reading at the start".to_owned(),
            Self::Correction => "the last burette reading should be".to_owned(),
            Self::Note => "note".to_owned(),
            Self::Reason(run) => format!("why is run {run} set aside"),
            Self::NewProfile => "why is the profile changed during the run".to_owned(),
            Self::Seen => "seen: burette reading and what, such as 11.32 colourless to pink".to_owned(),
            Self::GiveHand => "give the hand on the run: yes or no".to_owned(),
            Self::TakeHand => "why is the hand on the run taken".to_owned(),
        }
    }

    /// Whether a volume is asked for.
    pub(super) const fn is_volume(self) -> bool {
        matches!(self, Self::Burette | Self::BuretteStart | Self::Correction)
    }
}

/// One open field.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    /// What it asks for.
    pub(super) asks: Asks,
    /// What was typed so far.
    pub(super) input: Input,
}

impl Entry {
    /// An empty field.
    pub(super) fn new(asks: Asks) -> Self {
        Self { asks, input: Input::default() }
    }

    /// Types text in at the cursor; what does not fit is left out.
    pub(super) fn insert(&mut self, text: &str) {
        let most = if self.asks.is_volume() { LONGEST_NUMBER } else { LONGEST_TEXT };
        insert(&mut self.input, text, most);
    }

    /// Goes to the next way to tell a volume, keeping what was typed.
    pub(super) fn turn(&mut self, forward: bool) {
        if let Some(at) = Asks::VOLUMES.iter().position(|asks| *asks == self.asks) {
            let step = if forward { 1 } else { Asks::VOLUMES.len() - 1 };
            self.asks = Asks::VOLUMES[(at + step) % Asks::VOLUMES.len()];
        }
    }

    /// Where an end-point was seen and what was seen, or what is wrong with it so far.
    pub(super) fn seen(&self) -> Result<(f64, String), String> {
        let typed = self.input.value().trim();
        let (volume, what) = typed.split_once(char::is_whitespace).unwrap_or((typed, ""));
        let reading_ml = number(volume)?;
        let what = what.trim();
        let what = what.strip_prefix("mL ").or_else(|| what.strip_prefix("g ")).unwrap_or(what).trim();
        if what.is_empty() {
            return Err("and what was seen, such as: colourless to pink".to_owned());
        }
        Ok((reading_ml, what.to_owned()))
    }

    /// The volume typed, or what is wrong with it so far.
    pub(super) fn mark(&self) -> Result<VolumeMark, String> {
        let reading_ml = number(self.input.value())?;
        Ok(match self.asks {
            Asks::BuretteStart => VolumeMark::BuretteStart { reading_ml },
            Asks::Correction => VolumeMark::Correction { reading_ml },
            _ => VolumeMark::Burette { reading_ml },
        })
    }
}

/// Types text into an input of at most `most` characters; controls become blanks.
pub(super) fn insert(input: &mut Input, text: &str, most: usize) {
    for c in text.chars() {
        if input.value().chars().count() >= most {
            return;
        }
        input.handle(InputRequest::InsertChar(if c.is_control() { ' ' } else { c }));
    }
}

/// A number as people type it, with point or comma; `Err` says in words what is missing.
pub(super) fn number(text: &str) -> Result<f64, String> {
    let text = text.trim();
    if text.is_empty() {
        return Err("a number, as 11.32 or 11,32".to_owned());
    }
    let shaped = text.bytes().all(|b| b.is_ascii_digit() || b == b'.' || b == b',');
    let marks = text.bytes().filter(|b| !b.is_ascii_digit()).count();
    if !shaped {
        return Err("only digits and one decimal point or comma".to_owned());
    }
    if marks > 1 {
        return Err("more than one decimal point or comma: leave the thousands together".to_owned());
    }
    match text.replace(',', ".").parse::<f64>() {
        Ok(value) if value <= LARGEST_NUMBER => Ok(value),
        Ok(_) => Err(format!("more than {LARGEST_NUMBER}: is a decimal point missing?")),
        Err(_) => Err("digits are missing".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_as_people_type_them() {
        assert_eq!(number("11.32"), Ok(11.32));
        assert_eq!(number(" 11,32 "), Ok(11.32));
        assert_eq!(number(".5"), Ok(0.5));
        assert_eq!(number("11."), Ok(11.0));
        for wrong in ["", "1.234,5", "1e5", "-3", "inf", "NaN", "abc", ".", "99999", "1 2"] {
            assert!(number(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_field_takes_no_more_than_it_can_hold() {
        let mut entry = Entry::new(Asks::Note);
        entry.insert(&"x\n".repeat(10_000));
        assert_eq!(entry.input.value().chars().count(), LONGEST_TEXT);
        assert!(!entry.input.value().contains('\n'));
    }

    #[test]
    fn turning_keeps_what_was_typed() {
        let mut entry = Entry::new(Asks::Burette);
        entry.insert("11,3");
        entry.turn(true);
        entry.turn(true);
        assert_eq!(entry.mark(), Ok(VolumeMark::Correction { reading_ml: 11.3 }));
        entry.turn(true);
        assert_eq!(entry.asks, Asks::Burette);
    }
}
