//! Files of what a page shows: a report, a picture, tables; one key and a sheet of three lines.

use super::books::consult;
use super::desk::{FileKind, FileOf, FileWish, Question};
use super::sheet::{self, Sheet, SheetFor, opened};
use super::state::{Over, Page, State};
use super::update::{Effect, tell, warn};
use super::{charts, review, text, titrant};
use crate::work::RunId;

/// What can be written of the page, and what was written last.
#[derive(Debug, Clone, Default)]
pub(super) struct Filing {
    /// What the page shows, in words.
    of: String,
    /// What the sheet offers.
    choices: Vec<Choice>,
    /// What was written last.
    kind: Option<FileKind>,
    /// Where it went.
    folder: Option<String>,
    /// What was said of it.
    told: Option<String>,
}

/// A file that the sheet offers.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Choice {
    words: String,
    of: FileOf,
    kind: FileKind,
}

/// The files that there are of one thing.
fn choices(of: &FileOf) -> Vec<Choice> {
    let fitting = FileKind::ALL.into_iter().filter(|kind| kind.fits(of));
    fitting.map(|kind| Choice { words: kind.words().to_owned(), of: of.clone(), kind }).collect()
}

/// What the page shows that a file can be of.
fn shown(state: &State) -> Result<FileOf, &'static str> {
    match state.page {
        Page::Run => match state.run() {
            Some(run) if run.end.is_some() => Ok(FileOf::Run(run.head.run)),
            Some(_) => Err("this run goes on: end it first (F8 F8), then write its files"),
            None => Err("no run is shown: the stored ones are on their page (r)"),
        },
        Page::Runs => {
            let run = state.review.opened.or_else(|| review::chosen(state).map(|stored| stored.run));
            run.map(FileOf::Run).ok_or("no run is stored yet")
        }
        Page::Series => state.series.name.clone().map(FileOf::Series).ok_or("no series yet"),
        Page::Charts => charts::chart(state).and_then(|chart| chart.of.clone()).ok_or("no chart yet"),
        Page::Electrode => {
            let checks = state.books.stock.as_ref().map_or(&[][..], |(stock, _)| &stock.checks);
            let newest = checks.iter().rev().nth(state.electrode.line).or(checks.last());
            newest
                .map(|kept| FileOf::Electrode(kept.it.electrode.clone()))
                .ok_or("no electrode was checked yet")
        }
        Page::Titrant => {
            let lot = titrant::lot(state).ok_or("no lot of titrant is entered yet")?;
            let any = !lot.factors.is_empty();
            any.then(|| FileOf::Titrant(lot.name.clone())).ok_or("this lot has no factor yet")
        }
        Page::Wire | Page::Bench | Page::Steps | Page::Equipment | Page::Decisions | Page::Setup => {
            Err("files are written of a run (r), a series (p), a chart (g), a titrant (t), an electrode (e)")
        }
    }
}

/// Opens the sheet with what can be written of the page.
pub(super) fn open(state: &mut State) -> Vec<Effect> {
    let of = match shown(state) {
        Ok(of) => of,
        Err(why) => return vec![warn(state, why)],
    };
    let mut offered = choices(&of);
    if state.page == Page::Runs && state.review.opened.is_none() {
        let listed: Vec<RunId> = review::listed(state).into_iter().map(|stored| stored.run).collect();
        if listed.len() > 1 {
            let count = listed.len();
            let all = choices(&FileOf::Runs(listed));
            offered.extend(all.into_iter().map(|choice| Choice {
                words: format!("all {count} runs listed: {}", choice.words),
                ..choice
            }));
        }
    }
    if state.filing.of != of.words() {
        // What was left with Esc was about something else.
        state.sheets.retain(|sheet| sheet.purpose != SheetFor::File);
        state.filing.of = of.words();
    }
    state.filing.choices = offered;
    let fresh = !state.sheets.iter().any(|sheet| sheet.purpose == SheetFor::File);
    let mut sheet = opened(state, SheetFor::File);
    sheet.words = vec![format!("of {}", state.filing.of)];
    sheet.words.extend(state.filing.told.iter().map(|told| format!("last: {told}")));
    let words: Vec<String> = state.filing.choices.iter().map(|choice| choice.words.clone()).collect();
    if fresh {
        let last = state.filing.choices.iter().position(|choice| Some(choice.kind) == state.filing.kind);
        sheet.set(0, words.get(last.unwrap_or(0)).map_or("", String::as_str));
        sheet.set(1, state.filing.folder.as_deref().unwrap_or(&state.options.folder));
        sheet.set(2, &of.stem());
    }
    if let Some(line) = sheet.line_at(0) {
        line.known = words;
    }
    state.over = Over::Sheet(sheet);
    Vec::new()
}

/// Another file was chosen: a name that was not typed follows it.
pub(super) fn turned(state: &State, sheet: &mut Sheet) {
    let untouched = state.filing.choices.iter().any(|choice| choice.of.stem() == sheet.text(2));
    let chosen = state.filing.choices.iter().find(|choice| choice.words == sheet.text(0));
    if let (SheetFor::File, true, Some(choice)) = (sheet.purpose, untouched, chosen) {
        sheet.set(2, &choice.of.stem());
    }
}

/// The file that the sheet asks for.
fn wish(state: &State, sheet: &Sheet) -> Result<FileWish, String> {
    let choice = state.filing.choices.iter().find(|choice| choice.words == sheet.text(0));
    let choice = choice.ok_or("what is to be written: Left and Right turn through it")?;
    let (kind, ending) = (choice.kind, choice.kind.ending());
    let name = sheet.text(2);
    let stem = name.strip_suffix(&format!(".{ending}")).unwrap_or(name);
    if stem.is_empty() {
        return Err("the file needs a name".to_owned());
    }
    if stem.contains(['/', '\\']) || stem.starts_with('.') {
        return Err(
            "a name alone: the folder stands on its own line, and no name begins with a full stop".to_owned()
        );
    }
    let folder = match sheet.text(1) {
        "" => state.options.folder.clone(),
        folder => folder.to_owned(),
    };
    Ok(FileWish { of: choice.of.clone(), kind, folder, name: format!("{stem}.{ending}") })
}

/// Where the file of the sheet would go, or what is missing.
pub(super) fn place(state: &State, sheet: &Sheet) -> Option<Result<String, String>> {
    let told = |wish: FileWish| format!("to {}/{}", wish.folder.trim_end_matches('/'), wish.name);
    (sheet.purpose == SheetFor::File).then(|| wish(state, sheet).map(told))
}

/// A file was written: the place is told now, and by the next sheet.
pub(super) fn written(state: &mut State, words: &str) {
    sheet::done(state);
    state.filing.told = Some(words.to_owned());
    tell(state, text::visible(words));
}

/// Writes the file.
pub(super) fn write(state: &mut State, sheet: Sheet) -> Vec<Effect> {
    match wish(state, &sheet) {
        Ok(wish) => {
            state.filing.kind = Some(wish.kind);
            state.filing.folder = Some(wish.folder.clone());
            sheet::sent(state, sheet);
            tell(state, "one moment: the file is being written");
            consult(state, Question::File(wish))
        }
        Err(why) => {
            state.over = Over::Sheet(sheet);
            vec![warn(state, why)]
        }
    }
}
