//! The page of electrodes: a check in buffers, by dipping; the checks so far.

use super::books::consult;
use super::desk::{Piece, Question};
use super::sheet::{Sheet, SheetFor, opened};
use super::state::{Over, State};
use super::update::{Effect, ask, tell, warn};
use crate::reading::Reading;
use crate::work::{CheckRecord, Checking, Command, EquipmentKind, Health, LaneId, LaneState, Origin, Stock};

/// The check that goes on, or the last one.
#[derive(Debug, Clone, Default)]
pub(super) struct ElectrodePage {
    /// The lane and the check.
    pub(super) checking: Option<(LaneId, Checking)>,
    /// What it came to, once all buffers were met.
    pub(super) record: Option<Result<CheckRecord, String>>,
    /// It is in the record.
    pub(super) kept: bool,
    /// The practice bench has not put its buffers under the electrode yet: what comes until then is of before.
    pub(super) waits: bool,
    /// Line of the history that is looked at, from the newest.
    pub(super) line: usize,
}

impl ElectrodePage {
    /// Whether something would be lost by beginning anew.
    pub(super) fn is_under_way(&self) -> bool {
        self.checking.as_ref().is_some_and(|(_, checking)| !checking.dips().is_empty()) && !self.kept
    }
}

/// Where the data of a lane come from, by its run or its port.
pub(super) fn origin_of(lane: &LaneState) -> Origin {
    let port = lane.port.as_str();
    let begins = |word: &str| port.starts_with(word);
    match () {
        () if begins("simulator") => Origin::Simulator,
        () if begins("capture") => Origin::Capture,
        () if begins("tcp") => Origin::Network,
        () if begins("file") || begins("stdin") => Origin::File,
        () => Origin::Serial,
    }
}

/// How many times faster than life the practice bench of a lane is; none for a real instrument.
pub(super) fn practice_speed(lane: &LaneState) -> Option<f64> {
    let after = lane.port.strip_prefix("simulator")?;
    let speed = after.strip_prefix('@').and_then(|text| text.split(':').next()?.parse().ok());
    Some(speed.filter(|speed: &f64| *speed > 0.0).unwrap_or(1.0))
}

/// Opens the sheet from which a check begins.
pub(super) fn open(state: &mut State) -> Vec<Effect> {
    if state.lane().is_none() {
        return vec![warn(state, "no bench here: nothing to listen to (F4)")];
    }
    if state.electrode.is_under_way() {
        return vec![warn(state, "a check is under way: F12 F12 keeps it, F9 F9 drops it and begins anew")];
    }
    let sheet = opened(state, SheetFor::Check);
    state.over = Over::Sheet(sheet);
    Vec::new()
}

/// Begins a check as the sheet has it.
pub(super) fn begin(state: &mut State, sheet: Sheet) -> Vec<Effect> {
    let wrong = |state: &mut State, mut sheet: Sheet, line: usize, why: String| {
        sheet.at = line;
        state.over = Over::Sheet(sheet);
        vec![warn(state, why)]
    };
    let (electrode, rest) = (sheet.text(0).to_owned(), sheet.text(2).replace(',', "."));
    if electrode.is_empty() {
        return wrong(state, sheet, 0, "the electrode needs a name".to_owned());
    }
    let Some(rest_s) = rest.parse::<f64>().ok().filter(|s| (0.2..=600.0).contains(s)) else {
        return wrong(state, sheet, 2, "rest: seconds from 0.2 to 600".to_owned());
    };
    let temperature = sheet.text(3).replace(',', ".");
    let temperature_c = match (temperature.is_empty(), temperature.parse::<f64>()) {
        (true, _) => None,
        (false, Ok(c)) if (0.0..=100.0).contains(&c) => Some(c),
        _ => {
            let why = "temperature: degrees Celsius from 0 to 100, or empty".to_owned();
            return wrong(state, sheet, 3, why);
        }
    };
    let buffers: Vec<String> = buffers(sheet.text(1), state.books.stock.as_ref().map(|(stock, _)| stock));
    let empty = Stock::default();
    let stock = state.books.stock.as_ref().map_or(&empty, |(stock, _)| stock);
    match Checking::begin(&electrode, &buffers, rest_s, stock) {
        Ok(mut checking) => {
            checking.temperature_c = temperature_c;
            state.electrode.checking = Some((state.lane, checking));
            state.electrode.record = None;
            state.electrode.kept = false;
            // The next check begins with the same electrode and buffers.
            state.sheets.retain(|shelved| shelved.purpose != SheetFor::Check);
            state.sheets.push(Sheet { at: 0, ..sheet });
            tell(state, "the check has begun: no key is needed, just dip");
            let effects = practice(state);
            state.electrode.waits = !effects.is_empty();
            effects
        }
        Err(why) => wrong(state, sheet, 1, why),
    }
}

/// The practice bench puts its buffers under the electrode.
fn practice(state: &mut State) -> Vec<Effect> {
    let Some(lane) = state.lane() else { return Vec::new() };
    if origin_of(lane) != Origin::Simulator || matches!(lane.health, Health::Opening) {
        return Vec::new();
    }
    let profile = lane.profiles.first().cloned().unwrap_or_default();
    let bench = (lane.title.clone(), profile, lane.port.clone());
    consult(state, Question::Practice { bench, plan: None })
}

/// Names of buffers as typed: apart by blanks, or by commas where a name of a lot holds blanks.
fn buffers(text: &str, stock: Option<&Stock>) -> Vec<String> {
    let parts = |separator: &[char]| -> Vec<String> {
        text.split(separator).map(str::trim).filter(|p| !p.is_empty()).map(str::to_owned).collect()
    };
    let by_comma = parts(&[';']);
    let is_lot =
        |name: &String| stock.is_some_and(|s| s.named(crate::work::EquipmentKind::Buffer, name).is_some());
    if by_comma.iter().any(is_lot) { by_comma } else { parts(&[' ', ';']) }
}

/// Takes readings of a lane in; gives whether a buffer was met.
pub(super) fn hear(state: &mut State, lane: LaneId, readings: &[Reading]) -> Option<Effect> {
    let waits = state.electrode.waits;
    let (of, checking) = state.electrode.checking.as_mut()?;
    if waits || *of != lane || !checking.take(readings) {
        return None;
    }
    let met = checking.dips().len();
    let words = match checking.next() {
        Some(next) => format!("buffer {met} is taken; rinse the electrode and dip it into {next}"),
        None => {
            state.electrode.record = Some(checking.record());
            "all buffers are taken: read the verdict, then F12 F12 keeps the check".to_owned()
        }
    };
    tell(state, words);
    Some(Effect::Bell)
}

/// The lane of the practice bench was opened anew: the check goes on there.
pub(super) fn moved(state: &mut State, from: LaneId, to: LaneId) {
    state.electrode.waits = false;
    if let Some((lane, _)) = &mut state.electrode.checking
        && *lane == from
    {
        *lane = to;
    }
}

/// Keeps the check.
pub(super) fn keep(state: &mut State) -> Vec<Effect> {
    if state.electrode.kept {
        return vec![warn(state, "this check is in the record already")];
    }
    let record = match &state.electrode.record {
        Some(Ok(record)) => record.clone(),
        Some(Err(why)) => {
            let why = why.clone();
            return vec![warn(state, why)];
        }
        None => return vec![warn(state, "no check is complete: space begins one")],
    };
    let of = state.electrode.checking.as_ref().and_then(|(lane, _)| state.bench.lane(*lane));
    let origin = of.map_or(Origin::Serial, origin_of);
    match record.document(origin, "") {
        Ok(document) => {
            let verdict = if record.accepted { "accepted" } else { "NOT ACCEPTED" };
            state.books.kept_words = Some(format!("electrode {}: {verdict}, kept", record.electrode));
            let mut effects = vec![ask(state, Command::Enter { document: Box::new(document) })];
            effects.extend(enter_electrode(state, &record.electrode));
            effects
        }
        Err(why) => vec![warn(state, why)],
    }
}

/// An electrode that was checked in buffers of pH and stands in no list is entered as a glass electrode, so that the
/// checklist of a portion finds its check.
fn enter_electrode(state: &mut State, name: &str) -> Vec<Effect> {
    let unknown = |(stock, _): &(Stock, i64)| stock.named(EquipmentKind::Electrode, name).is_none();
    if !state.books.stock.as_ref().is_some_and(unknown) {
        return Vec::new();
    }
    let piece = Piece {
        kind: EquipmentKind::Electrode,
        name: name.to_owned(),
        fields: vec![("what", "glass".to_owned())],
    };
    consult(state, Question::Equipment(piece))
}

/// The practice bench could not put its buffers there: what the line gives is taken as it comes.
pub(super) fn stays(state: &mut State) {
    state.electrode.waits = false;
}

/// Drops the check that is under way.
pub(super) fn drop_it(state: &mut State) -> Vec<Effect> {
    state.electrode.waits = false;
    state.electrode.checking = None;
    state.electrode.record = None;
    state.electrode.kept = false;
    tell(state, "the check was dropped; nothing is entered");
    open(state)
}
