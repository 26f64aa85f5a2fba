//! Which lane needs a person, and why; and what somebody has silenced.

use super::alarm::{Alarm, to_go};
use super::state::State;
use super::text::{duration, visible};
use crate::work::{Health, LaneId, LaneState};

/// A lane whose run goes on is asked about after so many seconds without a reading.
const SILENT_S: u64 = 30;

/// Why a lane needs a person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Need {
    /// The higher, the more urgent.
    pub(super) rank: u8,
    /// In words.
    pub(super) words: String,
}

/// An alarm that somebody has silenced: it is still told in words, without bell and border.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Silenced {
    /// The alarm of a lane's run, up to this degree.
    Run(LaneId, Alarm),
    /// The line of a lane.
    Line(LaneId),
    /// The record.
    Store,
}

/// The alarm of a lane's run, unless it is silenced.
pub(super) fn loud(state: &State, lane: &LaneState) -> Alarm {
    let alarm = Alarm::of(lane.run.as_ref());
    let quiet = state
        .silenced
        .iter()
        .any(|s| matches!(s, Silenced::Run(of, up_to) if *of == lane.id && alarm <= *up_to));
    if quiet { Alarm::Calm } else { alarm }
}

/// Whether an alarm of the line or the record was silenced.
pub(super) fn is_silenced(state: &State, what: Silenced) -> bool {
    state.silenced.contains(&what)
}

/// Silences whatever sounds now; gives how many things that were.
pub(super) fn silence(state: &mut State) -> usize {
    let mut all = Vec::new();
    for lane in &state.bench.lanes {
        let alarm = loud(state, lane);
        if alarm > Alarm::Calm {
            all.push(Silenced::Run(lane.id, alarm));
        }
        let broken = matches!(lane.health, Health::Gone { .. } | Health::Failed { .. });
        if broken && !is_silenced(state, Silenced::Line(lane.id)) {
            all.push(Silenced::Line(lane.id));
        }
    }
    if state.bench.store.trouble.is_some() && !is_silenced(state, Silenced::Store) {
        all.push(Silenced::Store);
    }
    let count = all.len();
    state.silenced.extend(all);
    count
}

/// Forgets what was silenced and is over, so that the next alarm of its kind is heard.
pub(super) fn settle(state: &mut State) {
    let bench = &state.bench;
    state.silenced.retain(|silenced| match silenced {
        Silenced::Store => bench.store.trouble.is_some(),
        Silenced::Line(of) => bench
            .lane(*of)
            .is_some_and(|lane| matches!(lane.health, Health::Gone { .. } | Health::Failed { .. })),
        Silenced::Run(of, _) => {
            bench.lane(*of).is_some_and(|lane| Alarm::of(lane.run.as_ref()) > Alarm::Calm)
        }
    });
}

/// Why a lane needs a person now, the gravest.
pub(super) fn need(state: &State, lane: &LaneState) -> Option<Need> {
    let need = |rank, words: String| Some(Need { rank, words });
    let run = lane.run.as_ref().filter(|run| run.end.is_none());
    if let (Some(asks), true) = (&lane.people.asks, run.is_some() && lane.people.hand == state.who) {
        return need(9, format!("{} asks for the hand", visible(asks)));
    }
    let going = if run.is_some() { 3 } else { 0 };
    match &lane.health {
        Health::Gone { .. } => return need(5 + going, "the line is gone".to_owned()),
        Health::Failed { .. } => return need(4 + going, "the line cannot be used".to_owned()),
        Health::Opening | Health::Open { .. } | Health::Over { .. } => {}
    }
    let run = run?;
    if let Some(advice) = run.outlook.advice.first() {
        return need(7, visible(advice));
    }
    let alarm = loud(state, lane);
    let unit = run.head.curve.titrant.unit();
    match (alarm, to_go(run).filter(|left| *left > 0.0)) {
        (Alarm::Calm, _) => {}
        (Alarm::Found, _) => return need(6, "end-point found: end it?".to_owned()),
        (Alarm::Near | Alarm::Drops, Some(left)) => {
            return need(4 + u8::from(alarm == Alarm::Drops), format!("{left:.2} {unit} to go"));
        }
        _ => return need(6, alarm.words().to_owned()),
    }
    let silent = state.heard.get(&lane.id).map(|at| state.now.saturating_sub(*at).as_secs());
    match silent {
        Some(silent) if silent >= SILENT_S => need(3, format!("nothing heard for {}", duration(silent))),
        _ => None,
    }
}

/// The lane that needs a person most, other than the one that is looked at.
pub(super) fn elsewhere(state: &State) -> Option<(LaneId, String, Need)> {
    let others = state.bench.lanes.iter().filter(|lane| lane.id != state.lane);
    let needs = others.filter_map(|lane| Some((lane.id, visible(&lane.title), need(state, lane)?)));
    needs.fold(None, |best: Option<(LaneId, String, Need)>, this| match best {
        Some(best) if best.2.rank >= this.2.rank => Some(best),
        _ => Some(this),
    })
}
