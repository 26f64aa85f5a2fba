//! The finder of the shape that is looked for, and what it sees.

use super::bend::Bend;
use super::jump::{Chord, Jump, Seen};
use super::level::Crossing;
use super::peak::Peak;
use super::sight::{Place, Sight, amount};
use super::{Mark, Watch, before};
use crate::detector::arms::{self, Arm, Fit};
use crate::detector::{Because, Given, Shape, WatchState, scale};
use crate::reading::{CurveHead, Quantity};

/// A find by the arms needs both of them above so many of their uncertainties.
const ARMS_KNOWN: f64 = 10.0;
/// The slope has reached its height when a chord is steeper than the flattest before it by this factor.
const HIGH: f64 = 7.39;
/// Without its consent a jump is a find after so many points only.
const ALONE_AFTER: usize = 10;
/// The final evaluation is asked when the slope has fallen to this part of its maximum.
const FALLING: f64 = 0.9;

/// The finder of the shape.
#[derive(Debug, Clone)]
#[expect(clippy::large_enum_variant, reason = "a watch holds one")]
pub(super) enum Finder {
    Jump(Jump),
    Bend(Bend),
    Level(Crossing),
    Peak(Peak),
}

impl Finder {
    pub(super) fn new(head: &CurveHead, given: &Given, nernst: f64) -> Self {
        match (scale::shape(head, given), given.level) {
            (Some(Shape::Level), Some(level)) => Self::Level(Crossing::new(level)),
            (Some(Shape::Bend), _) => Self::Bend(Bend::new(dilution(head, given), is_current(head))),
            (Some(Shape::Peak), _) => Self::Peak(Peak::new()),
            _ => Self::Jump(Jump::new(nernst)),
        }
    }

    /// A later reading at the titrant of the last point: the settled value counts.
    pub(super) fn settle(&mut self, mark: Mark) {
        match self {
            Self::Jump(jump) => jump.settle(mark),
            Self::Bend(bend) => bend.settle(mark.titrant, mark.signal),
            Self::Level(crossing) => crossing.settle(mark),
            Self::Peak(peak) => peak.settle(mark),
        }
    }
}

/// A current between polarised electrodes that rises and falls passes the middle of a titration, not its end.
fn is_current(head: &CurveHead) -> bool {
    head.signal.is_some_and(|(quantity, _)| quantity == Quantity::Current)
}

/// Volume before the first addition for signals that dilution makes smaller; zero for the others.
fn dilution(head: &CurveHead, given: &Given) -> f64 {
    match head.signal {
        Some((Quantity::Conductance | Quantity::Absorbance | Quantity::Current, _)) => before(given),
        _ => 0.0,
    }
}

impl Watch {
    /// What the finder of the shape sees after a point.
    pub(super) fn look(&mut self, mark: Mark, time_s: Option<f64>) -> Sight {
        let (noise, count) = (self.noise.value(), self.accepted);
        match &mut self.finder {
            Finder::Bend(bend) => {
                let sight = bend.add(mark.titrant, mark.signal, noise, count);
                self.confirmed(sight)
            }
            Finder::Level(crossing) => crossing.add(mark, time_s, noise, count),
            Finder::Peak(peak) => peak.add(mark, noise, count),
            Finder::Jump(jump) => {
                let seen = jump.add(mark, noise, count);
                if let Seen::Turning { ratio, .. } | Seen::Passing { ratio, .. } | Seen::Found { ratio, .. } =
                    seen
                {
                    self.steepest = Some(ratio);
                }
                if matches!(seen, Seen::Nothing | Seen::Rising { .. })
                    && let Some(found) = self.flat_find(mark)
                {
                    return found;
                }
                self.jump_sight(&seen, mark)
            }
        }
    }

    /// A find of a bend stands when the final evaluation agrees; until then it is turning.
    fn confirmed(&mut self, sight: Sight) -> Sight {
        let Sight::Found(place, because) = sight else { return sight };
        let now = self.last.map_or(0.0, |l| l.titrant);
        let asked = self.ask(&place);
        let past = |p: &Place| self.memory.points().iter().filter(|q| q.titrant > p.end_point).count();
        let step = self.last_but_one.map_or(0.0, |before| now - before.titrant);
        let sharp = |p: &Place| p.u < BEND_SHARP * step || p.end_point + BEND_FAR * p.u < now;
        match asked.filter(|p| p.end_point + BEHIND * p.u < now && past(p) >= BEND_PAST && sharp(p)) {
            Some(better) => {
                if let Finder::Bend(bend) = &mut self.finder {
                    bend.restart(better.end_point);
                }
                self.found_by_model(better, Mark { titrant: now, signal: 0.0, point: 0 })
            }
            None => {
                // A slow electrode bends late: with many points the lines themselves are enough.
                let many = self.accepted > super::MANY;
                match &mut self.finder {
                    Finder::Bend(bend) if many && bend.obvious => {
                        bend.restart(place.end_point);
                        Sight::Found(place, because)
                    }
                    _ => Sight::Turning(because),
                }
            }
        }
    }

    fn jump_sight(&mut self, seen: &Seen, mark: Mark) -> Sight {
        let points = self.accepted;
        match *seen {
            Seen::Nothing => Sight::Nothing,
            Seen::Rising { steep, flat, ratio, limit } => {
                Sight::Rising(Because { what: steeper(&steep, &flat), figure: ratio, limit, points })
            }
            Seen::Turning { steep, flat, ratio, limit } => {
                if let Some(found) = self.by_model(&steep, mark, false) {
                    return found;
                }
                let because = Because { what: steeper(&steep, &flat), figure: ratio, limit, points };
                if ratio > HIGH {
                    Sight::Turning(Because { limit: HIGH, ..because })
                } else {
                    Sight::Rising(because)
                }
            }
            Seen::Passing { steep, flat, ratio, part } => {
                if let Some(found) = self.by_model(&steep, mark, part < FALLING) {
                    return found;
                }
                let limit = std::f64::consts::E;
                Sight::Turning(Because { what: steeper(&steep, &flat), figure: ratio, limit, points })
            }
            Seen::Found { steep, flat, past, part, limit, ratio, after } => {
                let own = self.place(&steep);
                let asked = self
                    .ask(&own)
                    .filter(|p| p.end_point + p.u < mark.titrant && p.u < SHARP * p.end_point.abs());
                if asked.is_none() && after < ALONE_AFTER {
                    let limit = std::f64::consts::E;
                    return Sight::Turning(Because {
                        what: steeper(&steep, &flat),
                        figure: ratio,
                        limit,
                        points,
                    });
                }
                self.leave_behind(asked.is_some());
                let what = format!(
                    "steepness from {} to {} as part of the steepest, from {} to {}",
                    amount(past.from.titrant),
                    amount(past.to.titrant),
                    amount(steep.from.titrant),
                    amount(steep.to.titrant)
                );
                Sight::Found(asked.unwrap_or(own), Because { what, figure: part, limit, points })
            }
            Seen::Lost { figure, limit, came_back, chord, find } => {
                let what = if came_back {
                    format!(
                        "part of the way since {} that the signal came back from its furthest, at {}",
                        amount(chord.from.titrant),
                        amount(chord.to.titrant)
                    )
                } else {
                    format!(
                        "steepness from {} to {} as multiple of that of the find, from {} to {}",
                        amount(chord.from.titrant),
                        amount(chord.to.titrant),
                        amount(find.from.titrant),
                        amount(find.to.titrant)
                    )
                };
                Sight::Lost(Because { what, figure, limit, points })
            }
        }
    }

    fn leave_behind(&mut self, confirmed: bool) {
        if let Finder::Jump(jump) = &mut self.finder {
            jump.leave_behind(confirmed);
        }
    }

    fn lies_behind(&self, place: &Place, mark: Mark) -> bool {
        let past = self.recent.marks().iter().filter(|m| m.titrant > place.end_point).count();
        place.end_point + BEHIND * place.u < mark.titrant
            && past >= 2
            && place.u < SHARP * place.end_point.abs()
    }

    fn both_arms(&self, steep: &Chord) -> Option<Fit<3>> {
        let scales = self.scales(steep.signal().signum());
        let middle = 0.5 * (steep.from.signal + steep.to.signal);
        let shared = arms::both(self.recent.marks(), &scales, middle, Arm::Shared);
        let diluted = arms::both(self.recent.marks(), &scales, middle, Arm::Diluted(scales.before));
        match (shared, diluted) {
            (Some(a), Some(b)) => Some(if b.chi2 < a.chi2 { b } else { a }),
            (a, b) => a.or(b),
        }
    }

    /// The second way to a find: the final evaluation places an end-point behind, as soon as the slope is falling or
    /// both exponential arms are known well.
    fn by_model(&mut self, steep: &Chord, mark: Mark, falling: bool) -> Option<Sight> {
        let own = self.place(steep);
        if !falling {
            let fit = self.both_arms(steep)?;
            let known = (fit.value[1] / fit.u[1]).min(fit.value[2] / fit.u[2]);
            let place = Place { end_point: fit.value[0], u: fit.u[0], ..own };
            if known <= ARMS_KNOWN || !self.lies_behind(&place, mark) {
                return None;
            }
        }
        let place = self.ask(&own).filter(|p| self.lies_behind(p, mark))?;
        self.leave_behind(true);
        Some(self.found_by_model(place, mark))
    }

    /// An end-point too flat to stand out by its steepness: the final evaluation is asked now and then while closing.
    fn flat_find(&mut self, mark: Mark) -> Option<Sight> {
        if self.state != WatchState::Closing || self.accepted < self.ask_at {
            return None;
        }
        self.ask_at = self.accepted + ((self.accepted - self.closing_at) / 3).max(2);
        let between = (FLAT_FROM * mark.titrant, mark.titrant);
        let place = self.ask(&Place { end_point: mark.titrant, u: mark.titrant, between })?;
        if !self.lies_behind(&place, mark)
            || self.recent.marks().iter().filter(|m| m.titrant > place.end_point).count() < 3
        {
            return None;
        }
        if let Finder::Jump(jump) = &mut self.finder {
            jump.start_anew();
        }
        Some(self.found_by_model(place, mark))
    }

    fn found_by_model(&self, place: Place, mark: Mark) -> Sight {
        let because = Because {
            what: format!(
                "titrant past the end-point of the fitted model at {}, in its uncertainties",
                amount(place.end_point)
            ),
            figure: (mark.titrant - place.end_point) / place.u,
            limit: BEHIND,
            points: self.accepted,
        };
        Sight::Found(place, because)
    }

    /// The final evaluation's word on a place, if it may be asked.
    fn ask(&mut self, place: &Place) -> Option<Place> {
        if !self.opinion.may_ask(self.accepted) {
            return None;
        }
        self.opinion.ask(&self.memory, self.head, &self.given, place, self.accepted)
    }

    /// Where the end-point lies, by the arms if they make sense, else the middle of the steepest chord.
    fn place(&self, steep: &Chord) -> Place {
        let wide = steep.titrant();
        let between = around(steep);
        if let Some(fit) = self.both_arms(steep) {
            let near = (steep.from.titrant - wide..=steep.to.titrant + wide).contains(&fit.value[0]);
            if near && fit.u[0] < wide && fit.value[2] > 0.0 {
                return Place { end_point: fit.value[0], u: fit.u[0], between };
            }
        }
        let end_point = 0.5 * (steep.from.titrant + steep.to.titrant);
        Place { end_point, u: wide / 12_f64.sqrt(), between }
    }
}

/// A bend is a find when so many points lie past it.
const BEND_PAST: usize = 4;
/// and its uncertainty is below this part of a step, or it lies so many uncertainties behind.
const BEND_SHARP: f64 = 0.6;
const BEND_FAR: f64 = 8.0;
/// A flat end-point is looked for in the newest titrant from this part of it on.
const FLAT_FROM: f64 = 0.8;
/// A jump may be recorded later than it was by this part of the titrant.
const LATE: f64 = 0.02;
/// An end-point lies behind when the newest point is past it by so many of its uncertainties.
const BEHIND: f64 = 3.0;
/// and is known to this part of itself.
const SHARP: f64 = 0.01;

/// The stretch in which the end-point of a steep chord must lie.
fn around(steep: &Chord) -> (f64, f64) {
    let wide = steep.titrant();
    // A slow electrode under continuous dosing shows the jump late.
    (steep.from.titrant - (3.0 * wide).max(LATE * steep.from.titrant), steep.to.titrant + 3.0 * wide)
}

fn steeper(steep: &Chord, flat: &Chord) -> String {
    format!(
        "steepness from {} to {} as multiple of the least, from {} to {}",
        amount(steep.from.titrant),
        amount(steep.to.titrant),
        amount(flat.from.titrant),
        amount(flat.to.titrant)
    )
}
