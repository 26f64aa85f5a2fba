//! What keys do in a field and in the form for the next portion.

use super::entry::{Asks, Entry, Form, FormLine, LONGEST_TEXT, insert};
use super::hands::{is_quiet, pedal_counts};
use super::keys::Action;
use super::state::{Over, State};
use super::update::{Effect, ProfileWish, ask, tell, warn};
use crate::work::{Command, VolumeMark};
use crossterm::event::{Event as TerminalEvent, KeyCode, KeyEvent, KeyModifiers};
use tui_input::backend::crossterm::to_input_request;

/// A key in a field.
pub(super) fn entry_key(
    state: &mut State,
    key: KeyEvent,
    wanted: Option<Action>,
    mut entry: Entry,
) -> Vec<Effect> {
    match wanted {
        Some(Action::Back) => {
            if !entry.input.value().is_empty() {
                state.shelf.retain(|shelved| shelved.asks != entry.asks);
                state.shelf.push(entry);
            }
            return Vec::new();
        }
        Some(Action::Open) => return submit(state, entry),
        Some(Action::Reread) if entry.asks == Asks::NewProfile => {
            let reason = entry.input.value().trim().to_owned();
            if !reason.is_empty() {
                return reread(state, Some(reason));
            }
            state.over = Over::Entry(entry);
            return vec![warn(state, "a change of the profile during a run needs a reason")];
        }
        Some(Action::Up | Action::Down) if entry.asks.is_volume() => entry.turn(wanted == Some(Action::Down)),
        _ => match key.code {
            KeyCode::Char('?') if entry.asks.is_volume() => state.help = Some(0),
            KeyCode::Char(c) if plain(key) => {
                if !entry.asks.is_volume() || c.is_ascii_digit() || c == '.' || c == ',' {
                    entry.insert(&c.to_string());
                }
            }
            _ => edit(&mut entry.input, key),
        },
    }
    state.over = Over::Entry(entry);
    Vec::new()
}

/// Moves and deletes in a field; characters are typed by [`insert`], which bounds them.
fn edit(input: &mut tui_input::Input, key: KeyEvent) {
    if let Some(request) = to_input_request(&TerminalEvent::Key(key))
        && !matches!(request, tui_input::InputRequest::InsertChar(_) | tui_input::InputRequest::Yank)
    {
        input.handle(request);
    }
}

fn plain(key: KeyEvent) -> bool {
    (key.modifiers - KeyModifiers::SHIFT).is_empty()
}

/// Has the profile files of the lane read again.
pub(super) fn reread(state: &mut State, reason: Option<String>) -> Vec<Effect> {
    let Some(lane) = state.lane() else { return Vec::new() };
    let (id, profiles) = (lane.id, lane.profiles.clone());
    let read = |(instrument, name): (usize, String)| {
        let reason = reason.clone();
        Effect::ReadProfile(ProfileWish { lane: id, instrument, name, reason })
    };
    profiles.into_iter().enumerate().map(read).collect()
}

fn submit(state: &mut State, entry: Entry) -> Vec<Effect> {
    let lane = state.lane;
    match entry.asks {
        Asks::Note => {
            let text = entry.input.value().trim().to_owned();
            if text.is_empty() { Vec::new() } else { vec![ask(state, Command::Note { lane, text })] }
        }
        Asks::Seen => match entry.seen() {
            Ok((reading_ml, what)) => vec![ask(state, Command::Seen { lane, reading_ml, what })],
            Err(why) => {
                state.over = Over::Entry(entry);
                vec![warn(state, why)]
            }
        },
        Asks::GiveHand | Asks::TakeHand => super::holding::submit(state, entry),
        Asks::Reason(_) => {
            state.over = Over::Entry(entry);
            tell(state, "F9 F9 sets the run aside; Esc goes back");
            Vec::new()
        }
        Asks::NewProfile => {
            state.over = Over::Entry(entry);
            tell(state, "F7 reads the profile again; Esc goes back");
            Vec::new()
        }
        Asks::Burette | Asks::BuretteStart | Asks::Correction => match entry.mark() {
            Ok(mark) => vec![ask(state, Command::Mark { lane, mark })],
            Err(why) => {
                state.over = Over::Entry(entry);
                vec![warn(state, why)]
            }
        },
    }
}

/// A key in the form.
pub(super) fn form_key(
    state: &mut State,
    key: KeyEvent,
    wanted: Option<Action>,
    mut form: Form,
) -> Vec<Effect> {
    let number_line = form.line == FormLine::Mass;
    match (wanted, key.code) {
        (Some(Action::Back), _) => {
            state.form_shelf = Some((state.lane, form));
            return Vec::new();
        }
        (Some(Action::Up), _) => form.step(false),
        (Some(Action::PreviousPage), _) => form.step(false),
        (Some(Action::Down | Action::NextPage), _) => return down(state, form),
        (Some(Action::Open), _) if form.line == FormLine::Ready => {
            if is_quiet(state) {
                return start(state, form);
            }
        }
        (Some(Action::Open), _) => return down(state, form),
        (Some(Action::Pedal), _) if form.line == FormLine::Ready => {
            if pedal_counts(state) {
                return start(state, form);
            }
        }
        (Some(Action::Pedal), _) if form.line != FormLine::Sample => {
            if pedal_counts(state) {
                return down(state, form);
            }
        }
        (Some(Action::Left), _) if form.input().is_none() => form.turn(&state.options.procedures, false),
        (Some(Action::Right), _) if form.input().is_none() => form.turn(&state.options.procedures, true),
        (_, KeyCode::Char('?')) if form.line != FormLine::Sample => state.help = Some(0),
        (_, KeyCode::Char(c)) if plain(key) => {
            if !number_line || c.is_ascii_digit() || c == '.' || c == ',' {
                form.insert(&c.to_string());
            }
        }
        _ => {
            if let Some(input) = form.input() {
                edit(input, key);
            }
        }
    }
    state.over = Over::Form(form);
    Vec::new()
}

/// To the next line of the form, unless what stands on this one is wrong.
fn down(state: &mut State, mut form: Form) -> Vec<Effect> {
    let wrong = if form.line == FormLine::Mass { form.mass_g().err() } else { None };
    if wrong.is_none() {
        form.step(true);
    }
    state.over = Over::Form(form);
    wrong.map(|why| warn(state, format!("mass: {why}"))).into_iter().collect()
}

fn start(state: &mut State, form: Form) -> Vec<Effect> {
    let lane = state.lane;
    match form.plan() {
        Ok(plan) => {
            // Kept until the recorder has agreed.
            state.form_shelf = Some((lane, form));
            vec![ask(state, Command::Start { lane, plan: Box::new(plan) })]
        }
        Err(why) => {
            state.over = Over::Form(form);
            vec![warn(state, why)]
        }
    }
}

/// Puts what the recorder refused back where it can be mended.
pub(super) fn take_back(state: &mut State, command: Command) {
    let (asks, typed) = match command {
        Command::Note { text, .. } => (Asks::Note, text),
        Command::SetAside { run, reason } => (Asks::Reason(run), reason),
        Command::Mark { mark, .. } => match mark {
            VolumeMark::Burette { reading_ml } => (Asks::Burette, reading_ml.to_string()),
            VolumeMark::BuretteStart { reading_ml } => (Asks::BuretteStart, reading_ml.to_string()),
            VolumeMark::Correction { reading_ml } => (Asks::Correction, reading_ml.to_string()),
            VolumeMark::Step => return,
        },
        Command::Reread { reason: Some(reason), .. } => (Asks::NewProfile, reason),
        Command::Seen { reading_ml, what, .. } => (Asks::Seen, format!("{reading_ml} {what}")),
        Command::Open { .. }
        | Command::Hand { .. }
        | Command::Start { .. }
        | Command::Queue { .. }
        | Command::Reread { .. }
        | Command::End { .. }
        | Command::Enter { .. }
        | Command::Name { .. }
        | Command::Leave => return,
    };
    let mut entry = Entry::new(asks);
    insert(&mut entry.input, &typed, LONGEST_TEXT);
    state.shelf.retain(|shelved| shelved.asks != asks);
    state.shelf.push(entry);
}
