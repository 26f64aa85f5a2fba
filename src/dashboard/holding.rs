//! The hand on a run, from the screen: who has it, asking for it, giving, keeping and taking it.

use super::entry::{Asks, Entry};
use super::state::{Over, State};
use super::text::visible;
use super::update::{Effect, ask, tell, warn};
use crate::work::{Command, HandWish, LaneState};

/// Opens what can be done about the hand now.
pub(super) fn open(state: &mut State) -> Vec<Effect> {
    let Some(lane) = state.lane() else { return vec![warn(state, "no lane here: nobody has a hand on it")] };
    if state.live_run().is_none() {
        return vec![warn(state, "no run goes on: whoever starts one has the hand on it")];
    }
    let (holder, asks) = (lane.people.hand.clone(), lane.people.asks.clone());
    let holder = match holder {
        None => return vec![warn(state, "nobody has the hand on this run: everybody may command it")],
        Some(holder) => holder,
    };
    let is_mine = Some(&holder) == state.who.as_ref();
    let (opens, words) = match (is_mine, asks) {
        (true, None) => {
            tell(state, "you have the hand on this run, and nobody asks for it");
            return Vec::new();
        }
        (true, Some(asker)) => (
            Asks::GiveHand,
            format!("{} asks for the hand on this run: yes gives it, no keeps it", visible(&asker)),
        ),
        (false, Some(asker)) if Some(&asker) == state.who.as_ref() => {
            (Asks::TakeHand, format!("{} has not answered yet", visible(&holder)))
        }
        (false, _) => {
            let lane = state.lane;
            return vec![ask(state, Command::Hand { lane, wish: HandWish::Ask })];
        }
    };
    state.over = Over::Entry(Entry::new(opens));
    tell(state, words);
    Vec::new()
}

/// What was typed about the hand.
pub(super) fn submit(state: &mut State, entry: Entry) -> Vec<Effect> {
    let lane = state.lane;
    let typed = entry.input.value().trim().to_owned();
    let wish = match (entry.asks, typed.to_lowercase().as_str()) {
        (Asks::GiveHand, "yes") => HandWish::Grant,
        (Asks::GiveHand, "no") => HandWish::Keep,
        (Asks::TakeHand, text) if !text.is_empty() => HandWish::Take { reason: typed },
        (asks, _) => {
            state.over = Over::Entry(entry);
            let what =
                if asks == Asks::GiveHand { "type yes or no, then Enter" } else { "a reason is needed" };
            return vec![warn(state, what)];
        }
    };
    vec![ask(state, Command::Hand { lane, wish })]
}

/// Who has the hand on the run of a lane, in words; none where nobody has, or no run goes on.
pub(super) fn words(state: &State, lane: &LaneState) -> Option<String> {
    lane.run.as_ref().filter(|run| run.end.is_none())?;
    let holder = lane.people.hand.as_ref()?;
    if Some(holder) == state.who.as_ref() {
        return Some("hand: you".to_owned());
    }
    Some(format!("hand: {}", visible(holder)))
}

/// What is to be said about the hand, and whether it presses.
pub(super) fn saying(state: &State) -> Option<(bool, String)> {
    let lane = state.lane()?;
    state.live_run()?;
    let holder = lane.people.hand.as_ref()?;
    let who = state.who.as_ref()?;
    match (&lane.people.asks, holder == who) {
        (Some(asker), true) => {
            Some((true, format!("{} asks for the hand on this run: h answers", visible(asker))))
        }
        (Some(asker), false) if asker == who => Some((
            false,
            format!(
                "you asked {} for the hand; half a minute later h takes it, with a reason",
                visible(holder)
            ),
        )),
        (_, false) => {
            Some((false, format!("{} has the hand on this run: you look on; h asks for it", visible(holder))))
        }
        (None, true) => None,
    }
}
