//! What keys and scans do.

use super::entry::{Asks, Entry, Form, FormLine, insert};
use super::keyboard::{FAST, Gesture};
use super::keys::{Action, action};
use super::lens;
use super::state::{Armed, Deed, Lens, Over, Page, State};
use super::text;
use super::update::{Effect, ask, tell, warn};
use crate::work::{Command, VolumeMark};
use crossterm::event::{Event as TerminalEvent, KeyCode, KeyEvent, KeyModifiers};
use std::time::Duration;
use tui_input::backend::crossterm::to_input_request;

/// The pedal counts again after it has been up this long: one step is one press, however long the foot stays.
const PEDAL_RESTS: Duration = Duration::from_millis(700);
/// Lines of a screenful.
const MANY_LINES: usize = 15;
/// Longest text of a note that comes from a scan or a paste, in characters.
const LONGEST_NOTE: usize = 500;

/// Carries out a second press once it is known that the key was not held down; lets an old first one go.
pub(super) fn settle(state: &mut State) -> Vec<Effect> {
    match state.armed {
        Some(armed) if state.now >= armed.deadline() => {
            state.armed = None;
            if armed.second.is_some() { carry_out(state, armed.deed) } else { Vec::new() }
        }
        _ => Vec::new(),
    }
}

/// Takes what the keyboard gave.
pub(super) fn gesture(state: &mut State, gesture: Gesture) -> Vec<Effect> {
    match gesture {
        Gesture::Key(key) => press(state, key),
        Gesture::Burst { text, entered: true } => scan(state, &text),
        Gesture::Burst { text, entered: false } => burst(state, &text),
    }
}

/// Characters that came at once without Enter: typing over a slow line, or keys struck together.
fn burst(state: &mut State, text: &str) -> Vec<Effect> {
    let typed = match &mut state.over {
        _ if state.help.is_some() => false,
        Over::Entry(entry) => {
            entry.insert(text);
            true
        }
        Over::Form(form) => {
            form.insert(text);
            form.input().is_some()
        }
        Over::Nothing => false,
    };
    if typed {
        return Vec::new();
    }
    let first = text.chars().next().unwrap_or(' ');
    if text.chars().all(|c| c == first) {
        // A key that bounces is one press.
        return press(state, KeyEvent::new(KeyCode::Char(first), KeyModifiers::NONE));
    }
    vec![warn(state, "characters faster than a hand and without Enter: not taken")]
}

/// One scan: to the field that expects one, else a note; never a command.
fn scan(state: &mut State, raw: &str) -> Vec<Effect> {
    let label =
        raw.split(char::is_control).map(str::trim).filter(|s| !s.is_empty()).collect::<Vec<_>>().join(" ");
    let label: String = label.chars().take(LONGEST_NOTE).collect();
    if label.is_empty() {
        return Vec::new();
    }
    let shown = text::visible(&label);
    let expects_sample = state.page == Page::Run && state.live_run().is_none() && state.lane().is_some();
    match &mut state.over {
        Over::Form(form) => {
            form.scan(&label);
            tell(state, format!("scanned as the sample: {shown}"));
            Vec::new()
        }
        Over::Entry(entry) if entry.asks.is_volume() => {
            let mut with = entry.clone();
            with.insert(&label);
            let fits = with.input.value().ends_with(&label) && with.mark().is_ok();
            if fits {
                *entry = with;
                tell(state, "came at once, like a scan: Enter takes it");
                Vec::new()
            } else {
                note(state, label)
            }
        }
        Over::Entry(entry) => {
            entry.insert(&label);
            Vec::new()
        }
        Over::Nothing if expects_sample => {
            open_form(state);
            if let Over::Form(form) = &mut state.over {
                form.scan(&label);
            }
            tell(state, format!("scanned as the sample: {shown}"));
            Vec::new()
        }
        Over::Nothing => note(state, label),
    }
}

fn note(state: &mut State, text: String) -> Vec<Effect> {
    if state.lane().is_none() {
        return vec![warn(state, "no lane to keep a note for")];
    }
    let lane = state.lane;
    vec![ask(state, Command::Note { lane, text })]
}

fn press(state: &mut State, key: KeyEvent) -> Vec<Effect> {
    let wanted = action(key);
    if let Some(action) = wanted
        && let Some(effects) = two_presses(state, action)
    {
        return effects;
    }
    state.armed = None;
    if wanted == Some(Action::Redraw) {
        return vec![Effect::Redraw];
    }
    if let Some(scrolled) = state.help {
        help_key(state, wanted, scrolled);
        return Vec::new();
    }
    if key.code == KeyCode::F(1) {
        state.help = Some(0);
        return Vec::new();
    }
    match std::mem::replace(&mut state.over, Over::Nothing) {
        Over::Nothing => page_key(state, key, wanted),
        Over::Entry(entry) => entry_key(state, key, wanted, entry),
        Over::Form(form) => form_key(state, key, wanted, form),
    }
}

/// Keys that count only when pressed twice; `None` when the key is not one of them.
fn two_presses(state: &mut State, action: Action) -> Option<Vec<Effect>> {
    let deed = match (action, &state.over) {
        (Action::EndRun, _) => Deed::EndRun(state.lane),
        (Action::LeaveScreen, _) => Deed::LeaveScreen,
        (Action::SetAside, Over::Entry(Entry { asks: Asks::Reason(_), .. })) => Deed::SetAside,
        _ => return None,
    };
    if let Deed::EndRun(_) = deed
        && state.live_run().is_none()
    {
        state.armed = None;
        return Some(vec![warn(state, "no run goes on: nothing to end")]);
    }
    if deed == Deed::LeaveScreen && (state.bench.leaving.is_some() || !state.attached) {
        return Some(vec![Effect::Leave]);
    }
    let now = state.now;
    match &mut state.armed {
        Some(armed) if armed.deed == deed && armed.second.is_some() => {
            state.armed = None;
            Some(vec![warn(state, "the key is held down: nothing was done; let go, then press twice")])
        }
        Some(armed) if armed.deed == deed => {
            // A contact that bounces is one press.
            if now.saturating_sub(armed.first) > FAST {
                armed.second = Some(now);
            }
            Some(Vec::new())
        }
        _ => {
            state.armed = Some(Armed { deed, first: now, second: None });
            Some(Vec::new())
        }
    }
}

fn carry_out(state: &mut State, deed: Deed) -> Vec<Effect> {
    match deed {
        Deed::EndRun(lane) => vec![ask(state, Command::End { lane, reason: None })],
        Deed::LeaveScreen => vec![Effect::Leave],
        Deed::SetAside => match std::mem::replace(&mut state.over, Over::Nothing) {
            Over::Entry(Entry { asks: Asks::Reason(run), input }) if !input.value().trim().is_empty() => {
                let reason = input.value().trim().to_owned();
                vec![ask(state, Command::SetAside { run, reason })]
            }
            over => {
                state.over = over;
                vec![warn(state, "a reason is needed before a run is set aside")]
            }
        },
    }
}

fn help_key(state: &mut State, wanted: Option<Action>, scrolled: usize) {
    state.help = match wanted {
        Some(Action::Help | Action::Back | Action::Open) => None,
        Some(Action::Up) => Some(scrolled.saturating_sub(1)),
        Some(Action::Down) => Some((scrolled + 1).min(super::keys::TABLE.len())),
        Some(Action::PageUp | Action::First) => Some(0),
        Some(Action::PageDown | Action::Last) => Some((scrolled + MANY_LINES).min(super::keys::TABLE.len())),
        _ => Some(scrolled),
    };
}

fn page_key(state: &mut State, key: KeyEvent, wanted: Option<Action>) -> Vec<Effect> {
    let Some(wanted) = wanted else {
        return digit(state, key);
    };
    match wanted {
        Action::Help => state.help = Some(0),
        Action::Back => back(state),
        Action::Pedal => return pedal(state),
        Action::Open => open(state),
        Action::Note => open_entry(state, Asks::Note),
        Action::Burette => return open_volume(state, Asks::Burette),
        Action::BuretteStart => return open_volume(state, Asks::BuretteStart),
        Action::Correct => return open_volume(state, Asks::Correction),
        Action::SetAside => return open_reason(state),
        Action::Go(page) => state.page = page,
        Action::NextPage | Action::PreviousPage => {
            let at = Page::ALL.iter().position(|page| *page == state.page).unwrap_or(0);
            let step = if wanted == Action::NextPage { 1 } else { Page::ALL.len() - 1 };
            state.page = Page::ALL[(at + step) % Page::ALL.len()];
        }
        Action::NextLane => {
            let lanes = &state.bench.lanes;
            let at = lanes.iter().position(|lane| lane.id == state.lane).unwrap_or(0);
            if let Some(next) = lanes.get((at + 1) % lanes.len().max(1)) {
                look_at(state, next.id);
            }
        }
        Action::Up => scroll(state, -1),
        Action::Down => scroll(state, 1),
        Action::PageUp => scroll(state, -(MANY_LINES as isize)),
        Action::PageDown => scroll(state, MANY_LINES as isize),
        Action::First => match state.page {
            Page::Run => state.lens = Lens::default(),
            _ => scroll(state, isize::MIN / 2),
        },
        Action::Last => match state.page {
            Page::Run => state.lens.cursor = None,
            Page::Wire => state.wire_from = None,
            _ => scroll(state, isize::MAX / 2),
        },
        Action::Left | Action::Right if state.page == Page::Run => {
            if let Some(run) = state.run() {
                state.lens = lens::moved(run, state.lens, wanted == Action::Right);
            }
        }
        Action::ZoomIn => state.lens.zoom = (state.lens.zoom + 1).min(lens::MOST_ZOOM),
        Action::ZoomOut => state.lens.zoom = state.lens.zoom.saturating_sub(1),
        Action::Left | Action::Right => {}
        Action::EndRun | Action::LeaveScreen | Action::Redraw => {}
    }
    Vec::new()
}

/// In a hand titration a digit opens the burette reading with it.
fn digit(state: &mut State, key: KeyEvent) -> Vec<Effect> {
    let KeyCode::Char(c @ '0'..='9') = key.code else { return Vec::new() };
    if state.page != Page::Run || state.live_run().is_none() || !state.lane().is_some_and(|lane| lane.keyed) {
        return Vec::new();
    }
    let mut entry = Entry::new(Asks::Burette);
    entry.insert(&c.to_string());
    state.over = Over::Entry(entry);
    Vec::new()
}

/// Whether the pedal was up long enough for this press to count.
fn pedal_counts(state: &mut State) -> bool {
    let before = state.pedal.replace(state.now);
    before.is_none_or(|before| state.now.saturating_sub(before) >= PEDAL_RESTS)
}

fn pedal(state: &mut State) -> Vec<Effect> {
    if !pedal_counts(state) {
        return Vec::new();
    }
    let lane = state.lane;
    let Some(here) = state.lane() else { return vec![warn(state, "no lane here: nothing to start")] };
    let keyed = here.keyed;
    match state.live_run() {
        None => {
            open_form(state);
            Vec::new()
        }
        Some(_) if keyed => vec![ask(state, Command::Mark { lane, mark: VolumeMark::Step })],
        Some(run) => {
            let unit = run.head.curve.titrant.unit();
            let text = match run.points.last() {
                Some(point) => format!("mark at {:.3} {unit}", point.titrant),
                None => "mark".to_owned(),
            };
            vec![ask(state, Command::Note { lane, text })]
        }
    }
}

fn back(state: &mut State) {
    if state.page != Page::Run {
        state.page = Page::Run;
    } else {
        state.lens = Lens::default();
    }
}

fn open(state: &mut State) {
    match state.page {
        Page::Bench => {
            if let Some(lane) = state.bench.lanes.get(state.bench_line) {
                let id = lane.id;
                look_at(state, id);
                state.page = Page::Run;
            }
        }
        Page::Run if state.live_run().is_none() && state.lane().is_some() => open_form(state),
        Page::Run | Page::Wire | Page::Runs => {}
    }
}

fn look_at(state: &mut State, lane: crate::work::LaneId) {
    if lane != state.lane {
        state.lane = lane;
        state.lens = Lens::default();
        state.wire_from = None;
    }
}

fn open_form(state: &mut State) {
    state.page = Page::Run;
    let Some(lane) = state.lane() else { return };
    let fresh = Form::after(lane, &state.options.plan, &state.options.procedures);
    state.over = Over::Form(match state.form_shelf.take() {
        Some((lane, form)) if lane == state.lane => form,
        _ => fresh,
    });
}

fn open_entry(state: &mut State, asks: Asks) {
    if state.lane().is_none() {
        state.over = Over::Nothing;
        return;
    }
    let shelved = state.shelf.iter().position(|entry| entry.asks == asks);
    let entry = shelved.map_or_else(|| Entry::new(asks), |at| state.shelf.remove(at));
    state.over = Over::Entry(entry);
}

fn open_volume(state: &mut State, asks: Asks) -> Vec<Effect> {
    match state.lane() {
        Some(lane) if !lane.keyed => {
            vec![warn(state, "volumes come from the line on this lane: nothing to key")]
        }
        Some(_) if state.live_run().is_none() => vec![warn(state, "no run goes on: start one first (space)")],
        Some(_) => {
            open_entry(state, asks);
            Vec::new()
        }
        None => Vec::new(),
    }
}

fn open_reason(state: &mut State) -> Vec<Effect> {
    use super::options::RunFate;
    if state.page != Page::Runs {
        return vec![warn(state, "a run is set aside on the page of the stored runs (F5)")];
    }
    match state.options.runs.get(state.runs_line) {
        Some(stored) if matches!(stored.fate, RunFate::GoesOn) => {
            vec![warn(state, "this run goes on: end it first")]
        }
        Some(stored) if matches!(stored.fate, RunFate::SetAside(_)) => {
            vec![warn(state, "this run is set aside already")]
        }
        Some(stored) => {
            let asks = Asks::Reason(stored.run);
            open_entry(state, asks);
            Vec::new()
        }
        None => Vec::new(),
    }
}

fn scroll(state: &mut State, lines: isize) {
    let stepped = |at: usize, count: usize| at.saturating_add_signed(lines).min(count.saturating_sub(1));
    match state.page {
        Page::Bench => state.bench_line = stepped(state.bench_line, state.bench.lanes.len()),
        Page::Runs => state.runs_line = stepped(state.runs_line, state.options.runs.len()),
        Page::Wire => {
            let Some(frames) = state.lane().map(|lane| &lane.frames) else { return };
            let newest = frames.len().saturating_sub(1);
            let at =
                state.wire_from.and_then(|n| frames.iter().position(|f| f.number >= n)).unwrap_or(newest);
            let to = stepped(at, frames.len());
            state.wire_from = if to >= newest { None } else { frames.get(to).map(|f| f.number) };
        }
        Page::Run => {}
    }
}

fn entry_key(state: &mut State, key: KeyEvent, wanted: Option<Action>, mut entry: Entry) -> Vec<Effect> {
    match wanted {
        Some(Action::Back) => {
            if !entry.input.value().is_empty() {
                state.shelf.retain(|shelved| shelved.asks != entry.asks);
                state.shelf.push(entry);
            }
            return Vec::new();
        }
        Some(Action::Open) => return submit(state, entry),
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

fn submit(state: &mut State, entry: Entry) -> Vec<Effect> {
    let lane = state.lane;
    match entry.asks {
        Asks::Note => {
            let text = entry.input.value().trim().to_owned();
            if text.is_empty() { Vec::new() } else { vec![ask(state, Command::Note { lane, text })] }
        }
        Asks::Reason(_) => {
            state.over = Over::Entry(entry);
            tell(state, "F9 F9 sets the run aside; Esc goes back");
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

fn form_key(state: &mut State, key: KeyEvent, wanted: Option<Action>, mut form: Form) -> Vec<Effect> {
    let number_line = form.line == FormLine::Mass;
    match (wanted, key.code) {
        (Some(Action::Back), _) => {
            state.form_shelf = Some((state.lane, form));
            return Vec::new();
        }
        (Some(Action::Up), _) => form.step(false),
        (Some(Action::PreviousPage), _) => form.step(false),
        (Some(Action::Down | Action::NextPage), _) => return down(state, form),
        (Some(Action::Open), _) if form.line == FormLine::Ready => return start(state, form),
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
        Command::Open { .. } | Command::Start { .. } | Command::End { .. } | Command::Leave => return,
    };
    let mut entry = Entry::new(asks);
    insert(&mut entry.input, &typed, LONGEST_NOTE);
    state.shelf.retain(|shelved| shelved.asks != asks);
    state.shelf.push(entry);
}
