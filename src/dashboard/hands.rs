//! What keys and scans do.

use super::entry::{Asks, Entry, LONGEST_TEXT};
use super::fields::{entry_key, form_key};
use super::form::Form;
use super::keyboard::Gesture;
use super::keys::{Action, action};
use super::sheet::{self, sheet_key};
use super::state::{Armed, Deed, Lens, Over, Page, State};
use super::update::{Effect, ask, tell, warn};
use super::{books, electrode, pages, series, setup, steps, text, titrant};
use crate::work::{Command, LaneId, Origin, RunPlan, VolumeMark};
use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use std::time::Duration;

/// The pedal counts again after it has been up this long: one step is one press, however long the foot stays.
const PEDAL_RESTS: Duration = Duration::from_millis(700);
/// The pedal and the start count only this long after the last character.
const QUIET: Duration = Duration::from_millis(300);
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
        Over::Nothing => pages::page_key(state, key, wanted),
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
            Over::Sheet(sheet) => sheet::decided(state, sheet),
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
            Some((scrolled + pages::MANY_LINES).min(super::keys::TABLE.len() + 30))
        }
        _ => Some(scrolled),
    };
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

pub(super) fn pedal(state: &mut State) -> Vec<Effect> {
    if !pedal_counts(state) {
        return Vec::new();
    }
    match state.page {
        Page::Setup => return if is_quiet(state) { setup::on(state) } else { Vec::new() },
        Page::Electrode => return electrode::open(state),
        Page::Steps => return steps::tick(state),
        Page::Titrant if state.live_run().is_none() => return titrant::next(state),
        Page::Series if state.live_run().is_none() => return series::next(state),
        _ => {}
    }
    let lane = state.lane;
    let Some(here) = state.lane() else { return pages::go(state, Page::Setup) };
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
        return pages::go(state, Page::Setup);
    }
    if state.live_run().is_some() {
        return vec![warn(state, "a run goes on: end it first (F8 F8)")];
    }
    // The page may have been read before the last run was written: no number is given twice.
    let last = state.run().map(|run| run.head.plan.clone());
    let plan = plan.map(|mut plan| {
        let before = last.filter(|last| {
            // A series that is not known yet is the one that the recorder has named.
            (last.role, &last.sample, &last.procedure, &last.uses)
                == (plan.role, &plan.sample, &plan.procedure, &plan.uses)
                && (plan.series.is_empty() || plan.series == last.series)
        });
        if let Some(last) = &before {
            plan.series.clone_from(&last.series);
        }
        let least = before.map_or(1, |last| last.portion.saturating_add(1));
        plan.portion = plan.portion.max(least);
        plan.portions = plan.portions.max(plan.portion);
        plan
    });
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

pub(super) fn open_form(state: &mut State, plan: Option<RunPlan>) -> Vec<Effect> {
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
        // A titrant whose factor holds is not standardised once more without being asked.
        (None, _) if titrant::is_held(state, lane) => Form::of(&state.options.plan, procedures),
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
