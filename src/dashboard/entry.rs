//! Fields that are typed into: volumes, notes, reasons, and the form for the next portion.

use super::options::Procedure;
use crate::work::{LaneState, RunId, RunPlan, VolumeMark};
use tui_input::{Input, InputRequest};

/// Longest note or reason, in characters.
pub(super) const LONGEST_TEXT: usize = 500;
/// Longest number.
const LONGEST_NUMBER: usize = 12;
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

    /// The unit behind the field.
    pub(super) const fn unit(self) -> &'static str {
        match self {
            Self::Burette | Self::BuretteStart | Self::Correction => "mL",
            Self::Note
            | Self::Reason(_)
            | Self::NewProfile
            | Self::Seen
            | Self::GiveHand
            | Self::TakeHand => "",
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
        let what = what.trim().trim_start_matches("mL").trim();
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

/// The lines of the form for the next portion.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FormLine {
    /// Which procedure.
    Procedure,
    /// Which sample.
    Sample,
    /// Which portion.
    Portion,
    /// Mass of the portion.
    Mass,
    /// Nothing to type: the pedal starts.
    Ready,
}

impl FormLine {
    /// All lines from top to bottom.
    pub(super) const ALL: [Self; 5] = [Self::Procedure, Self::Sample, Self::Portion, Self::Mass, Self::Ready];
}

/// Shown where no procedure is chosen.
const NO_PROCEDURE: &str = "no procedure: record and find end-points";

/// What is to be titrated next.
#[derive(Debug, Clone)]
pub(super) struct Form {
    /// Text of the procedure.
    procedure: String,
    /// Where the run ends by itself, as the last portion had it; another procedure has its own rule.
    end_past: Option<f64>,
    /// Its title as shown.
    pub(super) title: String,
    /// Its cautions.
    pub(super) cautions: Vec<String>,
    /// The sample.
    pub(super) sample: Input,
    /// Portion, and how many are planned.
    pub(super) portion: (u32, u32),
    /// The mass in g.
    pub(super) mass: Input,
    /// Where the cursor is.
    pub(super) line: FormLine,
}

impl Form {
    /// The form that follows the last run of a lane, or the caller's plan.
    pub(super) fn after(lane: &LaneState, plan: &RunPlan, procedures: &[Procedure]) -> Self {
        let last = lane.run.as_ref().map(|run| &run.head);
        let base = last.map_or(plan, |head| &head.plan);
        let known = procedures.iter().find(|p| p.text == base.procedure);
        let title = match (known, last) {
            (Some(procedure), _) => procedure.title.clone(),
            (None, Some(head)) => head.title.clone(),
            (None, None) if base.procedure.is_empty() => NO_PROCEDURE.to_owned(),
            (None, None) => "procedure as given".to_owned(),
        };
        let cautions = match (known, last) {
            (Some(procedure), _) => procedure.cautions.clone(),
            (None, Some(head)) => head.cautions.clone(),
            (None, None) => Vec::new(),
        };
        let number = if last.is_some() { base.portion.saturating_add(1) } else { base.portion.max(1) };
        let mass = if last.is_some() { None } else { base.mass_g };
        Self {
            procedure: base.procedure.clone(),
            end_past: base.end_past,
            title,
            cautions,
            sample: Input::new(base.sample.clone()),
            portion: (number, base.portions.max(number)),
            mass: mass.map_or_else(Input::default, |m| Input::new(m.to_string())),
            line: if base.procedure.is_empty() && !procedures.is_empty() {
                FormLine::Procedure
            } else if base.sample.is_empty() {
                FormLine::Sample
            } else {
                FormLine::Mass
            },
        }
    }

    /// Moves the cursor a line down or up; stays at the ends.
    pub(super) fn step(&mut self, down: bool) {
        let at = FormLine::ALL.iter().position(|line| *line == self.line).unwrap_or(0);
        let to = if down { (at + 1).min(FormLine::ALL.len() - 1) } else { at.saturating_sub(1) };
        self.line = FormLine::ALL[to];
    }

    /// Left and right on a line that is chosen, not typed.
    pub(super) fn turn(&mut self, procedures: &[Procedure], forward: bool) {
        match self.line {
            FormLine::Procedure if !procedures.is_empty() => {
                let at = procedures.iter().position(|p| p.text == self.procedure);
                let to = match (at, forward) {
                    (None, true) => Some(0),
                    (None, false) => Some(procedures.len() - 1),
                    (Some(at), true) => Some(at + 1),
                    (Some(at), false) => at.checked_sub(1),
                };
                self.end_past = None;
                // Between the last and the first stands: no procedure.
                match to.and_then(|to| procedures.get(to)) {
                    Some(chosen) => {
                        self.procedure.clone_from(&chosen.text);
                        self.title.clone_from(&chosen.title);
                        self.cautions.clone_from(&chosen.cautions);
                    }
                    None => {
                        self.procedure.clear();
                        NO_PROCEDURE.clone_into(&mut self.title);
                        self.cautions.clear();
                    }
                }
            }
            FormLine::Portion => {
                let number = self.portion.0;
                self.portion.0 = if forward { number.saturating_add(1) } else { number.max(2) - 1 };
                self.portion.1 = self.portion.1.max(self.portion.0);
            }
            _ => {}
        }
    }

    /// The input under the cursor.
    pub(super) fn input(&mut self) -> Option<&mut Input> {
        match self.line {
            FormLine::Sample => Some(&mut self.sample),
            FormLine::Mass => Some(&mut self.mass),
            FormLine::Procedure | FormLine::Portion | FormLine::Ready => None,
        }
    }

    /// Types text in under the cursor.
    pub(super) fn insert(&mut self, text: &str) {
        let most = if self.line == FormLine::Mass { LONGEST_NUMBER } else { LONGEST_TEXT };
        if let Some(input) = self.input() {
            insert(input, text, most);
        }
    }

    /// Takes what came at once: a number on the empty line of the mass (a balance sends it so) is the
    /// mass; anything else names the sample, replaces what stood there and begins its first portion.
    /// Returns whether it was the mass.
    pub(super) fn scan(&mut self, label: &str) -> bool {
        if self.line == FormLine::Mass && self.mass.value().is_empty() && number(label).is_ok() {
            insert(&mut self.mass, label, LONGEST_NUMBER);
            return true;
        }
        if self.sample.value() != label {
            self.portion.0 = 1;
        }
        self.sample.reset();
        insert(&mut self.sample, label, LONGEST_TEXT);
        // A procedure that is still to be chosen keeps the cursor.
        if self.line != FormLine::Procedure {
            self.line = FormLine::Mass;
        }
        false
    }

    /// What is wrong with the mass as typed; none when it is empty.
    pub(super) fn mass_g(&self) -> Result<Option<f64>, String> {
        if self.mass.value().trim().is_empty() {
            return Ok(None);
        }
        number(self.mass.value()).and_then(|mass| {
            if mass > 0.0 { Ok(Some(mass)) } else { Err("a mass is more than 0".to_owned()) }
        })
    }

    /// The plan as it stands, or what is missing.
    pub(super) fn plan(&self) -> Result<RunPlan, String> {
        Ok(RunPlan {
            procedure: self.procedure.clone(),
            sample: self.sample.value().trim().to_owned(),
            portion: self.portion.0,
            portions: self.portion.1,
            mass_g: self.mass_g().map_err(|why| format!("mass: {why}"))?,
            end_past: self.end_past,
            ..RunPlan::default()
        })
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
