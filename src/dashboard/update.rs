//! What happens to the state when a key is pressed, the recorder says something, or time passes.
//!
//! Pure: the time comes with each input, and what is to be done comes back as effects.

mod answer;
mod listed;

use super::alarm::Alarm;
use super::desk::{Answer, EarlierCurve, Question};
use super::keyboard::Gesture;
use super::meter::Meter;
use super::state::{Asked, Message, State};
use super::{books, cover, electrode, hands, needs, setup, text};
use crate::detector::WatchState;
use crate::reading::Reading;
use crate::work::{Command, Event, Health, LaneEvent, LaneId, LaneState};
use crossterm::event::{KeyEvent, MouseEvent};
use std::time::Duration;

/// Warnings so soon after a start belong to it.
const WITH_THE_START: Duration = Duration::from_secs(2);

/// What comes in.
#[derive(Debug, Clone)]
pub enum Input {
    /// A key went down.
    Key(KeyEvent),
    /// The terminal says that this was pasted.
    Paste(String),
    /// The recorder says something.
    Recorder(Event),
    /// A profile was read again, or why not, in words.
    Profile(ProfileWish, Result<String, String>),
    /// The desk answers.
    Answer(Box<Question>, Result<Answer, String>),
    /// The mouse did something in the terminal.
    Mouse(MouseEvent),
    /// Columns and rows of the terminal.
    Resize(u16, u16),
    /// Time passed.
    Tick,
}

/// Which profile is to be read again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileWish {
    /// The lane.
    pub lane: LaneId,
    /// Which of its instruments, from 0.
    pub instrument: usize,
    /// The profile as it was named: a shipped name or a file.
    pub name: String,
    /// Why, while a run goes on.
    pub reason: Option<String>,
}

/// What is to be done.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// A command goes to the recorder.
    Send(u64, Command),
    /// A profile file is to be read again; its text comes back as [`Input::Profile`].
    ReadProfile(ProfileWish),
    /// The desk is asked; its answer comes back as [`Input::Answer`].
    Consult(Box<Question>),
    /// The terminal is to tell the desktop, if it does so.
    Notify(String),
    /// The bell rings.
    Bell,
    /// Everything is drawn anew.
    Redraw,
    /// The screen closes.
    Leave,
}

/// Takes one input in, at `now` by the clock of the screen.
pub fn update(state: &mut State, now: Duration, input: Input) -> Vec<Effect> {
    state.now = state.now.max(now);
    hands::settle(state);
    if matches!(input, Input::Key(_) | Input::Paste(_) | Input::Mouse(_)) && state.cover.is_none() {
        state.touched = state.now;
    }
    let mut effects = cover::settle(state);
    effects.extend(books::settle(state));
    let mut gestures = state.keyboard.pass(now);
    match input {
        Input::Key(key) => gestures.extend(state.keyboard.press(now, key)),
        Input::Tick => {}
        Input::Answer(question, answer) => effects.extend(books::told(state, *question, answer)),
        Input::Mouse(mouse) => super::pointer::point(state, mouse),
        Input::Resize(columns, rows) => state.size = (columns, rows),
        Input::Paste(text) => gestures.push(Gesture::Burst { text, entered: true }),
        Input::Recorder(event) => effects.extend(recorder(state, &event)),
        Input::Profile(wish, Ok(profile_text)) => {
            let ProfileWish { lane, instrument, name: profile_name, reason } = wish;
            effects
                .push(ask(state, Command::Reread { lane, instrument, profile_name, profile_text, reason }));
        }
        Input::Profile(_, Err(why)) => effects.push(warn(state, text::visible(&why))),
    }
    for gesture in gestures {
        effects.extend(match state.cover {
            Some(_) if !leaves(&gesture) => cover::gesture(state, gesture),
            _ => hands::gesture(state, gesture),
        });
    }
    effects
}

/// Whether a key closes the screen: that may be done under the cover too, for it ends nothing.
fn leaves(gesture: &Gesture) -> bool {
    matches!(gesture, Gesture::Key(key) if super::keys::action(*key) == Some(super::keys::Action::LeaveScreen))
}

/// Keeps the curves of earlier portions for the run that they belong to.
pub(super) fn laid(state: &mut State, curves: Vec<EarlierCurve>) {
    let before = curves.iter().map(|curve| curve.run).max();
    let lane = state.bench.lanes.iter().find(|lane| {
        lane.run.as_ref().is_some_and(|run| {
            before.is_some_and(|before| before < run.head.run) && !state.earlier.contains_key(&lane.id)
        })
    });
    if let Some(lane) = lane {
        state.earlier.insert(lane.id, curves);
    }
}

/// Asks the recorder for something.
pub(super) fn ask(state: &mut State, command: Command) -> Effect {
    let id = state.next_id;
    state.next_id += 1;
    state.asked.push(Asked { id, command: command.clone(), at: state.now });
    Effect::Send(id, command)
}

/// Tells something.
pub(super) fn tell(state: &mut State, text: impl Into<String>) {
    state.message = Some(Message { text: text.into(), warns: false, at: state.now });
}

/// Tells that something was not done or needs a look.
pub(super) fn warn(state: &mut State, text: impl Into<String>) -> Effect {
    state.message = Some(Message { text: text.into(), warns: true, at: state.now });
    Effect::Bell
}

fn recorder(state: &mut State, event: &Event) -> Vec<Effect> {
    let had_trouble = state.bench.store.trouble.is_some();
    let had_advice = advised(state);
    let viewed = state.lane().map(|lane| lane.title.clone());
    state.bench.apply(event);
    let mut effects = Vec::new();
    match event {
        Event::Snapshot { .. } => attach(state),
        Event::Lane { lane, what } => effects.extend(lane_event(state, *lane, what)),
        Event::Store { health } => {
            if health.trouble.is_some() && !had_trouble {
                effects.push(Effect::Bell);
            } else if health.trouble.is_none() && had_trouble {
                tell(state, "the record is written again");
            }
        }
        Event::Opened { lane } => opened(state, lane),
        Event::Closed { lane } => closed(state, *lane, viewed),
        Event::Answer { id, refused, .. } => effects.extend(answer::answer(state, *id, refused.as_deref())),
        Event::You { who, challenge } => cover::known(state, who, challenge),
        Event::Leaving { .. } => effects.push(Effect::Bell),
    }
    needs::settle(state);
    effects.extend(raise_alarms(state));
    if let (Event::Snapshot { .. }, Some(run)) = (event, state.run()) {
        effects.push(Effect::Consult(Box::new(Question::Earlier(Box::new(run.head.clone())))));
    }
    if let Event::Lane { what: LaneEvent::Started { head }, .. } = event {
        effects.push(Effect::Consult(Box::new(Question::Earlier(head.clone()))));
    }
    notify(state, &mut effects);
    if advised(state) && !had_advice {
        effects.push(Effect::Bell);
    }
    effects.dedup();
    effects
}

/// What rings the bell is told to the desktop too, where that was asked for.
fn notify(state: &State, effects: &mut Vec<Effect>) {
    if state.options.notify == super::Notify::Never || !effects.contains(&Effect::Bell) {
        return;
    }
    let lane = state.bench.lanes.iter().filter_map(|lane| Some((lane, needs::need(state, lane)?)));
    let gravest = lane.max_by_key(|(_, need)| need.rank);
    let words = match (gravest, state.current_message()) {
        (Some((lane, need)), _) => format!("{}: {}", text::visible(&lane.title), need.words),
        (None, Some(message)) => message.text.clone(),
        (None, None) => return,
    };
    effects.push(Effect::Notify(words));
}

fn advised(state: &State) -> bool {
    state.live_run().is_some_and(|run| !run.outlook.advice.is_empty())
}

fn attach(state: &mut State) {
    state.attached = true;
    if state.lane().is_none() {
        state.lane = state.bench.lanes.first().map_or(0, |lane| lane.id);
    }
    state.meters.clear();
    let lanes = state.bench.lanes.iter();
    let known: Vec<_> = lanes
        .map(|lane| {
            let run = lane.run.as_ref().map(|run| (run.head.clone(), run.end.clone()));
            (lane.id, lane.latest.clone(), run)
        })
        .collect();
    for (lane, readings, run) in known {
        hear(state, lane, &readings);
        if let Some((head, end)) = run {
            listed::run(state, &head, end.as_ref());
        }
    }
}

/// A new lane is looked at when none is, or when it takes the place of the one that was.
fn opened(state: &mut State, lane: &LaneState) {
    hear(state, lane.id, &lane.latest);
    setup::done(state);
    let expected = std::mem::take(&mut state.expects_lane);
    if state.lane().is_none() || state.lost.as_ref() == Some(&lane.title) || expected {
        state.lost = None;
        if let Some((from, title)) = state.lost_lane.take()
            && title == lane.title
        {
            electrode::moved(state, from, lane.id);
        }
        hands::look_at(state, lane.id);
    }
}

fn closed(state: &mut State, lane: LaneId, viewed: Option<String>) {
    state.meters.remove(&lane);
    state.heard.remove(&lane);
    state.alarms.remove(&lane);
    state.bench_line = state.bench_line.min(state.bench.lanes.len().saturating_sub(1));
    if lane == state.lane {
        state.lost_lane = viewed.clone().map(|title| (lane, title));
        state.lost = viewed;
        let first = state.bench.lanes.first().map_or(0, |lane| lane.id);
        hands::look_at(state, first);
    }
}

/// Takes readings of a lane in.
fn hear(state: &mut State, lane: LaneId, readings: &[Reading]) {
    if readings.is_empty() {
        return;
    }
    state.heard.insert(lane, state.now);
    let meters = state.meters.entry(lane).or_default();
    for reading in readings {
        Meter::take(meters, reading);
    }
}

fn lane_event(state: &mut State, lane: LaneId, what: &LaneEvent) -> Option<Effect> {
    match what {
        LaneEvent::Readings { readings } => {
            hear(state, lane, readings);
            electrode::hear(state, lane, readings)
        }
        LaneEvent::Result { .. } => {
            books::decided(state);
            None
        }
        LaneEvent::Started { head } => {
            listed::started(state, head);
            state.series.name = Some(head.plan.series.clone()).filter(|name| !name.is_empty());
            state.back_to_form = false;
            books::decided(state);
            state.form_shelf.take_if(|(of, _)| *of == lane);
            state.alarms.remove(&lane);
            state.earlier.remove(&lane);
            state.taken.remove(&lane);
            if lane == state.lane {
                state.lens = super::state::Lens::default();
                tell(state, format!("run {} started", head.run));
            }
            None
        }
        LaneEvent::Ended { end } => {
            listed::ended(state, end);
            books::decided(state);
            Some(warn(
                state,
                format!("{}run {} ended: {}", from(state, lane), end.run, text::visible(&end.why)),
            ))
        }
        LaneEvent::Watch { change } if change.state == WatchState::Withdrawn => {
            let words = format!(
                "{}end-point withdrawn: {}",
                from(state, lane),
                text::visible(&change.because.to_string())
            );
            Some(warn(state, words))
        }
        LaneEvent::Point { .. } | LaneEvent::Redrawn { .. } => {
            state.taken.remove(&lane);
            None
        }
        LaneEvent::Line { health: Health::Gone { .. } } => Some(Effect::Bell),
        LaneEvent::Line { health: Health::Open { .. } } => {
            let words = format!("{}the line is open", from(state, lane));
            // Less than whatever else is being said.
            if state.current_message().is_none() {
                tell(state, words);
            }
            None
        }
        LaneEvent::Warning { text: words } => {
            let words = format!("{}{}", from(state, lane), text::visible(words));
            // What a run starts in spite of comes with its start: both are told.
            let begun = state.run().map(|run| format!("run {} started", run.head.run));
            let started = state
                .current_message()
                .filter(|said| begun.is_some_and(|begun| said.text.starts_with(&begun)))
                .filter(|said| state.now.saturating_sub(said.at) < WITH_THE_START)
                .map(|said| said.text.clone());
            Some(warn(state, started.map_or(words.clone(), |started| format!("{started}; {words}"))))
        }
        _ => None,
    }
}

/// The name of a lane in front of what is said about it, unless it is the one that is looked at.
fn from(state: &State, lane: LaneId) -> String {
    match state.bench.lane(lane) {
        Some(other) if lane != state.lane => format!("{}: ", text::visible(&other.title)),
        _ => String::new(),
    }
}

/// Rings when an alarm of any lane goes up a step.
fn raise_alarms(state: &mut State) -> Option<Effect> {
    let mut told = None;
    let all: Vec<_> = state.bench.lanes.iter().map(|lane| (lane.id, needs::loud(state, lane))).collect();
    for (lane, alarm) in all {
        let before = state.alarms.insert(lane, alarm).unwrap_or(Alarm::Calm);
        if alarm > before {
            told = Some((lane, alarm));
        }
    }
    let (lane, alarm) = told?;
    if lane != state.lane {
        let words = format!("{}{}", from(state, lane), alarm.words());
        return Some(warn(state, words));
    }
    Some(Effect::Bell)
}
