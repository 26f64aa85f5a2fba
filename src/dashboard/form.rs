//! The form for the next portion: as few lines to fill in as the procedure and the last portion allow.

mod turn;

use super::entry::{LONGEST_NUMBER, LONGEST_TEXT, insert, number};
use super::options::Procedure;
use crate::work::{CheckPoint, EquipmentKind, FROM_BALANCE, LaneState, Readiness, Role, RunPlan};
use tui_input::Input;

/// The lines of the form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FormLine {
    /// Which procedure.
    Procedure,
    /// What the portion is for.
    Role,
    /// Which series.
    Series,
    /// Which sample.
    Sample,
    /// Which portion.
    Portion,
    /// Which lot of titrant.
    Lot,
    /// Mass of the portion.
    Mass,
    /// A further value that the procedure asks for.
    Asked(usize),
    /// Why it starts although something is overdue.
    Reason,
    /// Nothing to type: the pedal starts.
    Ready,
}

/// What the procedure asks of a portion besides its mass.
#[derive(Debug, Clone)]
pub(super) struct AskedValue {
    /// Its name in formulae.
    pub(super) name: String,
    /// What it is, with the sensible range.
    pub(super) what: String,
    /// Its unit.
    pub(super) unit: String,
    /// What was typed.
    pub(super) input: Input,
}

/// What the form needs to know of a procedure.
#[derive(Debug, Clone, Default)]
struct Facts {
    planned: Option<u32>,
    titrant: Option<String>,
    standardises: bool,
    mass: Option<(String, Option<f64>, Option<f64>)>,
    asked: Vec<String>,
}

/// Shown where no procedure is chosen.
const NO_PROCEDURE: &str = "no procedure: record and find end-points";
/// What a portion may be for, in the order of Left and Right.
const ROLES: [Role; 4] = [Role::Sample, Role::Standardisation, Role::Blank, Role::Control];

/// What is to be titrated next.
#[derive(Debug, Clone)]
pub(super) struct Form {
    /// Text of the procedure.
    procedure: String,
    /// Where the run ends by itself, as the last portion had it; another procedure has its own rule.
    end_past: Option<f64>,
    facts: Facts,
    /// Values and equipment that go from portion to portion.
    base: RunPlan,
    /// Its title as shown.
    pub(super) title: String,
    /// Its cautions.
    pub(super) cautions: Vec<String>,
    /// What is typed to find a procedure.
    pub(super) search: String,
    /// What the portion is for.
    pub(super) role: Role,
    /// The series; empty: procedure and date.
    pub(super) series: Input,
    /// The sample.
    pub(super) sample: Input,
    /// Portion, and how many are planned.
    pub(super) portion: (u32, u32),
    /// The lot of titrant; empty: the only one that fits.
    pub(super) lot: Input,
    /// The mass in g.
    pub(super) mass: Input,
    /// Further values.
    pub(super) asked: Vec<AskedValue>,
    /// Why it starts all the same.
    pub(super) reason: Input,
    /// Where the cursor is.
    pub(super) line: FormLine,
}

impl Form {
    /// The form that follows the last run of a lane, or the caller's plan.
    pub(super) fn after(lane: &LaneState, plan: &RunPlan, procedures: &[Procedure]) -> Self {
        let last = lane.run.as_ref().map(|run| &run.head);
        let mut base = last.map_or(plan, |head| &head.plan).clone();
        if last.is_some() {
            base.portion = base.portion.saturating_add(1);
            base.mass_g = None;
            if base.portions > 1 && base.portion > base.portions && base.role == Role::Sample {
                // All portions that were planned are there: the next is of another sample. One more of the same is
                // begun on the page of the series, which knows whether the procedure allows it.
                base.portion = 1;
                base.sample.clear();
            }
        }
        let mut form = Self::of(&base, procedures);
        if let Some(head) = last
            && !procedures.iter().any(|p| p.text == head.plan.procedure)
        {
            form.title.clone_from(&head.title);
            form.cautions.clone_from(&head.cautions);
        }
        form
    }

    /// The form with a plan in it; the cursor stands where something is missing.
    pub(super) fn of(plan: &RunPlan, procedures: &[Procedure]) -> Self {
        let number = plan.portion.max(1);
        let mut form = Self {
            procedure: String::new(),
            end_past: plan.end_past,
            facts: Facts::default(),
            base: plan.clone(),
            title: String::new(),
            cautions: Vec::new(),
            search: String::new(),
            role: plan.role,
            series: Input::new(plan.series.clone()),
            sample: Input::new(plan.sample.clone()),
            portion: (number, plan.portions.max(number)),
            lot: Input::new(plan.uses.get(EquipmentKind::Titrant.word()).cloned().unwrap_or_default()),
            mass: plan.mass_g.map_or_else(Input::default, |m| Input::new(m.to_string())),
            asked: Vec::new(),
            reason: Input::default(),
            line: FormLine::Mass,
        };
        form.take_procedure(&plan.procedure, procedures);
        form.line = if plan.procedure.is_empty() && !procedures.is_empty() {
            FormLine::Procedure
        } else if plan.sample.is_empty() && form.names_a_sample() {
            FormLine::Sample
        } else {
            form.first_value()
        };
        form
    }

    fn names_a_sample(&self) -> bool {
        matches!(self.role, Role::Sample | Role::Control)
    }

    /// The first line for a figure, or the start.
    fn first_value(&self) -> FormLine {
        let lines = self.lines(false);
        let value = |line: &&FormLine| matches!(line, FormLine::Mass | FormLine::Asked(_));
        lines.iter().find(value).copied().unwrap_or(FormLine::Ready)
    }

    /// The lines that are shown, from top to bottom.
    pub(super) fn lines(&self, wants_reason: bool) -> Vec<FormLine> {
        let mut lines = vec![FormLine::Procedure, FormLine::Role, FormLine::Series, FormLine::Sample];
        lines.push(FormLine::Portion);
        if self.role == Role::Standardisation || !self.lot.value().is_empty() {
            lines.push(FormLine::Lot);
        }
        let weighs = self.facts.mass.is_some() || self.facts.asked.is_empty();
        if self.role != Role::Blank && weighs {
            lines.push(FormLine::Mass);
        }
        if self.role != Role::Blank {
            lines.extend((0..self.asked.len()).map(FormLine::Asked));
        }
        if wants_reason || !self.reason.value().is_empty() {
            lines.push(FormLine::Reason);
        }
        lines.push(FormLine::Ready);
        lines
    }

    /// Moves the cursor a line down or up; stays at the ends.
    pub(super) fn step(&mut self, down: bool, wants_reason: bool) {
        let lines = self.lines(wants_reason);
        let at = lines.iter().position(|line| *line == self.line).unwrap_or(0);
        let to = if down { (at + 1).min(lines.len() - 1) } else { at.saturating_sub(1) };
        self.line = lines[to];
    }

    /// Moves the cursor down to the next line where something is missing, else to the start.
    pub(super) fn next_missing(&mut self, wants_reason: bool) {
        let lines = self.lines(wants_reason);
        let at = lines.iter().position(|line| *line == self.line).unwrap_or(0);
        let missing = |line: &&FormLine| match line {
            FormLine::Sample => self.names_a_sample() && self.sample.value().trim().is_empty(),
            FormLine::Lot => self.lot.value().trim().is_empty(),
            FormLine::Mass => self.mass.value().trim().is_empty(),
            FormLine::Asked(n) => self.asked.get(*n).is_some_and(|a| a.input.value().trim().is_empty()),
            FormLine::Reason => wants_reason && self.reason.value().trim().is_empty(),
            FormLine::Ready => true,
            FormLine::Procedure | FormLine::Role | FormLine::Series | FormLine::Portion => false,
        };
        self.line = lines.iter().skip(at + 1).find(missing).copied().unwrap_or(FormLine::Ready);
    }

    /// What the titrant of the procedure is, in words.
    pub(super) fn titrant(&self) -> Option<&str> {
        self.facts.titrant.as_deref()
    }

    /// Text of the procedure.
    pub(super) fn procedure(&self) -> &str {
        &self.procedure
    }

    /// What the mass is of, with the range that the procedure gives in g.
    pub(super) fn mass_words(&self) -> Option<String> {
        let (what, from, to) = self.facts.mass.as_ref()?;
        Some(match (from, to) {
            (Some(from), Some(to)) => format!("{what}, {from} to {to} g"),
            _ => what.clone(),
        })
    }

    /// Whether the mass lies outside what the procedure gives.
    pub(super) fn mass_is_odd(&self, mass_g: f64) -> bool {
        let Some((_, from, to)) = &self.facts.mass else { return false };
        from.is_some_and(|from| mass_g < from) || to.is_some_and(|to| mass_g > to)
    }

    /// The input under the cursor.
    pub(super) fn input(&mut self) -> Option<&mut Input> {
        match self.line {
            FormLine::Series => Some(&mut self.series),
            FormLine::Sample => Some(&mut self.sample),
            FormLine::Lot => Some(&mut self.lot),
            FormLine::Mass => Some(&mut self.mass),
            FormLine::Asked(n) => self.asked.get_mut(n).map(|asked| &mut asked.input),
            FormLine::Reason => Some(&mut self.reason),
            FormLine::Procedure | FormLine::Role | FormLine::Portion | FormLine::Ready => None,
        }
    }

    /// Whether the line is left and right chosen.
    pub(super) const fn is_chosen(&self) -> bool {
        matches!(self.line, FormLine::Procedure | FormLine::Role | FormLine::Portion | FormLine::Lot)
    }

    /// Whether words are typed on the line, so that a blank is a blank.
    pub(super) const fn takes_words(&self) -> bool {
        matches!(self.line, FormLine::Series | FormLine::Sample | FormLine::Lot | FormLine::Reason)
            || matches!(self.line, FormLine::Asked(_))
    }

    /// Types text in under the cursor.
    pub(super) fn insert(&mut self, text: &str) {
        let most = if self.line == FormLine::Mass { LONGEST_NUMBER } else { LONGEST_TEXT };
        let before = self.sample.value().to_owned();
        if self.line == FormLine::Mass && self.is_weighed() {
            self.mass.reset();
        }
        if let Some(input) = self.input() {
            insert(input, text, most);
        }
        self.sample_changed(&before);
    }

    /// Another sample begins with its first portion.
    pub(super) fn sample_changed(&mut self, before: &str) {
        if self.sample.value() != before && before == self.base.sample && !before.is_empty() {
            self.portion.0 = 1;
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
            self.line = self.first_value();
        }
        false
    }

    /// Whether the balance is to give the mass.
    pub(super) fn is_weighed(&self) -> bool {
        self.mass.value() == FROM_BALANCE
    }

    /// Has the balance give the mass.
    pub(super) fn weigh(&mut self) {
        self.mass = Input::new(FROM_BALANCE.to_owned());
    }

    /// What is wrong with the mass as typed; none when it is empty, or the balance gives it.
    pub(super) fn mass_g(&self) -> Result<Option<f64>, String> {
        if self.mass.value().trim().is_empty() || self.is_weighed() {
            return Ok(None);
        }
        number(self.mass.value()).and_then(|mass| {
            if mass > 0.0 { Ok(Some(mass)) } else { Err("a mass is more than 0".to_owned()) }
        })
    }

    /// Key by which it is remembered that cautions were read.
    pub(super) fn cautions_key(&self) -> (String, String) {
        (self.series.value().trim().to_owned(), self.procedure.clone())
    }

    /// The plan as it stands, or what is missing.
    pub(super) fn plan(&self) -> Result<RunPlan, String> {
        let mass_g = self.mass_g().map_err(|why| format!("mass: {why}"))?;
        Ok(RunPlan { mass_g, ..self.plan_so_far() })
    }

    /// The plan as far as it can be read.
    pub(super) fn plan_so_far(&self) -> RunPlan {
        let mut values = self.base.values.clone();
        values.retain(|name, _| name != "mass" && !self.facts.asked.contains(name));
        for asked in self.asked.iter().filter(|_| self.role != Role::Blank) {
            let typed = asked.input.value().trim();
            if !typed.is_empty() {
                values.insert(asked.name.clone(), typed.replace(',', "."));
            }
        }
        if self.is_weighed() && self.role != Role::Blank {
            values.insert("mass".to_owned(), FROM_BALANCE.to_owned());
        }
        let mut uses = self.base.uses.clone();
        let lot = self.lot.value().trim();
        if lot.is_empty() {
            uses.remove(EquipmentKind::Titrant.word());
        } else {
            uses.insert(EquipmentKind::Titrant.word().to_owned(), lot.to_owned());
        }
        let reason = self.reason.value().trim();
        RunPlan {
            procedure: self.procedure.clone(),
            sample: self.sample.value().trim().to_owned(),
            portion: self.portion.0,
            portions: self.portion.1,
            mass_g: self.mass_g().ok().flatten().filter(|_| self.role != Role::Blank),
            end_past: self.end_past,
            role: self.role,
            series: self.series.value().trim().to_owned(),
            values,
            uses,
            reason: (!reason.is_empty()).then(|| reason.to_owned()),
            ..RunPlan::default()
        }
    }
}

/// Whether a checklist wants a reason.
pub(super) fn wants_reason(points: &[CheckPoint]) -> bool {
    points.iter().any(|point| point.is == Readiness::NeedsReason)
}
