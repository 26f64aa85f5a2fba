//! The guide from an empty home to a bench: where the instrument hangs, what it says, what that means, what to call it.

use super::books::consult;
use super::desk::{Answer, Drafted, Heard, NewBench, Place, Question};
use super::sheet::{Sheet, SheetFor, opened};
use super::state::{Over, Page, State};
use super::update::{Effect, tell, warn};

/// How far the guide is.
#[derive(Debug, Clone, Default)]
pub(super) struct Setup {
    /// Places that may be listened to.
    pub(super) places: Vec<Place>,
    /// The place chosen in the list; the one behind the last is typed.
    pub(super) line: usize,
    /// The place that was taken.
    pub(super) port: Option<String>,
    /// The step.
    pub(super) step: Step,
    /// What was heard.
    pub(super) heard: Option<Heard>,
    /// What was understood.
    pub(super) drafted: Option<Drafted>,
    /// Answers so far.
    pub(super) answers: Vec<(usize, String)>,
    /// The lane that opens next is the new bench.
    pub(super) opens: bool,
}

/// The steps of the guide.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Step {
    /// Choose a place.
    #[default]
    Place,
    /// Agree that it is opened.
    Permission,
    /// Somebody listens.
    Listening,
    /// What came in is shown.
    Heard,
    /// What was understood is shown, with what is not sure.
    Understood,
}

impl Setup {
    /// The question that comes next, if one is open.
    pub(super) fn question(&self) -> Option<&(usize, Vec<String>, Vec<String>)> {
        let drafted = self.drafted.as_ref()?;
        drafted.questions.iter().find(|(number, ..)| !self.answers.iter().any(|(n, _)| n == number))
    }
}

/// Enter, or the pedal: on to the next step.
pub(super) fn on(state: &mut State) -> Vec<Effect> {
    match state.setup.step {
        Step::Place => match state.setup.places.get(state.setup.line).cloned() {
            Some(place) if place.simulated => practice(state, place.port),
            Some(place) => {
                state.setup.port = Some(place.port);
                state.setup.step = Step::Permission;
                Vec::new()
            }
            None => {
                let sheet = opened(state, SheetFor::Place);
                state.over = Over::Sheet(sheet);
                Vec::new()
            }
        },
        Step::Permission => {
            let Some(port) = state.setup.port.clone() else { return Vec::new() };
            state.setup.step = Step::Listening;
            consult(state, Question::Listen(port))
        }
        Step::Listening => Vec::new(),
        Step::Heard => {
            let Some(port) = state.setup.port.clone() else { return Vec::new() };
            let answers = state.setup.answers.clone();
            consult(state, Question::Draft { port, answers })
        }
        Step::Understood => match state.setup.question().cloned() {
            Some((number, words, choices)) => {
                let mut sheet = opened(state, SheetFor::Answer(number));
                if let Some(line) = sheet.lines.first_mut() {
                    if line.input.value().is_empty() {
                        line.input = tui_input::Input::new(choices.first().cloned().unwrap_or_default());
                    }
                    line.known = choices;
                }
                sheet.words = words;
                state.over = Over::Sheet(sheet);
                Vec::new()
            }
            None => {
                let mut sheet = opened(state, SheetFor::Bench);
                if state.setup.drafted.as_ref().is_some_and(|d| !d.sends_volume) {
                    sheet.set(1, "keyed by hand");
                }
                state.over = Over::Sheet(sheet);
                Vec::new()
            }
        },
    }
}

/// Makes the practice bench.
fn practice(state: &mut State, port: String) -> Vec<Effect> {
    let bench = NewBench {
        title: "practice bench".to_owned(),
        port,
        profile: Err("demo-bench".to_owned()),
        keyed: false,
    };
    tell(state, "the practice bench is being made");
    consult(state, Question::NewBench(bench))
}

/// Esc: a step back; `false`: there is none.
pub(super) fn back(state: &mut State) -> bool {
    let to = match state.setup.step {
        Step::Place => return false,
        Step::Permission | Step::Listening => Step::Place,
        Step::Heard => Step::Permission,
        Step::Understood => Step::Heard,
    };
    state.setup.step = to;
    true
}

/// A sheet of the guide was filled in.
pub(super) fn filled(state: &mut State, sheet: Sheet) -> Vec<Effect> {
    match sheet.purpose {
        SheetFor::Place if sheet.text(0).starts_with("simulator") => {
            practice(state, sheet.text(0).to_owned())
        }
        SheetFor::Place if !sheet.text(0).is_empty() => {
            state.setup.port = Some(sheet.text(0).to_owned());
            state.setup.step = Step::Permission;
            Vec::new()
        }
        SheetFor::Answer(number) => {
            let Some(port) = state.setup.port.clone() else { return Vec::new() };
            state.setup.answers.retain(|(n, _)| *n != number);
            if sheet.text(0).is_empty() {
                state.over = Over::Sheet(sheet);
                return vec![warn(state, "an answer is needed; Left and Right choose")];
            }
            state.setup.answers.push((number, sheet.text(0).to_owned()));
            let answers = state.setup.answers.clone();
            consult(state, Question::Draft { port, answers })
        }
        SheetFor::Bench => {
            let made =
                state.setup.port.clone().zip(state.setup.drafted.as_ref().map(|d| d.profile_text.clone()));
            let title = sheet.text(0).to_owned();
            let Some((port, profile)) = made.filter(|_| !title.is_empty()) else {
                state.over = Over::Sheet(sheet);
                return vec![warn(state, "the bench needs a title")];
            };
            let keyed = sheet.text(1) != "from the line";
            let bench = NewBench { title, port, profile: Ok(profile), keyed };
            // Kept until the files are written.
            state.sheets.push(sheet);
            consult(state, Question::NewBench(bench))
        }
        _ => {
            state.over = Over::Sheet(sheet);
            vec![warn(state, "a port is needed, such as /dev/ttyUSB0 or tcp:HOST:PORT")]
        }
    }
}

/// Takes what the desk told.
pub(super) fn told(state: &mut State, answer: Answer) -> Vec<Effect> {
    match answer {
        Answer::Places(places) => {
            state.setup.line = state.setup.line.min(places.len());
            state.setup.places = places;
        }
        Answer::Heard(heard) => {
            let silent = heard.bytes == 0;
            state.setup.heard = Some(heard);
            state.setup.answers.clear();
            state.setup.drafted = None;
            state.setup.step = if silent { Step::Permission } else { Step::Heard };
            if silent {
                return vec![warn(
                    state,
                    "nothing came. Is it on, the cable the right one, does it send by itself or only by its print key? Enter listens again",
                )];
            }
        }
        Answer::Drafted(drafted) => {
            state.setup.step = Step::Understood;
            let wrong = drafted.not_understood.clone();
            state.setup.drafted = Some(drafted);
            if let Some(why) = wrong {
                state.setup.answers.pop();
                return vec![warn(state, format!("that answer was not understood: {why}"))];
            }
        }
        _ => {}
    }
    Vec::new()
}

/// A question of the guide had no answer.
pub(super) fn failed(state: &mut State, question: &Question) {
    if let Question::Listen(_) = question {
        state.setup.step = Step::Permission;
    }
}

/// The files are written, and the bench is being opened.
pub(super) fn opens(state: &mut State) {
    state.setup.opens = true;
    state.sheets.retain(|sheet| sheet.purpose != SheetFor::Bench);
    tell(state, "profile and bench are written; the bench is being opened");
}

/// A lane was opened: the guide is done.
pub(super) fn done(state: &mut State) {
    if std::mem::take(&mut state.setup.opens) {
        state.setup.step = Step::Place;
        state.page = Page::Run;
        tell(state, "the bench is open; b tells how its line is, w what comes in");
    }
}
