//! What keys do in a field and in the form for the next portion.

use super::books;
use super::entry::{Asks, Entry, LONGEST_TEXT, insert};
use super::form::{Form, FormLine, wants_reason};
use super::hands::{is_quiet, pedal_counts};
use super::keys::Action;
use super::meter::Meter;
use super::state::{Over, State};
use super::update::{Effect, ProfileWish, ask, tell, warn};
use super::{hands, sheet};
use crate::reading::Quantity;
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
pub(super) fn edit(input: &mut tui_input::Input, key: KeyEvent) {
    if let Some(request) = to_input_request(&TerminalEvent::Key(key))
        && !matches!(request, tui_input::InputRequest::InsertChar(_) | tui_input::InputRequest::Yank)
    {
        input.handle(request);
    }
}

/// Whether a key comes without Control or Alt.
pub(super) fn plain(key: KeyEvent) -> bool {
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
    let reason = form_wants_reason(state);
    let (number_line, words) = (form.line == FormLine::Mass, form.takes_words());
    let before = form.sample.value().to_owned();
    match (wanted, key.code) {
        (Some(Action::Back), _) => {
            state.form_shelf = Some((state.lane, form));
            return Vec::new();
        }
        // Keys that print nothing lead to another page from every line, letters only where nothing is typed.
        (Some(Action::Go(page)), code) if matches!(code, KeyCode::F(_)) || form.line == FormLine::Ready => {
            state.form_shelf = Some((state.lane, form));
            state.back_to_form = true;
            return super::pages::go(state, page);
        }
        (Some(Action::Up | Action::PreviousPage), _) => form.step(false, reason),
        (Some(Action::Down | Action::NextPage), _) => return down(state, form, false),
        (Some(Action::Open), _) if form.line == FormLine::Ready => {
            if is_quiet(state) {
                return start(state, form);
            }
        }
        (Some(Action::Open), _) => return down(state, form, true),
        (Some(Action::Pedal), _) if form.line == FormLine::Ready => {
            if pedal_counts(state) {
                return start(state, form);
            }
        }
        (Some(Action::Pedal), _) if !words => {
            if pedal_counts(state) {
                return down(state, form, true);
            }
        }
        (Some(Action::Left | Action::Right), _) if form.is_chosen() => {
            let lots = lots(state, &form);
            form.turn(&state.options.procedures, &lots, wanted == Some(Action::Right));
        }
        (_, KeyCode::Char('?')) if !words => state.help = Some(0),
        (_, KeyCode::Char(c)) if form.line == FormLine::Procedure && plain(key) => {
            form.search(Some(c), &state.options.procedures);
        }
        (_, KeyCode::Backspace) if form.line == FormLine::Procedure => {
            form.search(None, &state.options.procedures);
        }
        (_, KeyCode::Char('b')) if number_line && balance(state).is_some() => form.weigh(),
        (_, KeyCode::Backspace) if number_line && form.is_weighed() => form.mass.reset(),
        (_, KeyCode::Char(c)) if plain(key) => {
            if !number_line || c.is_ascii_digit() || c == '.' || c == ',' {
                form.insert(&c.to_string());
            } else {
                tell(state, "a mass is a number; letters lead to other pages from the line start (Down)");
            }
        }
        _ => {
            if let Some(input) = form.input() {
                edit(input, key);
            }
            form.sample_changed(&before);
        }
    }
    let plan = form.plan_so_far();
    let settled = form.is_chosen();
    state.over = Over::Form(form);
    if settled { books::readiness(state, plan) } else { Vec::new() }
}

/// Whether the checklist of the open form wants a reason.
pub(super) fn form_wants_reason(state: &State) -> bool {
    state.books.ready.as_ref().is_some_and(|(_, ready)| wants_reason(&ready.points))
}

/// What the balance of the lane shows in g, and whether it rests; none without a balance.
pub(super) fn balance(state: &State) -> Option<(f64, bool)> {
    /// A balance that does not say when it rests has to keep still for so long, in s.
    const REST_S: u64 = 3;
    let reading = state.lane()?.latest.iter().find(|reading| reading.quantity == Quantity::Mass)?;
    let still = Meter::of(state.lane_meters(), &reading.channel).is_some_and(|m| m.steady_s() >= REST_S);
    Some((reading.canonical()?, reading.steady.unwrap_or(still)))
}

/// The lots of the titrant that the form is about.
fn lots(state: &State, form: &Form) -> Vec<String> {
    let Some((stock, _)) = &state.books.stock else { return Vec::new() };
    let of = stock.of(crate::work::EquipmentKind::Titrant);
    of.filter(|kept| form.titrant().is_none_or(|what| kept.it.what.as_deref() == Some(what)))
        .map(|kept| kept.it.name.clone())
        .collect()
}

/// To the next line of the form (or the next that misses something), unless what stands on this one is wrong.
fn down(state: &mut State, mut form: Form, to_missing: bool) -> Vec<Effect> {
    let reason = form_wants_reason(state);
    let wrong = if form.line == FormLine::Mass { form.mass_g().err() } else { None };
    if wrong.is_none() {
        if to_missing {
            if form.line == FormLine::Procedure && form.lot.value().is_empty() {
                // The only lot that fits is the one.
                if let [only] = lots(state, &form).as_slice() {
                    form.lot = tui_input::Input::new(only.clone());
                }
            }
            form.next_missing(reason);
        } else {
            form.step(true, reason);
        }
    }
    let plan = form.plan_so_far();
    state.over = Over::Form(form);
    let mut effects = books::readiness(state, plan);
    effects.extend(wrong.map(|why| warn(state, format!("mass: {why}"))));
    effects
}

fn start(state: &mut State, form: Form) -> Vec<Effect> {
    let lane = state.lane;
    let key = form.cautions_key();
    if !form.cautions.is_empty() && !cautions_read(state, &key) {
        state.cautions_read.push(key);
        tell(state, "cautions read, for this series; space, the pedal or Enter starts now");
        state.over = Over::Form(form);
        return Vec::new();
    }
    match form.plan() {
        Ok(plan) => {
            // Kept until the recorder has agreed.
            state.form_shelf = Some((lane, form));
            if let Some(bench) = hands::practice_bench(state) {
                let plan = Some(Box::new(plan));
                return books::consult(state, super::desk::Question::Practice { bench, plan });
            }
            vec![ask(state, Command::Start { lane, plan: Box::new(plan) })]
        }
        Err(why) => {
            state.over = Over::Form(form);
            vec![warn(state, why)]
        }
    }
}

/// Whether the cautions of a series and procedure were read: told so, or a portion of it was titrated here.
pub(super) fn cautions_read(state: &State, key: &(String, String)) -> bool {
    let last = state.lane().and_then(|lane| lane.run.as_ref()).map(|run| &run.head.plan);
    let by_last = last.is_some_and(|plan| plan.series == key.0 && plan.procedure == key.1);
    by_last || state.cautions_read.contains(key)
}

/// Puts what the recorder refused back where it can be mended.
pub(super) fn take_back(state: &mut State, command: Command) {
    let begins = matches!(command, Command::Start { .. } | Command::Open { start: Some(_), .. });
    if let (true, Over::Nothing, Some((of, form))) = (begins, &state.over, state.form_shelf.clone())
        && of == state.lane
    {
        state.over = Over::Form(form);
        return;
    }
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
        Command::Reckon { .. } | Command::Enter { .. } => {
            sheet::refused(state);
            return;
        }
        Command::Open { .. }
        | Command::Hand { .. }
        | Command::Start { .. }
        | Command::Queue { .. }
        | Command::Reread { .. }
        | Command::End { .. }
        | Command::Name { .. }
        | Command::Leave => return,
    };
    let mut entry = Entry::new(asks);
    insert(&mut entry.input, &typed, LONGEST_TEXT);
    state.shelf.retain(|shelved| shelved.asks != asks);
    state.shelf.push(entry);
}
