//! From what is seen to changes of state.

use super::finder::Finder;
use super::sight::{Place, Sight, amount};
use super::{Find, Mark, Watch};
use crate::detector::{Because, Change, WatchState};

/// `closing` begins when less than this part of the expected titrant is still to go,
const CLOSING: f64 = 0.10;
/// at so many points one after the other,
const AGREED: usize = 2;
/// and ends again when more than this part is.
const NOT_CLOSING: f64 = 0.20;
/// So many points after closing began the final evaluation is asked even if no jump stands out.
const ASK_AFTER: usize = 4;
/// After a find the watch stays on it for so many points.
const STAY: usize = 3;

impl Watch {
    /// Turns what is seen into changes of state.
    pub(super) fn follow(&mut self, sight: Sight, mark: Mark, changes: &mut Vec<Change>) {
        match sight {
            Sight::Found(place, because) => self.find(mark, place, because, changes),
            Sight::Lost(because) => self.withdraw(mark, because, changes),
            Sight::Turning(because) => self.to(WatchState::Turning, mark, because, changes),
            Sight::Rising(because) => self.rise(mark, because, changes),
            Sight::Nothing => self.approach(mark, changes),
        }
    }

    /// The slope rises: closing, unless the forecast knows better.
    fn rise(&mut self, mark: Mark, because: Because, changes: &mut Vec<Change>) {
        let far = self.forecast.is_some_and(|f| f.expected - mark.titrant > NOT_CLOSING * f.expected);
        if far || self.stays() {
            self.approach(mark, changes);
        } else if self.state != WatchState::Turning {
            self.to(WatchState::Closing, mark, because, changes);
        }
    }

    /// Just after a find the watch stays on it.
    pub(super) fn stays(&self) -> bool {
        self.state == WatchState::Found && self.latest.is_some_and(|find| self.accepted < find.at + STAY)
    }

    /// Closing by the forecast, or far.
    fn approach(&mut self, mark: Mark, changes: &mut Vec<Change>) {
        let to_go = |limit: f64| {
            self.forecast.map(|f| {
                let because = Because {
                    what: format!("titrant to go to the expected end-point at {}", amount(f.expected)),
                    figure: f.expected - mark.titrant,
                    limit: limit * f.expected,
                    points: f.points,
                };
                (because.figure / f.expected, because)
            })
        };
        match self.state {
            WatchState::Far | WatchState::Withdrawn => {
                let near = to_go(CLOSING).filter(|(part, _)| *part <= CLOSING && self.finds == 0);
                self.near = if near.is_some() { self.near + 1 } else { 0 };
                if let Some((_, because)) = near
                    && self.near >= AGREED
                {
                    self.to(WatchState::Closing, mark, because, changes);
                }
            }
            WatchState::Closing => {
                if let Some((part, because)) = to_go(NOT_CLOSING)
                    && part > NOT_CLOSING
                {
                    self.to(WatchState::Far, mark, because, changes);
                }
            }
            WatchState::Turning => {
                let because = Because {
                    what: "chords that are still much steeper than the flattest one".to_owned(),
                    figure: 0.0,
                    limit: 1.0,
                    points: self.accepted,
                };
                self.to(WatchState::Far, mark, because, changes);
            }
            WatchState::Found => {
                if let Some(find) = self.latest.filter(|_| !self.stays()) {
                    let because = Because {
                        what: format!("points since the find at {}", amount(find.titrant)),
                        figure: (self.accepted - find.at) as f64,
                        limit: STAY as f64,
                        points: self.accepted,
                    };
                    self.to(WatchState::Far, mark, because, changes);
                }
            }
        }
    }

    fn find(&mut self, mark: Mark, place: Place, because: Because, changes: &mut Vec<Change>) {
        self.stretch.clear();
        self.forecast = None;
        if !self.given.accepts(place.end_point) {
            return;
        }
        self.finds += 1;
        self.opinion.found();
        let in_jump = matches!(self.finder, Finder::Jump(_)).then(|| self.in_jump(place.end_point));
        let steepness = self.steepest.take();
        let (number, at, titrant) = (self.finds, self.accepted, mark.titrant);
        self.latest = Some(Find { number, place, at, titrant, steepness, in_jump });
        self.state = WatchState::Found;
        changes.push(Change {
            point: self.pushed,
            titrant: mark.titrant,
            state: WatchState::Found,
            find: Some(self.finds),
            end_point: Some(place.end_point),
            u: Some(place.u),
            because,
        });
    }

    fn withdraw(&mut self, mark: Mark, because: Because, changes: &mut Vec<Change>) {
        let Some(find) = self.latest.take() else { return };
        self.state = WatchState::Withdrawn;
        changes.push(Change {
            point: self.pushed,
            titrant: mark.titrant,
            state: WatchState::Withdrawn,
            find: Some(find.number),
            end_point: Some(find.place.end_point),
            u: None,
            because,
        });
    }

    fn to(&mut self, state: WatchState, mark: Mark, because: Because, changes: &mut Vec<Change>) {
        if self.state == state {
            return;
        }
        if state == WatchState::Closing {
            self.closing_at = self.accepted;
            self.ask_at = self.accepted + ASK_AFTER;
        }
        self.state = state;
        changes.push(Change {
            point: self.pushed,
            titrant: mark.titrant,
            state,
            find: None,
            end_point: None,
            u: None,
            because,
        });
    }
}
