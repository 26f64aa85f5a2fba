//! What the desk has told so far, what has been asked, and when it is asked again.

use super::desk::{Answer, Decisions, Group, LineChart, Lot, Question, Readied, RunFile, SeriesLine};
use super::hands;
use super::options::RunFate;
use super::state::{Over, Page, State};
use super::update::{Effect, ask, laid, tell, warn};
use super::{cover, electrode, filing, setup, sheet, steps, text};
use crate::work::{Command, RunId, RunPlan, StepLine, Stock};
use std::collections::BTreeMap;
use std::time::Duration;

/// Rows are written behind: what a decision changed is read again after this time.
const WRITTEN_BY: Duration = Duration::from_millis(300);
/// Runs whose curves are kept for laying over each other.
const FILES_KEPT: usize = 12;

/// What is known from the desk.
#[derive(Debug, Clone, Default)]
pub(super) struct Books {
    /// The stock, and when it was read (microseconds since 1970 UTC).
    pub(super) stock: Option<(Stock, i64)>,
    /// The lots, and when.
    pub(super) lots: Option<(Vec<Lot>, i64)>,
    /// The series.
    pub(super) list: Vec<SeriesLine>,
    /// The series that is looked at.
    pub(super) series: Option<(String, Vec<Group>)>,
    /// Runs that were opened.
    pub(super) files: BTreeMap<RunId, RunFile>,
    /// The checklist, and the portion it is for.
    pub(super) ready: Option<(RunPlan, Readied)>,
    /// What was decided.
    pub(super) decisions: Option<Decisions>,
    /// The charts.
    pub(super) charts: Option<Vec<LineChart>>,
    /// The steps of a portion.
    pub(super) steps: Option<(RunPlan, Vec<StepLine>)>,
    /// Series of standardisations whose factor was accepted here.
    pub(super) held: Vec<String>,
    /// Questions on their way.
    pub(super) asked: Vec<Question>,
    /// When the page is read again.
    pub(super) stale: Option<Duration>,
    /// What is said once the documents are kept.
    pub(super) kept_words: Option<String>,
    /// Why the last question had no answer.
    pub(super) trouble: Option<String>,
}

/// Asks something, unless the same is on its way.
pub(super) fn consult(state: &mut State, question: Question) -> Vec<Effect> {
    if state.books.asked.contains(&question) {
        return Vec::new();
    }
    state.books.asked.push(question.clone());
    vec![Effect::Consult(Box::new(question))]
}

/// What the page needs to know.
pub(super) fn refresh(state: &mut State) -> Vec<Effect> {
    let questions = match state.page {
        Page::Electrode | Page::Equipment => vec![Question::Stock],
        Page::Steps => steps::plan(state).map(|plan| Question::Steps(Box::new(plan))).into_iter().collect(),
        Page::Decisions => {
            vec![Question::Decisions { all: state.books.decisions.as_ref().is_some_and(|told| told.all) }]
        }
        Page::Charts => vec![Question::Charts],
        Page::Titrant => vec![Question::Lots],
        Page::Series => {
            let mut wanted = vec![Question::SeriesList];
            wanted.extend(state.series.name.clone().map(Question::Series));
            wanted
        }
        Page::Runs => {
            let mut wanted = vec![Question::Runs];
            wanted.extend(state.books.files.keys().copied().map(Question::Run));
            wanted
        }
        Page::Setup => vec![Question::Places],
        Page::Run | Page::Wire | Page::Bench => Vec::new(),
    };
    questions.into_iter().flat_map(|question| consult(state, question)).collect()
}

/// Something was decided: the page is read again once the rows are written.
pub(super) fn decided(state: &mut State) {
    state.books.stale = Some(state.now + WRITTEN_BY);
    state.books.ready = None;
}

/// Reads the page again when it is time.
pub(super) fn settle(state: &mut State) -> Vec<Effect> {
    match state.books.stale {
        Some(at) if state.now >= at => {
            state.books.stale = None;
            let mut effects = refresh(state);
            if let Over::Form(form) = &state.over {
                let plan = form.plan_so_far();
                effects.extend(readiness(state, plan));
            }
            effects
        }
        _ => Vec::new(),
    }
}

/// Asks whether everything is there for a portion.
pub(super) fn readiness(state: &mut State, plan: RunPlan) -> Vec<Effect> {
    if state.books.ready.as_ref().is_some_and(|(of, _)| *of == plan) {
        return Vec::new();
    }
    let real =
        !state.lane().is_some_and(|lane| super::electrode::origin_of(lane) == crate::work::Origin::Simulator);
    consult(state, Question::Readiness { plan: Box::new(plan), real })
}

/// Takes an answer in.
pub(super) fn told(state: &mut State, question: Question, answer: Result<Answer, String>) -> Vec<Effect> {
    state.books.asked.retain(|asked| *asked != question);
    let answer = match answer {
        Ok(answer) => answer,
        Err(why) => {
            match question {
                Question::Prove { name, .. } => return cover::proved(state, name, Err(why)),
                // A record that cannot be read now shows no earlier curves; everything else tells why.
                Question::Earlier(_) => return Vec::new(),
                Question::Practice { .. } => electrode::stays(state),
                Question::Reckon(_)
                | Question::Choose { .. }
                | Question::Sign(_)
                | Question::Step(_)
                | Question::Equipment(_)
                | Question::File(_) => sheet::refused(state),
                _ => {}
            }
            setup::failed(state, &question);
            state.books.trouble = Some(why.clone());
            return vec![warn(state, text::visible(&why))];
        }
    };
    state.books.trouble = None;
    match (question, answer) {
        (Question::Readiness { plan, .. }, Answer::Ready(ready)) => state.books.ready = Some((*plan, ready)),
        (_, Answer::Stock(stock, at)) => state.books.stock = Some((*stock, at)),
        (_, Answer::Lots(lots, at)) => {
            state.titrant_line = state.titrant_line.min(lots.len().saturating_sub(1));
            state.books.lots = Some((lots, at));
        }
        (_, Answer::SeriesList(list)) => {
            state.books.list = list;
            if state.series.name.is_none() {
                state.series.name = state.books.list.first().map(|line| line.series.clone());
                if let Some(name) = state.series.name.clone() {
                    return consult(state, Question::Series(name));
                }
            }
        }
        (Question::Series(name), Answer::Series(groups)) => {
            if state.series.name.as_ref() == Some(&name) {
                state.books.series = Some((name, groups));
                super::series::clamp(state);
            }
        }
        (_, Answer::Runs(runs)) => {
            // What goes on is known better from the recorder.
            let live: Vec<_> =
                state.options.runs.iter().filter(|r| matches!(r.fate, RunFate::GoesOn)).cloned().collect();
            state.options.runs = runs;
            for run in live {
                if let Some(known) = state.options.runs.iter_mut().find(|r| r.run == run.run) {
                    *known = run;
                } else {
                    state.options.runs.insert(0, run);
                }
            }
            super::review::clamp(state);
        }
        (_, Answer::Run(file)) => {
            while state.books.files.len() >= FILES_KEPT && !state.books.files.contains_key(&file.run) {
                state.books.files.pop_first();
            }
            if state.review.opened == Some(file.run) {
                let last = file.reckonings.len().saturating_sub(1);
                state.review.reckoning = state.review.reckoning.min(last);
            }
            state.books.files.insert(file.run, *file);
        }
        (question, Answer::Asks(commands, words)) => {
            match &question {
                Question::Sign(signing) => state.signer.clone_from(&signing.name),
                Question::AcceptFactor { series, .. } => state.books.held.push(series.clone()),
                _ => {}
            }
            state.books.kept_words = Some(words);
            return commands.into_iter().map(|command| ask(state, command)).collect();
        }
        (Question::Prove { name, .. }, Answer::Proof(proof)) => return cover::proved(state, name, Ok(proof)),
        (_, Answer::Earlier(curves)) => laid(state, curves),
        (_, Answer::Written(words)) => filing::written(state, &words),
        (_, Answer::Decisions(told)) => {
            state.decisions_line = told.rows.len().saturating_sub(1);
            state.books.decisions = Some(told);
        }
        (_, Answer::Charts(charts)) => {
            state.books.charts = Some(charts);
            super::charts::clamp(state);
        }
        (_, Answer::Steps(plan, lines)) => {
            state.steps_line = state.steps_line.min(lines.len().saturating_sub(1));
            if state.books.steps.as_ref().is_none_or(|(of, _)| *of != *plan) {
                state.steps_line = lines.iter().position(|line| line.said.is_none()).unwrap_or(0);
            }
            state.books.steps = Some((*plan, lines));
        }
        (Question::NewBench(_), Answer::Bench(bench, start)) => {
            setup::opens(state);
            return vec![ask(state, Command::Open { bench, start, confirms_sending: false })];
        }
        (_, Answer::Bench(bench, start)) => {
            hands::expects_lane(state);
            return vec![ask(state, Command::Open { bench, start, confirms_sending: false })];
        }
        (_, answer @ (Answer::Places(_) | Answer::Heard(_) | Answer::Drafted(_))) => {
            return setup::told(state, answer);
        }
        (_, Answer::Ready(_) | Answer::Series(_) | Answer::Proof(_)) => {}
    }
    Vec::new()
}

/// A decision was kept: says so.
pub(super) fn kept(state: &mut State, otherwise: String) {
    sheet::done(state);
    let words = state.books.kept_words.take().unwrap_or(otherwise);
    tell(state, words);
    decided(state);
}
