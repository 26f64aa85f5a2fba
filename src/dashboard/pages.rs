//! What keys do on a page, where nothing lies over it.

use super::entry::{Asks, Entry};
use super::hands::{is_quiet, look_at, open_entry, open_form, pedal};
use super::keys::Action;
use super::sheet::{SheetFor, lay_open};
use super::state::{Lens, Over, Page, State};
use super::update::{Effect, tell, warn};
use super::{
    books, charts, cover, decisions, equipment, fields, filing, holding, lens, needs, review, series, setup,
    steps, titrant,
};
use crate::work::EquipmentKind;
use crossterm::event::{KeyCode, KeyEvent};

/// Lines of a screenful.
pub(super) const MANY_LINES: usize = 15;

pub(super) fn page_key(state: &mut State, key: KeyEvent, wanted: Option<Action>) -> Vec<Effect> {
    let Some(wanted) = wanted else {
        return digit(state, key);
    };
    match wanted {
        Action::Help => state.help = Some(0),
        Action::Back => return back(state),
        Action::Pedal => return pedal(state),
        Action::Open => return open(state),
        Action::Accept if state.page == Page::Runs => return review::sign(state),
        Action::Accept if state.page == Page::Decisions => return decisions::sign(state),
        Action::Accept => {
            return vec![warn(state, "nothing is accepted here: series p, titrant t, electrode e, runs r")];
        }
        Action::Search => {
            let effects = go(state, Page::Runs);
            lay_open(state, SheetFor::Search);
            return effects;
        }
        Action::Lay if state.page == Page::Runs => return review::lay(state),
        Action::Lay => {
            return vec![warn(state, "curves are laid over each other on the page of the runs (r)")];
        }
        Action::File => return filing::open(state),
        Action::Add => return add(state),
        Action::NewKey => lay_open(state, SheetFor::NewKey),
        Action::Note if matches!(state.page, Page::Series | Page::Titrant) => {
            lay_open(state, SheetFor::Remark)
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
        Action::BuretteStart if state.page == Page::Steps => return steps::skip(state),
        Action::BuretteStart => return open_volume(state, Asks::BuretteStart),
        Action::Correct if state.page == Page::Runs => return review::choose(state),
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
        Action::Left | Action::Right if state.page == Page::Decisions => return decisions::turn(state),
        Action::Left | Action::Right if state.page == Page::Charts => {
            charts::turn(state, wanted == Action::Right);
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
        Page::Steps if is_quiet(state) => steps::tick(state),
        Page::Equipment => equipment::open(state),
        Page::Run
        | Page::Wire
        | Page::Electrode
        | Page::Titrant
        | Page::Setup
        | Page::Steps
        | Page::Decisions
        | Page::Charts => Vec::new(),
    }
}

/// Opens what adds something, by the page.
fn add(state: &mut State) -> Vec<Effect> {
    match state.page {
        Page::Titrant => titrant::add(state, EquipmentKind::Titrant),
        Page::Electrode => titrant::add(state, EquipmentKind::Electrode),
        Page::Equipment => lay_open(state, SheetFor::Piece),
        Page::Runs => return review::again(state),
        Page::Bench => return go(state, Page::Setup),
        _ => {
            return vec![warn(
                state,
                "add: a lot on the page of titrants (t), an electrode (e), a bench (b), equipment (q)",
            )];
        }
    }
    Vec::new()
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
        Page::Runs if state.review.opened.is_some() => {
            // As many lines as the longest that is looked through.
            state.review.scrolled = stepped(state.review.scrolled, 200);
        }
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
        Page::Steps => state.steps_line = stepped(state.steps_line, steps::lines(state).len()),
        Page::Equipment => {
            state.equipment_line = stepped(state.equipment_line, equipment::pieces(state).len())
        }
        Page::Decisions => {
            let count = state.books.decisions.as_ref().map_or(0, |told| told.rows.len());
            state.decisions_line = stepped(state.decisions_line, count);
        }
        Page::Charts => state.charts.point = stepped(state.charts.point, charts::points(state)),
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
