//! The finder of the shape that is looked for, and what it sees.

use super::bend::Bend;
use super::jump::{Chord, Jump, Seen};
use super::level::Crossing;
use super::peak::Peak;
use super::sight::{Place, Sight, amount};
use super::{Mark, Watch, before};
use crate::detector::arms::{self, Arm, Fit};
use crate::detector::{Because, Given, Shape, scale};
use crate::reading::{CurveHead, Quantity};

/// A find by the arms needs both of them above so many of their uncertainties.
const ARMS_KNOWN: f64 = 10.0;
/// The slope has reached its height when a chord is steeper than the flattest before it by this factor.
const HIGH: f64 = 7.39;
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
            (Some(Shape::Bend), _) => Self::Bend(Bend::new(dilution(head, given))),
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
                self.jump_sight(&seen, mark)
            }
        }
    }

    /// A find of a bend stands when the final evaluation agrees; until then it is turning.
    fn confirmed(&mut self, sight: Sight) -> Sight {
        let Sight::Found(place, because) = sight else { return sight };
        if !self.opinion.may_ask(self.accepted) {
            return Sight::Turning(because);
        }
        let now = self.last.map_or(0.0, |l| l.titrant);
        match self.opinion.ask(&self.memory, self.head, &self.given, &place, self.accepted) {
            Some(better) if better.end_point + 2.0 * better.u < now => {
                if let Finder::Bend(bend) = &mut self.finder {
                    bend.restart(better.end_point);
                }
                Sight::Found(better, because)
            }
            _ => Sight::Turning(because),
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
                let because = Because { what: steeper(&steep, &flat), figure: ratio, limit, points };
                if let Some((place, because)) = self.arms_say(&steep, mark) {
                    self.leave_behind();
                    return Sight::Found(place, because);
                }
                if ratio > HIGH { Sight::Turning(Because { limit: HIGH, ..because }) } else { Sight::Rising(because) }
            }
            Seen::Passing { steep, flat, ratio, part } => {
                if let Some((place, because)) = self.arms_say(&steep, mark) {
                    self.leave_behind();
                    return Sight::Found(place, because);
                }
                if part < FALLING && self.opinion.may_ask(points) {
                    let place = self.place(&steep);
                    let asked = self.opinion.ask(&self.memory, self.head, &self.given, &place, points);
                    if let Some(place) = asked.filter(|p| self.lies_behind(p, mark)) {
                        self.leave_behind();
                        let because = Because {
                            what: format!(
                                "titrant past the end-point of the fitted model at {}, in its uncertainties",
                                amount(place.end_point)
                            ),
                            figure: (mark.titrant - place.end_point) / place.u,
                            limit: BEHIND,
                            points,
                        };
                        return Sight::Found(place, because);
                    }
                }
                Sight::Turning(Because { what: steeper(&steep, &flat), figure: ratio, limit: std::f64::consts::E, points })
            }
            Seen::Found { steep, past, part, limit, .. } => {
                let what = format!(
                    "steepness from {} to {} as part of the steepest, from {} to {}",
                    amount(past.from.titrant),
                    amount(past.to.titrant),
                    amount(steep.from.titrant),
                    amount(steep.to.titrant)
                );
                let own = self.place(&steep);
                let better = if self.opinion.may_ask(points) {
                    self.opinion.ask(&self.memory, self.head, &self.given, &own, points)
                } else {
                    None
                };
                self.leave_behind();
                Sight::Found(better.unwrap_or(own), Because { what, figure: part, limit, points })
            }
            Seen::Lost { figure, limit, came_back, chord } => {
                let what = if came_back {
                    format!("part of the jump that the signal came back, at {}", amount(chord.to.titrant))
                } else {
                    format!(
                        "steepness from {} to {} as multiple of that of the find",
                        amount(chord.from.titrant),
                        amount(chord.to.titrant)
                    )
                };
                Sight::Lost(Because { what, figure, limit, points })
            }
        }
    }

    fn leave_behind(&mut self) {
        if let Finder::Jump(jump) = &mut self.finder {
            jump.leave_behind();
        }
    }

    fn lies_behind(&self, place: &Place, mark: Mark) -> bool {
        let past = self.recent.marks().iter().filter(|m| m.titrant > place.end_point).count();
        place.end_point + BEHIND * place.u < mark.titrant && past >= 2
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

    /// The second way to a find: both arms are there beyond doubt.
    fn arms_say(&mut self, steep: &Chord, mark: Mark) -> Option<(Place, Because)> {
        let fit = self.both_arms(steep)?;
        let known = (fit.value[1] / fit.u[1]).min(fit.value[2] / fit.u[2]);
        let place = Place { end_point: fit.value[0], u: fit.u[0], between: around(steep) };
        if known <= ARMS_KNOWN || !self.lies_behind(&place, mark) {
            return None;
        }
        let because = Because {
            what: "the lesser of both exponential arms over its uncertainty".to_owned(),
            figure: known,
            limit: ARMS_KNOWN,
            points: fit.points,
        };
        let better = if self.opinion.may_ask(self.accepted) {
            self.opinion.ask(&self.memory, self.head, &self.given, &place, self.accepted)
        } else {
            None
        };
        Some((better.unwrap_or(place), because))
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

/// An end-point lies behind when the newest point is past it by so many of its uncertainties.
const BEHIND: f64 = 3.0;

/// The stretch in which the end-point of a steep chord must lie.
fn around(steep: &Chord) -> (f64, f64) {
    let wide = steep.titrant();
    (steep.from.titrant - 3.0 * wide, steep.to.titrant + 3.0 * wide)
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
