//! A sheet of lines to fill in, over the page: a check to begin, a signature, a piece of equipment, a search.

mod keys;
mod lines;

pub(super) use keys::{decided, sheet_key};

use super::entry::{LONGEST_TEXT, insert};
use super::state::{Over, State};
use crate::work::{EquipmentKind, RunId};
use tui_input::Input;

/// So long the signal of an electrode in a buffer keeps still, in s (common practice, no source).
const USUAL_REST_S: f64 = 20.0;

/// What a sheet is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SheetFor {
    /// A check of an electrode begins.
    Check,
    /// A signature under a reckoning of a run.
    Sign(RunId, i64),
    /// A signature under rows of the ledger: the first and the last.
    Reviewed(i64, i64),
    /// Another evaluation of a run.
    Reckon(RunId),
    /// The choice of the reported evaluation of a run.
    Choose(RunId, i64),
    /// A remark with the next acceptance.
    Remark,
    /// Why a step is skipped.
    Skip,
    /// A key of a person.
    NewKey,
    /// A lot or an electrode.
    Equipment(EquipmentKind),
    /// A piece of equipment of any kind.
    Piece,
    /// What the list of runs is searched for.
    Search,
    /// A file of what the page shows.
    File,
    /// Where to listen that is in no list.
    Place,
    /// An answer to a question of the draft.
    Answer(usize),
    /// The name of the new bench.
    Bench,
}

impl SheetFor {
    /// The heading.
    pub(super) fn heading(self) -> String {
        match self {
            Self::Check => "check an electrode".to_owned(),
            Self::Sign(run, reckoning) => format!("sign reckoning {reckoning} of run {run}"),
            Self::Reviewed(from, to) => format!("sign rows {from} to {to} of the ledger as reviewed"),
            Self::Reckon(run) => format!("evaluate run {run} again; what was found stays"),
            Self::Choose(run, reckoning) => format!("report reckoning {reckoning} of run {run}"),
            Self::Remark => "a remark with the next acceptance".to_owned(),
            Self::Skip => "why is this step skipped".to_owned(),
            Self::NewKey => "make a key for signing".to_owned(),
            Self::Piece => "enter a piece of equipment".to_owned(),
            Self::Equipment(kind) => format!("enter a {}", kind.word()),
            Self::Search => "search the stored runs".to_owned(),
            Self::File => "write a file".to_owned(),
            Self::Place => "where does the instrument hang".to_owned(),
            Self::Answer(number) => format!("question {number}"),
            Self::Bench => "the new bench".to_owned(),
        }
    }

    /// Whether it is decided by F12 F12, not by Enter.
    pub(super) const fn is_decision(self) -> bool {
        matches!(
            self,
            Self::Sign(..)
                | Self::Reviewed(..)
                | Self::Reckon(_)
                | Self::Choose(..)
                | Self::NewKey
                | Self::Equipment(_)
                | Self::Piece
        )
    }

    /// What the last step does, in words.
    pub(super) const fn last_step(self) -> &'static str {
        match self {
            Self::Check => "Enter begins the check",
            Self::Sign(..) | Self::Reviewed(..) => "F12 F12 signs",
            Self::Reckon(_) => "F12 F12 evaluates; nothing is replaced, c chooses what is reported",
            Self::Choose(..) => "F12 F12 chooses: results, series and reports rest on it from then on",
            Self::Remark => "Enter keeps it for the acceptance; empty: none",
            Self::Skip => "Enter skips the step; the ledger keeps why",
            Self::NewKey => "F12 F12 makes the key",
            Self::Equipment(_) | Self::Piece => "F12 F12 enters it",
            Self::Search => "Enter searches; empty shows all",
            Self::File => "Enter writes it; a file that is there is never replaced",
            Self::Place => "Enter takes it",
            Self::Answer(_) => "Enter answers; Left and Right choose",
            Self::Bench => "Enter writes the files and opens the bench",
        }
    }
}

/// One line.
#[derive(Debug, Clone)]
pub(super) struct SheetLine {
    /// Its name.
    pub(super) name: &'static str,
    /// What was typed.
    pub(super) input: Input,
    /// What it may be, turned through with Left and Right.
    pub(super) known: Vec<String>,
    /// It is not shown while typed.
    pub(super) hidden: bool,
    /// Said below while the cursor is here.
    pub(super) hint: &'static str,
}

/// A sheet.
#[derive(Debug, Clone)]
pub(super) struct Sheet {
    /// What it is for.
    pub(super) purpose: SheetFor,
    /// Its lines.
    pub(super) lines: Vec<SheetLine>,
    /// Where the cursor is.
    pub(super) at: usize,
    /// Words above the lines.
    pub(super) words: Vec<String>,
}

impl Sheet {
    /// A sheet with the lines that its purpose needs.
    pub(super) fn new(purpose: SheetFor) -> Self {
        Self { purpose, lines: lines::of(purpose), at: 0, words: Vec::new() }
    }

    /// The text of a line, without blanks at its ends.
    pub(super) fn text(&self, at: usize) -> &str {
        self.lines.get(at).map_or("", |line| line.input.value().trim())
    }

    /// Sets the text of a line.
    pub(super) fn set(&mut self, at: usize, text: &str) {
        if let Some(line) = self.lines.get_mut(at) {
            line.input = Input::new(text.to_owned());
        }
    }

    /// Types text in at the cursor.
    pub(super) fn insert(&mut self, text: &str) {
        if let Some(line) = self.lines.get_mut(self.at) {
            insert(&mut line.input, text, LONGEST_TEXT);
        }
    }

    /// A line.
    pub(super) fn line_at(&mut self, at: usize) -> Option<&mut SheetLine> {
        self.lines.get_mut(at)
    }

    /// The line under the cursor.
    pub(super) fn line(&mut self) -> Option<&mut SheetLine> {
        self.lines.get_mut(self.at)
    }

    /// What is wrong with it as it stands, in words; none while nothing can be said.
    pub(super) fn wrong(&self) -> Option<String> {
        super::equipment::piece(self)?.entries().err()
    }

    /// Whether the cursor stands on the last line.
    pub(super) fn is_last(&self) -> bool {
        self.at + 1 >= self.lines.len()
    }
}

impl SheetLine {
    /// Turns through what is known.
    pub(super) fn turn(&mut self, forward: bool) {
        let count = self.known.len();
        if count == 0 {
            return;
        }
        let at = self.known.iter().position(|known| known == self.input.value().trim());
        let to = match (at, forward) {
            (None, true) => 0,
            (None, false) => count - 1,
            (Some(at), true) => (at + 1) % count,
            (Some(at), false) => (at + count - 1) % count,
        };
        self.input = Input::new(self.known[to].clone());
    }
}

/// Lays a sheet over the page.
pub(super) fn lay_open(state: &mut State, purpose: SheetFor) {
    let sheet = opened(state, purpose);
    state.over = Over::Sheet(sheet);
}

/// The sheet as it was left, or a fresh one with what is known filled in.
pub(super) fn opened(state: &mut State, purpose: SheetFor) -> Sheet {
    if let Some(at) = state.sheets.iter().position(|sheet| sheet.purpose == purpose) {
        return state.sheets.remove(at);
    }
    let mut sheet = Sheet::new(purpose);
    match purpose {
        SheetFor::Check => {
            if let Some(speed) = state.lane().and_then(super::electrode::practice_speed) {
                // The practice bench is faster than life.
                let rest_s = (USUAL_REST_S / speed).clamp(0.2, USUAL_REST_S);
                let rest_s = format!("{rest_s:.1}");
                sheet.set(2, rest_s.trim_end_matches(".0"));
            }
            let Some((stock, _)) = &state.books.stock else { return sheet };
            let of = |kept: &crate::work::Kept<crate::work::Equipment>| kept.it.name.clone();
            let mut known: Vec<String> = stock.of(EquipmentKind::Electrode).map(of).collect();
            known.extend(
                stock.checks.iter().map(|c| c.it.electrode.clone()).filter(|name| !name.trim().is_empty()),
            );
            known.dedup();
            if let Some(last) = stock.checks.last() {
                sheet.set(0, &last.it.electrode);
                let buffers: Vec<&str> = last.it.buffers.iter().map(|b| b.name.as_str()).collect();
                if buffers.iter().all(|name| !name.contains(' ')) {
                    sheet.set(1, &buffers.join(" "));
                }
            } else if let [only] = known.as_slice() {
                let only = only.clone();
                sheet.set(0, &only);
            }
            if let Some(line) = sheet.lines.first_mut() {
                line.known = known;
            }
        }
        SheetFor::Sign(..) | SheetFor::Reviewed(..) => sheet.set(0, &state.signer.clone()),
        SheetFor::Remark => sheet.set(0, &state.remark.clone()),
        SheetFor::Reckon(_) => {
            if let Some(line) = sheet.lines.iter_mut().find(|line| line.name == "procedure") {
                line.known = std::iter::once(String::new())
                    .chain(state.options.procedures.iter().map(|p| p.title.clone()))
                    .collect();
            }
        }
        SheetFor::Search => sheet.set(0, &state.review.search.clone()),
        _ => {}
    }
    sheet
}

/// A sheet was filled in and is on its way: what the desk or the recorder refuses can be mended.
pub(super) fn sent(state: &mut State, mut sheet: Sheet) {
    // A pass-phrase is typed again.
    let secret = sheet.lines.iter().position(|line| line.hidden);
    sheet.at = secret.unwrap_or(sheet.at);
    for line in sheet.lines.iter_mut().filter(|line| line.hidden) {
        line.input.reset();
    }
    state.sheets.retain(|shelved| shelved.purpose != sheet.purpose);
    state.sent = Some(sheet.purpose);
    state.sheets.push(sheet);
}

/// What was filled in last is done: the next sheet of its kind begins afresh.
pub(super) fn done(state: &mut State) {
    if let Some(purpose) = state.sent.take() {
        state.sheets.retain(|shelved| shelved.purpose != purpose);
    }
}

/// What was filled in last was refused: it lies open again as it was typed, or waits on the shelf where something else
/// is being typed.
pub(super) fn refused(state: &mut State) {
    if let (Some(purpose), Over::Nothing) = (state.sent.take(), &state.over) {
        lay_open(state, purpose);
    }
}
