//! The live end-point finder: causal, of bounded state, the same cost at every point.

mod bend;
mod jump;
mod memory;
mod scale;
mod sight;

use self::bend::Bend;
use self::jump::{Chord, Jump, Seen};
use self::memory::{Memory, Recent, Stretch};
use self::scale::{BuretteGrid, NoiseScale, Resolution};
use self::sight::{Place, Sight, amount};
use super::arms::{self, Arm, Fit, Scales};
use super::forecast::{self, Forecast, Prior};
use super::mark::Mark;
use super::{Because, Change, Given, Outlook, Shape, WatchState};
use crate::reading::{CurveHead, Point, Quantity};

/// The scale of a jump where the unit says none (mV).
const UNIT_UNKNOWN: f64 = 25.69;
/// Volume before the first addition where nobody said (mL): common practice, no source.
const USUAL_VOLUME_ML: f64 = 60.0;
/// A find by the arms needs both of them above so many of their uncertainties.
const ARMS_KNOWN: f64 = 10.0;
/// `closing` begins when less than this part of the expected titrant is still to go,
const CLOSING: f64 = 0.10;
/// and ends again when more than this part is.
const NOT_CLOSING: f64 = 0.20;
/// After a find the watch stays on it for so many points.
const STAY: usize = 3;
/// Lower titrants that rise among themselves for so many points are a new start or a refill.
const FALLEN: usize = 3;

/// The live finder of one run.
#[derive(Debug, Clone)]
pub struct Watch {
    head: CurveHead,
    given: Given,
    prior: Option<Prior>,
    nernst: f64,
    pushed: usize,
    accepted: usize,
    last: Option<Mark>,
    offset: f64,
    fallen: Vec<(Point, usize)>,
    noise: NoiseScale,
    grid: BuretteGrid,
    resolution: Resolution,
    memory: Memory,
    recent: Recent,
    stretch: Stretch,
    finder: Finder,
    lowest: f64,
    highest: f64,
    state: WatchState,
    finds: u32,
    latest: Option<Find>,
    forecast: Option<Forecast>,
}

/// The finder of the shape.
#[derive(Debug, Clone)]
#[expect(clippy::large_enum_variant, reason = "a watch holds one")]
enum Finder {
    Jump(Jump),
    Bend(Bend),
}

impl Finder {
    fn new(head: &CurveHead, given: &Given, nernst: f64) -> Self {
        match super::scale::shape(head, given) {
            Some(Shape::Bend) => Self::Bend(Bend::new(dilution(head, given))),
            _ => Self::Jump(Jump::new(nernst)),
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

fn before(given: &Given) -> f64 {
    given.sample_volume_ml.filter(|v| *v > 0.0 && v.is_finite()).unwrap_or(USUAL_VOLUME_ML)
}

/// The latest find.
#[derive(Debug, Clone, Copy)]
struct Find {
    number: u32,
    end_point: f64,
    u: f64,
    at: usize,
}

impl Watch {
    /// A watch for a run whose numbers `head` describes, with what the procedure knows.
    #[must_use]
    pub fn new(head: CurveHead, given: &Given) -> Self {
        let nernst = super::scale::nernst(&head, 25.0).unwrap_or(UNIT_UNKNOWN)
            * given.slope.map_or(1.0, |(slope, _)| slope.clamp(0.5, 1.5));
        Self {
            head,
            given: given.clone(),
            prior: None,
            nernst,
            pushed: 0,
            accepted: 0,
            last: None,
            offset: 0.0,
            fallen: Vec::new(),
            noise: NoiseScale::new(0.01 * nernst),
            grid: BuretteGrid::new(),
            resolution: Resolution::new(),
            memory: Memory::new(nernst),
            recent: Recent::new(nernst),
            stretch: Stretch::new(),
            finder: Finder::new(&head, given, nernst),
            lowest: f64::INFINITY,
            highest: f64::NEG_INFINITY,
            state: WatchState::Far,
            finds: 0,
            latest: None,
            forecast: None,
        }
    }

    /// The same with what earlier portions let expect.
    #[must_use]
    pub fn with_prior(mut self, prior: Prior) -> Self {
        if prior.expected.is_finite() && prior.u.is_finite() && prior.u > 0.0 {
            self.prior = Some(prior);
        }
        self
    }

    /// Takes the next point in the order of arrival and tells what changed.
    ///
    /// Never fails: a number that is not finite is counted and left out; a repeated titrant replaces the signal there
    /// (the settled value counts); a lower one is left out unless the titrant starts again (refill, or a volume
    /// mistyped too high).
    pub fn push(&mut self, point: Point) -> Vec<Change> {
        self.pushed += 1;
        if !(usable(point.titrant) && usable(point.signal)) {
            return Vec::new();
        }
        let mut changes = Vec::new();
        let number = self.pushed;
        let shifted = Point { titrant: point.titrant + self.offset, ..point };
        match self.last {
            Some(last) if shifted.titrant < last.titrant - 1e-9 => {
                self.take_fallen(point, number, &mut changes)
            }
            Some(last) if shifted.titrant <= last.titrant + 1e-9 => {
                self.fallen.clear();
                self.settle(Mark { point: number, ..mark(&shifted, number) });
            }
            _ => {
                self.fallen.clear();
                self.accept(shifted, number, &mut changes);
            }
        }
        changes
    }

    /// What is expected, and what to do about it.
    #[must_use]
    pub fn outlook(&self) -> Outlook {
        let now = self.last.map_or(0.0, |l| l.titrant);
        Outlook {
            expected: self.forecast.map(|f| f.expected),
            interval: self
                .forecast
                .map(|f| ((f.expected - f.half_width).max(now), f.expected + f.half_width)),
            next_addition: None,
            advice: Vec::new(),
            u_reached: self.latest.map(|f| f.u),
            u_reachable: None,
        }
    }

    fn settle(&mut self, mark: Mark) {
        self.last = Some(mark);
        match &mut self.finder {
            Finder::Jump(jump) => jump.settle(mark),
            Finder::Bend(bend) => bend.settle(mark.titrant, mark.signal),
        }
        self.recent.settle(mark);
    }

    fn take_fallen(&mut self, point: Point, number: usize, changes: &mut Vec<Change>) {
        if self.fallen.last().is_some_and(|(last, _)| point.titrant <= last.titrant) {
            self.fallen.clear();
        }
        self.fallen.push((point, number));
        if self.fallen.len() < FALLEN {
            return;
        }
        let fallen = std::mem::take(&mut self.fallen);
        let (Some(last), Some((first, _))) = (self.last, fallen.first()) else { return };
        let before = last.titrant - self.offset;
        let goes_on = (first.signal - last.signal).abs() < 0.2 * (self.highest - self.lowest);
        if first.titrant < 0.1 * before && goes_on {
            self.offset += before;
        } else {
            self.forget_from(first.titrant + self.offset);
        }
        for (point, number) in fallen {
            let shifted = Point { titrant: point.titrant + self.offset, ..point };
            if self.last.is_none_or(|last| shifted.titrant > last.titrant) {
                self.accept(shifted, number, changes);
            }
        }
    }

    /// Starts anew with what lies below a titrant: what came above it was mistyped.
    fn forget_from(&mut self, titrant: f64) {
        self.memory.forget_from(titrant);
        let kept: Vec<Point> = self.memory.points().to_vec();
        self.last = None;
        self.recent.clear();
        self.stretch.clear();
        self.finder = Finder::new(&self.head, &self.given, self.nernst);
        for point in kept {
            let mark = mark(&point, self.pushed);
            self.last = Some(mark);
            self.recent.add(mark, false);
            self.stretch.add(mark.titrant, mark.signal);
            // What was said about these points stays said.
            drop(self.look(mark));
        }
    }

    fn accept(&mut self, point: Point, number: usize, changes: &mut Vec<Change>) {
        let mark = mark(&point, number);
        self.accepted += 1;
        self.lowest = self.lowest.min(mark.signal);
        self.highest = self.highest.max(mark.signal);
        self.noise.add(&point);
        self.grid.add(point.titrant);
        self.resolution.add(point.titrant);
        self.memory.add(point);
        let dense = self.accepted > 200;
        self.recent.add(mark, dense);
        self.stretch.add(mark.titrant, mark.signal);
        self.last = Some(mark);
        let sight = self.look(mark);
        self.forecast = self.make_forecast();
        self.follow(sight, mark, changes);
    }

    /// What the finder of the shape sees after a point.
    fn look(&mut self, mark: Mark) -> Sight {
        let (noise, count) = (self.noise.value(), self.accepted);
        match &mut self.finder {
            Finder::Bend(bend) => bend.add(mark.titrant, mark.signal, noise, count),
            Finder::Jump(jump) => {
                let seen = jump.add(mark, noise, count);
                self.jump_sight(seen, mark)
            }
        }
    }

    fn jump_sight(&mut self, seen: Seen, mark: Mark) -> Sight {
        match seen {
            Seen::Nothing => Sight::Nothing,
            Seen::Rising { steep, flat, ratio, limit } => {
                Sight::Rising(steepness_because(&steep, &flat, ratio, limit, self.accepted))
            }
            Seen::Turning { steep, flat, ratio, limit } => match self.arms_say(&steep, mark) {
                Some((fit, because)) => {
                    if let Finder::Jump(jump) = &mut self.finder {
                        jump.leave_behind();
                    }
                    let wide = steep.titrant();
                    let between = (steep.from.titrant - 3.0 * wide, steep.to.titrant + 3.0 * wide);
                    Sight::Found(Place { end_point: fit.value[0], u: fit.u[0], between }, because)
                }
                None => Sight::Turning(steepness_because(&steep, &flat, ratio, limit, self.accepted)),
            },
            Seen::Found { steep, past, part, limit, .. } => {
                let what = format!(
                    "steepness from {} to {} as part of the steepest, from {} to {}",
                    amount(past.from.titrant),
                    amount(past.to.titrant),
                    amount(steep.from.titrant),
                    amount(steep.to.titrant)
                );
                Sight::Found(self.place(&steep), Because { what, figure: part, limit, points: self.accepted })
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
                Sight::Lost(Because { what, figure, limit, points: self.accepted })
            }
        }
    }

    /// Turns what is seen into changes of state.
    fn follow(&mut self, sight: Sight, mark: Mark, changes: &mut Vec<Change>) {
        match sight {
            Sight::Found(place, because) => self.find(mark, &place, because, changes),
            Sight::Lost(because) => self.withdraw(mark, because, changes),
            Sight::Turning(because) => self.to(WatchState::Turning, mark, because, changes),
            Sight::Rising(because) => {
                if self.may_approach() {
                    self.to(WatchState::Closing, mark, because, changes);
                }
            }
            Sight::Nothing => self.approach(mark, changes),
        }
    }

    /// Just after a find the watch stays on it.
    fn may_approach(&self) -> bool {
        match self.state {
            WatchState::Found => self.latest.is_none_or(|find| self.accepted >= find.at + STAY),
            WatchState::Turning => false,
            _ => true,
        }
    }

    /// Closing by the forecast, or far.
    fn approach(&mut self, mark: Mark, changes: &mut Vec<Change>) {
        let near = self.forecast.and_then(|f| {
            let to_go = f.expected - mark.titrant;
            let because = |limit: f64| Because {
                what: format!("titrant to go to the expected end-point at {}", amount(f.expected)),
                figure: to_go,
                limit: limit * f.expected,
                points: f.points,
            };
            if to_go <= CLOSING * f.expected {
                Some((true, because(CLOSING)))
            } else if to_go > NOT_CLOSING * f.expected {
                Some((false, because(NOT_CLOSING)))
            } else {
                None
            }
        });
        match (near, self.state) {
            (Some((true, because)), WatchState::Far | WatchState::Withdrawn) => {
                self.to(WatchState::Closing, mark, because, changes);
            }
            (Some((false, because)), WatchState::Closing) => self.to(WatchState::Far, mark, because, changes),
            (_, WatchState::Turning) => {
                let because = Because {
                    what: "signal came back: part of the steepest stretch at least".to_owned(),
                    figure: 1.0,
                    limit: 0.3,
                    points: self.accepted,
                };
                self.to(WatchState::Far, mark, because, changes);
            }
            (_, WatchState::Found) if self.may_approach() => {
                let because = Because {
                    what: "points since the find".to_owned(),
                    figure: self.latest.map_or(0.0, |find| (self.accepted - find.at) as f64),
                    limit: STAY as f64,
                    points: self.accepted,
                };
                self.to(WatchState::Far, mark, because, changes);
            }
            _ => {}
        }
    }

    fn make_forecast(&self) -> Option<Forecast> {
        if matches!(self.finder, Finder::Bend(_)) {
            return forecast::joined(None, self.prior.filter(|_| self.finds == 0));
        }
        let bins = self.stretch.bins();
        let marks: Vec<Mark> = bins[bins.len().saturating_sub(24)..]
            .iter()
            .map(|b| Mark { titrant: b.titrant, signal: b.signal, point: 0 })
            .collect();
        let direction = (marks.last()?.signal - marks.first()?.signal).signum();
        let line = forecast::from_line(&marks, &self.scales(direction));
        forecast::joined(line, self.prior.filter(|_| self.finds == 0))
    }

    fn scales(&self, direction: f64) -> Scales {
        Scales {
            nernst: self.nernst,
            noise: self.noise.value(),
            titrant: (self.grid.step().max(self.resolution.step().min(0.001)) / 12_f64.sqrt()).max(1e-6),
            direction,
            before: before(&self.given),
        }
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

    fn arms_say(&self, steep: &Chord, mark: Mark) -> Option<(Fit<3>, Because)> {
        let fit = self.both_arms(steep)?;
        let known = (fit.value[1] / fit.u[1]).min(fit.value[2] / fit.u[2]);
        let past = self.recent.marks().iter().filter(|m| m.titrant > fit.value[0]).count();
        let behind = fit.value[0] + 3.0 * fit.u[0] < mark.titrant && past >= 2;
        let because = Because {
            what: "the lesser of both exponential arms over its uncertainty".to_owned(),
            figure: known,
            limit: ARMS_KNOWN,
            points: fit.points,
        };
        (known > ARMS_KNOWN && behind).then_some((fit, because))
    }

    /// Where the end-point lies, by the arms if they make sense, else the middle of the steepest chord.
    fn place(&self, steep: &Chord) -> Place {
        let wide = steep.titrant();
        let between = (steep.from.titrant - 3.0 * wide, steep.to.titrant + 3.0 * wide);
        if let Some(fit) = self.both_arms(steep) {
            let near = (steep.from.titrant - wide..=steep.to.titrant + wide).contains(&fit.value[0]);
            if near && fit.u[0] < wide && fit.value[2] > 0.0 {
                return Place { end_point: fit.value[0], u: fit.u[0], between };
            }
        }
        Place { end_point: 0.5 * (steep.from.titrant + steep.to.titrant), u: wide / 12_f64.sqrt(), between }
    }

    fn find(&mut self, mark: Mark, place: &Place, because: Because, changes: &mut Vec<Change>) {
        if !self.given.accepts(place.end_point) {
            return;
        }
        self.finds += 1;
        self.latest =
            Some(Find { number: self.finds, end_point: place.end_point, u: place.u, at: self.accepted });
        self.state = WatchState::Found;
        self.forecast = None;
        self.stretch.clear();
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
            end_point: Some(find.end_point),
            u: None,
            because,
        });
    }

    fn to(&mut self, state: WatchState, mark: Mark, because: Because, changes: &mut Vec<Change>) {
        if self.state == state {
            return;
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

fn steepness_because(steep: &Chord, flat: &Chord, ratio: f64, limit: f64, points: usize) -> Because {
    Because {
        what: format!(
            "steepness from {} to {} as multiple of the least, from {} to {}",
            amount(steep.from.titrant),
            amount(steep.to.titrant),
            amount(flat.from.titrant),
            amount(flat.to.titrant)
        ),
        figure: ratio,
        limit,
        points,
    }
}

const fn mark(point: &Point, number: usize) -> Mark {
    Mark { titrant: point.titrant, signal: point.signal, point: number }
}

/// Finite and of a size that squares without overflow.
fn usable(value: f64) -> bool {
    value.is_finite() && value.abs() < 1e9
}
