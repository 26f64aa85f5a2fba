//! The page of the stored runs: search, curves over each other, reckonings side by side, signatures.

use super::books::consult;
use super::desk::{OtherSettings, Question, RunFile, Secret, Signable, Signing};
use super::options::{RunFate, StoredRun};
use super::sheet::{Sheet, SheetFor, lay_open};
use super::state::State;
use super::update::{Effect, tell, warn};
use crate::work::{OtherLook, RunId};

/// Curves that are laid over each other at most.
pub(super) const MOST_LAID: usize = 6;

/// Where one is on the page.
#[derive(Debug, Clone, Default)]
pub(super) struct Review {
    /// Words that all listed runs hold.
    pub(super) search: String,
    /// The run that is looked through.
    pub(super) opened: Option<RunId>,
    /// Runs whose curves are laid over each other, in the order of choosing.
    pub(super) laid: Vec<RunId>,
    /// Which evaluation of the opened run is chosen, from the first.
    pub(super) reckoning: usize,
    /// Lines of it scrolled away.
    pub(super) scrolled: usize,
}

/// What became of a run, in a word.
pub(super) const fn word(fate: &RunFate) -> &'static str {
    match fate {
        RunFate::GoesOn => "goes on",
        RunFate::Ended(_) => "ended",
        RunFate::Interrupted => "interrupted",
        RunFate::SetAside(_) => "set aside",
    }
}

/// The runs that hold all words of the search; figures alone are numbers of runs.
pub(super) fn listed(state: &State) -> Vec<&StoredRun> {
    let words: Vec<String> = state.review.search.split_whitespace().map(str::to_lowercase).collect();
    let fits = |run: &&StoredRun| {
        let text =
            format!("{} {} {} {} {}", run.run, run.title, run.sample, run.origin.word(), word(&run.fate))
                .to_lowercase();
        words.iter().all(|word| match word.parse::<RunId>() {
            Ok(number) => run.run == number || run.sample.contains(word.as_str()),
            Err(_) => text.contains(word.as_str()),
        })
    };
    state.options.runs.iter().filter(fits).collect()
}

/// The run chosen in the list.
pub(super) fn chosen(state: &State) -> Option<&StoredRun> {
    listed(state).get(state.runs_line).copied()
}

/// The run that is looked through, as far as it is known.
pub(super) fn file(state: &State) -> Option<&RunFile> {
    state.review.opened.and_then(|run| state.books.files.get(&run))
}

/// Keeps what is chosen within the list.
pub(super) fn clamp(state: &mut State) {
    state.runs_line = state.runs_line.min(listed(state).len().saturating_sub(1));
}

/// Looks through the run chosen.
pub(super) fn open(state: &mut State) -> Vec<Effect> {
    let Some(run) = chosen(state).map(|stored| stored.run) else { return Vec::new() };
    look_through(state, run)
}

/// Looks through a run.
pub(super) fn look_through(state: &mut State, run: RunId) -> Vec<Effect> {
    state.review.opened = Some(run);
    state.review.reckoning = 0;
    state.review.scrolled = 0;
    consult(state, Question::Run(run))
}

/// Lays the curve of the run chosen over the others, or takes it away.
pub(super) fn lay(state: &mut State) -> Vec<Effect> {
    let opened = state.review.opened;
    let Some(run) = opened.or_else(|| chosen(state).map(|stored| stored.run)) else { return Vec::new() };
    if let Some(at) = state.review.laid.iter().position(|laid| *laid == run) {
        state.review.laid.remove(at);
        return Vec::new();
    }
    if state.review.laid.len() >= MOST_LAID {
        return vec![warn(
            state,
            format!("{MOST_LAID} curves are laid over each other already: o takes one away"),
        )];
    }
    state.review.laid.push(run);
    consult(state, Question::Run(run))
}

/// To the evaluation before or after.
pub(super) fn turn(state: &mut State, forward: bool) {
    let count = file(state).map_or(0, |file| file.reckonings.len());
    let at = state.review.reckoning;
    state.review.reckoning =
        if forward { (at + 1).min(count.saturating_sub(1)) } else { at.saturating_sub(1) };
}

/// Opens the sheet for a signature under the chosen evaluation.
pub(super) fn sign(state: &mut State) -> Vec<Effect> {
    let Some(file) = file(state) else {
        return vec![warn(state, "look through a run first (Enter), then sign an evaluation of it")];
    };
    let Some(reckoning) = file.reckonings.get(state.review.reckoning) else {
        return vec![warn(state, "this run has no evaluation to sign")];
    };
    let origin = state.options.runs.iter().find(|stored| stored.run == file.run).map(|stored| stored.origin);
    if let Some(origin) = origin.filter(|origin| !origin.is_real()) {
        let words = format!("origin {}: only the runs of a real instrument are signed", origin.word());
        return vec![warn(state, words)];
    }
    let purpose = SheetFor::Sign(file.run, reckoning.id);
    lay_open(state, purpose);
    Vec::new()
}

/// Opens the sheet for another evaluation of the run that is looked through.
pub(super) fn again(state: &mut State) -> Vec<Effect> {
    match state.review.opened {
        Some(run) => {
            lay_open(state, SheetFor::Reckon(run));
            Vec::new()
        }
        None => vec![warn(state, "look through a run first (Enter), then evaluate it again")],
    }
}

/// Evaluates a run again as the sheet has it.
pub(super) fn evaluates(state: &mut State, run: RunId, sheet: &Sheet) -> Result<Vec<Effect>, String> {
    let unit = file(state).map_or("mL", |file| file.curve.titrant.unit().symbol());
    let volume = |at: usize| {
        let typed = sheet.text(at).replace(',', ".");
        if typed.is_empty() || typed.contains(char::is_alphabetic) {
            typed
        } else {
            format!("{typed} {unit}")
        }
    };
    let window = match (volume(2), volume(3)) {
        (from, to) if from.is_empty() && to.is_empty() => None,
        (from, to) if from.is_empty() || to.is_empty() => {
            return Err("a window has two ends: from and to".to_owned());
        }
        both => Some(both),
    };
    let procedure = match sheet.text(5) {
        "" => None,
        title => {
            let known = state.options.procedures.iter().find(|p| p.title == title);
            Some(known.ok_or("no procedure has that title: Left and Right turn through them")?.text.clone())
        }
    };
    let settings = OtherSettings {
        run,
        profile: sheet.text(6).to_owned(),
        procedure,
        look: OtherLook {
            shape: sheet.text(0).to_owned(),
            model: sheet.text(1).to_owned(),
            window,
            level: sheet.text(4).replace(',', "."),
        },
        why: sheet.text(7).to_owned(),
    };
    tell(state, "one moment: the wire of the run is being read");
    Ok(consult(state, Question::Reckon(Box::new(settings))))
}

/// The latest evaluation of a run is looked at once it is known.
pub(super) fn look_at_latest(state: &mut State, run: RunId) {
    if state.review.opened == Some(run) {
        state.review.reckoning = usize::MAX;
    }
}

/// Opens the sheet for the choice of the evaluation that is looked at.
pub(super) fn choose(state: &mut State) -> Vec<Effect> {
    let Some(file) = file(state) else {
        return vec![warn(state, "look through a run first (Enter), then choose what is reported")];
    };
    match file.reckonings.get(state.review.reckoning).map(|reckoning| reckoning.id) {
        None => vec![warn(state, "this run has no evaluation")],
        Some(id) if file.reported == Some(id) => {
            vec![warn(state, "this one is reported already: Left and Right turn to another, a makes one")]
        }
        Some(id) => {
            let purpose = SheetFor::Choose(file.run, id);
            lay_open(state, purpose);
            Vec::new()
        }
    }
}

/// Chooses what is reported as the sheet has it.
pub(super) fn chooses(
    state: &mut State,
    run: RunId,
    reckoning: i64,
    sheet: &Sheet,
) -> Result<Vec<Effect>, String> {
    let why = sheet.text(0).to_owned();
    if why.is_empty() {
        return Err("another reckoning is reported only with a reason".to_owned());
    }
    Ok(consult(state, Question::Choose { run, reckoning, why }))
}

/// Signs, or makes a key, as the sheet has it.
pub(super) fn signs(state: &mut State, sheet: &Sheet) -> Result<Vec<Effect>, String> {
    let name = sheet.text(0).to_owned();
    if name.is_empty() {
        return Err("a name is needed".to_owned());
    }
    let phrase = |at: usize| sheet.lines.get(at).map_or(String::new(), |line| line.input.value().to_owned());
    let signing = match sheet.purpose {
        SheetFor::Sign(_, reckoning) => Signing {
            what: Signable::Reckoning(reckoning),
            name,
            meaning: sheet.text(1).to_owned(),
            phrase: Secret(phrase(2)),
            why: sheet.text(3).to_owned(),
        },
        SheetFor::Reviewed(from, to) => Signing {
            what: Signable::Ledger(from, to),
            name,
            meaning: "reviewed".to_owned(),
            phrase: Secret(phrase(1)),
            why: sheet.text(2).to_owned(),
        },
        _ => {
            if phrase(1) != phrase(2) {
                return Err("the two pass-phrases differ; nothing was made".to_owned());
            }
            let phrase = Secret(phrase(1));
            Signing { what: Signable::NewKey, name, meaning: String::new(), phrase, why: String::new() }
        }
    };
    tell(state, "one moment: the key is being opened");
    Ok(consult(state, Question::Sign(signing)))
}

/// Takes the words of the search.
pub(super) fn search(state: &mut State, words: &str) {
    words.clone_into(&mut state.review.search);
    state.runs_line = 0;
    state.review.opened = None;
}
