//! What keys do on a sheet, and what becomes of it when it is filled in.

use super::super::desk::Question;
use super::super::fields::{edit, plain};
use super::super::hands::is_quiet;
use super::super::keys::Action;
use super::super::state::{Over, Page, State};
use super::super::update::{Effect, tell, warn};
use super::super::{books, electrode, equipment, filing, review, setup, steps};
use super::{Sheet, SheetFor, sent};
use crossterm::event::{KeyCode, KeyEvent};

/// A key on a sheet.
pub(in crate::dashboard) fn sheet_key(
    state: &mut State,
    key: KeyEvent,
    wanted: Option<Action>,
    mut sheet: Sheet,
) -> Vec<Effect> {
    match (wanted, key.code) {
        (Some(Action::Back), _) => {
            state.sheets.retain(|shelved| shelved.purpose != sheet.purpose);
            // A pass-phrase is not left lying about.
            for line in sheet.lines.iter_mut().filter(|line| line.hidden) {
                line.input.reset();
            }
            state.sheets.push(sheet);
            return Vec::new();
        }
        (Some(Action::Up | Action::PreviousPage), _) => sheet.at = sheet.at.saturating_sub(1),
        (Some(Action::Down | Action::NextPage), _) => {
            sheet.at = (sheet.at + 1).min(sheet.lines.len().saturating_sub(1));
        }
        (Some(Action::Open), _) if sheet.is_last() && !sheet.purpose.is_decision() => {
            if is_quiet(state) {
                return filled(state, sheet);
            }
        }
        (Some(Action::Open), _) if sheet.is_last() => {
            let words = format!("{}; Esc goes back", sheet.purpose.last_step());
            tell(state, words);
        }
        (Some(Action::Open), _) => sheet.at += 1,
        (Some(Action::Left | Action::Right), _)
            if sheet.lines.get(sheet.at).is_some_and(|line| !line.known.is_empty()) =>
        {
            if let Some(line) = sheet.line() {
                line.turn(wanted == Some(Action::Right));
            }
            filing::turned(state, &mut sheet);
        }
        (_, KeyCode::Char(c)) if plain(key) => sheet.insert(&c.to_string()),
        _ => {
            if let Some(line) = sheet.line() {
                edit(&mut line.input, key);
            }
        }
    }
    state.over = Over::Sheet(sheet);
    Vec::new()
}

/// A sheet that needs no second press is filled in.
fn filled(state: &mut State, sheet: Sheet) -> Vec<Effect> {
    match sheet.purpose {
        SheetFor::Check => electrode::begin(state, sheet),
        SheetFor::Search => {
            review::search(state, sheet.text(0));
            state.page = Page::Runs;
            Vec::new()
        }
        SheetFor::Remark => {
            sheet.text(0).clone_into(&mut state.remark);
            Vec::new()
        }
        SheetFor::Skip => match steps::skipped(state, &sheet) {
            Ok(effects) => {
                sent(state, sheet);
                effects
            }
            Err(why) => {
                state.over = Over::Sheet(sheet);
                vec![warn(state, why)]
            }
        },
        SheetFor::File => filing::write(state, sheet),
        _ => setup::filled(state, sheet),
    }
}

/// A sheet is decided by two presses.
pub(in crate::dashboard) fn decided(state: &mut State, sheet: Sheet) -> Vec<Effect> {
    let done = match sheet.purpose {
        SheetFor::Sign(..) | SheetFor::Reviewed(..) | SheetFor::NewKey => review::signs(state, &sheet),
        SheetFor::Reckon(run) => review::evaluates(state, run, &sheet),
        SheetFor::Choose(run, reckoning) => review::chooses(state, run, reckoning, &sheet),
        SheetFor::Equipment(_) | SheetFor::Piece => match equipment::piece(&sheet) {
            None => Err("a name is needed".to_owned()),
            Some(piece) => piece.entries().map(|_| books::consult(state, Question::Equipment(piece))),
        },
        _ => Err("a name is needed".to_owned()),
    };
    match done {
        Ok(effects) => {
            sent(state, sheet);
            effects
        }
        Err(why) => {
            state.over = Over::Sheet(sheet);
            vec![warn(state, why)]
        }
    }
}
