//! What keys and scans do.

use super::entry::{Asks, Entry, LONGEST_TEXT};
use super::fields::{self, entry_key, form_key, sheet_key};
use super::form::Form;
use super::keyboard::Gesture;
use super::keys::{Action, action};
use super::lens;
use super::sheet::{SheetFor, opened};
use super::state::{Armed, Deed, Lens, Over, Page, State};
use super::update::{Effect, ask, tell, warn};
use super::{books, cover, electrode, holding, needs, review, series, setup, text, titrant};
use crate::work::{Command, EquipmentKind, LaneId, Origin, RunPlan, VolumeMark};
use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use std::time::Duration;

/// The pedal counts again after it has been up this long: one step is one press, however long the foot stays.
const PEDAL_RESTS: Duration = Duration::from_millis(700);
/// The pedal and the start count only this long after the last character.
const QUIET: Duration = Duration::from_millis(300);
/// Lines of a screenful.
const MANY_LINES: usize = 15;

/// Lets a first press go whose second did not come.
pub(super) fn settle(state: &mut State) {
    state.armed.take_if(|armed| state.now >= armed.deadline());
}

/// Takes what the keyboard gave.
pub(super) fn gesture(state: &mut State, gesture: Gesture) -> Vec<Effect> {
    if let Gesture::Burst { .. } = gesture {
        state.armed = None;
    }
    match gesture {
        Gesture::Key(key) => {
            let effects = press(state, key);
            if matches!(key.code, KeyCode::Char(c) if c != ' ') {
                state.typed = Some(state.now);
            }
            effects
        }
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
        Over::Form(form) if form.line == super::form::FormLine::Procedure => {
            for c in text.chars().filter(|c| !c.is_control()) {
                form.search(Some(c), &state.options.procedures);
            }
            true
        }
        Over::Form(form) => {
            form.insert(text);
            form.input().is_some()
        }
        Over::Sheet(sheet) => {
            sheet.insert(text);
            true
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
    let label: String = label.chars().take(LONGEST_TEXT).collect();
    if label.is_empty() {
        return Vec::new();
    }
    let shown = text::visible(&label);
    let expects_sample = state.page == Page::Run && state.live_run().is_none() && state.lane().is_some();
    match &mut state.over {
        Over::Form(form) => {
            let typed_on = matches!(
                form.line,
                super::form::FormLine::Series | super::form::FormLine::Lot | super::form::FormLine::Reason
            ) || matches!(form.line, super::form::FormLine::Asked(_));
            if typed_on {
                form.insert(&label);
                return Vec::new();
            }
            let as_mass = form.scan(&label);
            let what =
                if as_mass { "came at once as the mass: Enter takes it:" } else { "scanned as the sample:" };
            tell(state, format!("{what} {shown}"));
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
        Over::Sheet(sheet) => {
            sheet.insert(&label);
            Vec::new()
        }
        Over::Nothing if expects_sample => {
            let effects = open_form(state, None);
            if let Over::Form(form) = &mut state.over {
                form.scan(&label);
            }
            tell(state, format!("scanned as the sample: {shown}"));
            effects
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
        // Whoever doubts the screen doubts what it shows as well.
        let mut effects = books::refresh(state);
        effects.push(Effect::Redraw);
        return effects;
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
        Over::Sheet(sheet) => sheet_key(state, key, wanted, sheet),
    }
}

/// Keys that count only when pressed twice; `None` when the key is not one of them.
fn two_presses(state: &mut State, action: Action) -> Option<Vec<Effect>> {
    let deed = match (action, &state.over) {
        (Action::EndRun, _) => Deed::EndRun(state.lane),
        (Action::LeaveScreen, _) => Deed::LeaveScreen,
        (Action::SetAside, Over::Entry(Entry { asks: Asks::Reason(_), .. })) => Deed::SetAside,
        (Action::SetAside, Over::Nothing)
            if state.page == Page::Electrode && state.electrode.checking.is_some() =>
        {
            Deed::DropCheck
        }
        (Action::Accept, Over::Sheet(sheet)) if sheet.purpose.is_decision() => Deed::Sheet,
        (Action::Accept, Over::Nothing)
            if matches!(state.page, Page::Electrode | Page::Titrant | Page::Series) =>
        {
            Deed::Accept
        }
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
    match state.armed.replace(Armed { deed, at: now }) {
        Some(first) if first.deed == deed && now.saturating_sub(first.at) >= deed.apart() => {
            state.armed = None;
            Some(carry_out(state, deed))
        }
        _ => Some(Vec::new()),
    }
}

fn carry_out(state: &mut State, deed: Deed) -> Vec<Effect> {
    match deed {
        Deed::EndRun(lane) => vec![ask(state, Command::End { lane, reason: None })],
        Deed::LeaveScreen => vec![Effect::Leave],
        Deed::DropCheck => electrode::drop_it(state),
        Deed::Accept => match state.page {
            Page::Electrode => electrode::keep(state),
            Page::Titrant => titrant::accept(state),
            _ => series::accept(state),
        },
        Deed::Sheet => match std::mem::replace(&mut state.over, Over::Nothing) {
            Over::Sheet(sheet) => fields::decided(state, sheet),
            over => {
                state.over = over;
                Vec::new()
            }
        },
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
        Some(Action::Down) => Some((scrolled + 1).min(super::keys::TABLE.len() + 30)),
        Some(Action::PageUp | Action::First) => Some(0),
        Some(Action::PageDown | Action::Last) => {
            Some((scrolled + MANY_LINES).min(super::keys::TABLE.len() + 30))
        }
        _ => Some(scrolled),
    };
}

fn page_key(state: &mut State, key: KeyEvent, wanted: Option<Action>) -> Vec<Effect> {
    let Some(wanted) = wanted else {
        return digit(state, key);
    };
    match wanted {
        Action::Help => state.help = Some(0),
        Action::Back => return back(state),
        Action::Pedal => return pedal(state),
        Action::Open => return open(state),
        Action::Accept if state.page == Page::Runs => return review::sign(state),
        Action::Accept => {
            return vec![warn(state, "nothing is accepted here: series p, titrant t, electrode e, runs r")];
        }
        Action::Search => {
            let effects = go(state, Page::Runs);
            let sheet = opened(state, SheetFor::Search);
            state.over = Over::Sheet(sheet);
            return effects;
        }
        Action::Lay if state.page == Page::Runs => return review::lay(state),
        Action::Lay => {
            return vec![warn(state, "curves are laid over each other on the page of the runs (r)")];
        }
        Action::Add => return add(state),
        Action::NewKey => {
            let sheet = opened(state, SheetFor::NewKey);
            state.over = Over::Sheet(sheet);
        }
        Action::Note => open_entry(state, Asks::Note),
        Action::Seen if state.live_run().is_none() => {
            return vec![warn(state, "no run goes on: start one first (space)")];
        }
        Action::Seen => open_entry(state, Asks::Seen),
        Action::Hand => return holding::open(state),
        Action::Cover => return cover::cover(state),
        Action::Silence => return silence(state),
        Action::Jump => jump(state),
        Action::Burette => return open_volume(state, Asks::Burette),
        Action::BuretteStart => return open_volume(state, Asks::BuretteStart),
        Action::Correct => return open_volume(state, Asks::Correction),
        Action::SetAside if state.page == Page::Series => return series::set_aside(state),
        Action::SetAside => return open_reason(state),
        Action::Reread => return read_profile_again(state),
        Action::Go(page) => return go(state, page),
        Action::NextPage | Action::PreviousPage => {
            let at = Page::ALL.iter().position(|page| *page == state.page).unwrap_or(0);
            let step = if wanted == Action::NextPage { 1 } else { Page::ALL.len() - 1 };
            return go(state, Page::ALL[(at + step) % Page::ALL.len()]);
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
        Action::Left | Action::Right if state.page == Page::Series => {
            return series::turn(state, wanted == Action::Right);
        }
        Action::Left | Action::Right if state.page == Page::Runs => {
            review::turn(state, wanted == Action::Right);
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

/// Whether the pedal was up long enough for this press to count, and no text is coming in.
pub(super) fn pedal_counts(state: &mut State) -> bool {
    let before = state.pedal.replace(state.now);
    before.is_none_or(|before| state.now.saturating_sub(before) >= PEDAL_RESTS) && is_quiet(state)
}

/// Whether no character came just now: a slow scanner types no faster than a hand.
pub(super) fn is_quiet(state: &State) -> bool {
    state.typed.is_none_or(|typed| state.now.saturating_sub(typed) >= QUIET)
}

fn pedal(state: &mut State) -> Vec<Effect> {
    if !pedal_counts(state) {
        return Vec::new();
    }
    match state.page {
        Page::Setup => return if is_quiet(state) { setup::on(state) } else { Vec::new() },
        Page::Electrode => return electrode::open(state),
        Page::Titrant if state.live_run().is_none() => return titrant::next(state),
        Page::Series if state.live_run().is_none() => return series::next(state),
        _ => {}
    }
    let lane = state.lane;
    let Some(here) = state.lane() else { return go(state, Page::Setup) };
    let keyed = here.keyed;
    match state.live_run() {
        None => open_form(state, None),
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

/// Goes to a page, and asks for what it shows.
pub(super) fn go(state: &mut State, page: Page) -> Vec<Effect> {
    state.page = page;
    books::refresh(state)
}

fn silence(state: &mut State) -> Vec<Effect> {
    match needs::silence(state) {
        0 => tell(state, "nothing sounds now"),
        _ => tell(state, "silenced; a graver alarm is heard again"),
    }
    Vec::new()
}

fn jump(state: &mut State) {
    match needs::elsewhere(state) {
        Some((lane, title, need)) => {
            look_at(state, lane);
            state.page = Page::Run;
            tell(state, format!("{title}: {}", need.words));
        }
        None => tell(state, "no other lane needs anybody"),
    }
}

/// A step back: within the page, to the form that was left for it, to the run.
fn back(state: &mut State) -> Vec<Effect> {
    if state.page == Page::Setup && setup::back(state) {
        return Vec::new();
    }
    match state.page {
        Page::Runs if state.review.opened.take().is_some() => return Vec::new(),
        Page::Run => {
            state.lens = Lens::default();
            return Vec::new();
        }
        _ => state.page = Page::Run,
    }
    if std::mem::take(&mut state.back_to_form) && state.live_run().is_none() {
        state.books.ready = None;
        return open_form(state, None);
    }
    Vec::new()
}

fn open(state: &mut State) -> Vec<Effect> {
    match state.page {
        Page::Bench => {
            if let Some(lane) = state.bench.lanes.get(state.bench_line) {
                let id = lane.id;
                look_at(state, id);
                state.page = Page::Run;
            }
            Vec::new()
        }
        Page::Run if state.lane().is_none() && state.attached => go(state, Page::Setup),
        Page::Run if state.live_run().is_none() && state.lane().is_some() => open_form(state, None),
        Page::Runs => review::open(state),
        Page::Series => match series::run(state) {
            Some(run) => {
                state.page = Page::Runs;
                let mut effects = books::refresh(state);
                effects.extend(review::look_through(state, run));
                effects
            }
            None => Vec::new(),
        },
        Page::Setup if is_quiet(state) => setup::on(state),
        Page::Run | Page::Wire | Page::Electrode | Page::Titrant | Page::Setup => Vec::new(),
    }
}

/// Opens what adds something, by the page.
fn add(state: &mut State) -> Vec<Effect> {
    match state.page {
        Page::Titrant => titrant::add(state, EquipmentKind::Titrant),
        Page::Electrode => titrant::add(state, EquipmentKind::Electrode),
        Page::Bench => return go(state, Page::Setup),
        _ => {
            return vec![warn(
                state,
                "add: a lot on the page of titrants (t), an electrode (e), a bench (b)",
            )];
        }
    }
    Vec::new()
}

/// The practice bench of the lane: title, profile and port; none where a real instrument hangs.
pub(super) fn practice_bench(state: &State) -> Option<(String, String, String)> {
    let lane = state.lane().filter(|lane| electrode::origin_of(lane) == Origin::Simulator)?;
    let profile = lane.profiles.first().cloned().unwrap_or_default();
    Some((lane.title.clone(), profile, lane.port.clone()))
}

/// The lane that opens next takes the place of the one that is looked at.
pub(super) fn expects_lane(state: &mut State) {
    state.expects_lane = true;
}

/// Begins a portion by a plan, or by what the lane had last.
pub(super) fn begin(state: &mut State, plan: Option<RunPlan>) -> Vec<Effect> {
    if state.lane().is_none() {
        return go(state, Page::Setup);
    }
    if state.live_run().is_some() {
        return vec![warn(state, "a run goes on: end it first (F8 F8)")];
    }
    open_form(state, plan)
}

/// Looks at a lane.
pub(super) fn look_at(state: &mut State, lane: LaneId) {
    if lane != state.lane {
        state.lane = lane;
        state.lens = Lens::default();
        state.wire_from = None;
    }
}

fn open_form(state: &mut State, plan: Option<RunPlan>) -> Vec<Effect> {
    state.page = Page::Run;
    let shelved = state.form_shelf.take();
    let Some(lane) = state.lane() else { return Vec::new() };
    let procedures = &state.options.procedures;
    let form = match (plan, shelved) {
        // What was left with Esc is taken up again, unless something else was asked for.
        (None, Some((of, form))) if of == state.lane => form,
        (Some(plan), Some((_, form)))
            if form.plan_so_far().series == plan.series
                && form.plan_so_far().sample == plan.sample
                && form.plan_so_far().role == plan.role
                && form.procedure() == plan.procedure =>
        {
            form
        }
        (Some(plan), _) => Form::of(&plan, procedures),
        (None, _) => Form::after(lane, &state.options.plan, procedures),
    };
    let plan = form.plan_so_far();
    state.over = Over::Form(form);
    let mut effects = books::consult(state, super::desk::Question::Stock);
    effects.extend(books::readiness(state, plan));
    effects
}

pub(super) fn open_entry(state: &mut State, asks: Asks) {
    if state.lane().is_none() && !matches!(asks, Asks::Reason(_)) {
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

/// A run keeps its profile unless there is a reason.
fn read_profile_again(state: &mut State) -> Vec<Effect> {
    if state.page != Page::Wire {
        return vec![warn(state, "the profile is read again on the page of the wire (F3)")];
    }
    if state.live_run().is_none() {
        return fields::reread(state, None);
    }
    open_entry(state, Asks::NewProfile);
    Vec::new()
}

fn open_reason(state: &mut State) -> Vec<Effect> {
    use super::options::RunFate;
    // On the page of the run it is the one that has just ended.
    let ended = state.run().filter(|run| run.end.is_some()).map(|run| run.head.run);
    let listed = |run: i64| state.options.runs.iter().find(|stored| stored.run == run);
    let stored = match (state.page, state.review.opened, ended) {
        (Page::Runs, Some(run), _) | (Page::Run, _, Some(run)) => listed(run),
        (Page::Runs, None, _) => review::chosen(state),
        (Page::Run, ..) if state.live_run().is_some() => {
            return vec![warn(state, "this run goes on: end it first (F8 F8)")];
        }
        _ => return vec![warn(state, "a run is set aside on the page of the stored runs (F5)")],
    };
    match stored {
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
        Page::Runs => state.runs_line = stepped(state.runs_line, review::listed(state).len()),
        Page::Series => {
            state.series.line = stepped(state.series.line, series::rows(series::groups(state)).len())
        }
        Page::Titrant => state.titrant_line = stepped(state.titrant_line, titrant::lots(state).len()),
        Page::Electrode => {
            let count = state.books.stock.as_ref().map_or(0, |(stock, _)| stock.checks.len());
            state.electrode.line = stepped(state.electrode.line, count);
        }
        Page::Setup => state.setup.line = stepped(state.setup.line, state.setup.places.len() + 1),
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
