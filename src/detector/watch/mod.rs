//! The live end-point finder: causal, of bounded state, the same cost at every point.

mod advice;
mod bend;
mod finder;
mod jump;
mod level;
mod memory;
mod opinion;
mod peak;
mod scale;
mod sight;
mod states;
mod still;

use self::finder::Finder;
use self::memory::{Memory, Recent, Stretch};
use self::opinion::Opinion;
use self::scale::{BuretteGrid, NoiseScale, Resolution};
use self::still::Still;
use super::arms::Scales;
use super::forecast::{self, Forecast, Group, Prior};
use super::mark::Mark;
use super::{Change, Given, WatchState};
use crate::reading::{CurveHead, Point};

/// The scale of a jump where the unit says none (mV).
const UNIT_UNKNOWN: f64 = 25.69;
/// Volume before the first addition where nobody said (mL): common practice, no source.
const USUAL_VOLUME_ML: f64 = 60.0;
/// Lower titrants that rise among themselves for so many points are a new start or a refill.
const FALLEN: usize = 3;
/// A refilled burette starts again below this part of what it had given.
const REFILL: f64 = 0.2;
/// A signal further than this many noise scales outside both neighbours is a spike,
const SPIKE: f64 = 8.0;
/// once so many points have told the noise.
const SPIKE_AFTER: usize = 8;
/// From so many points on the newest are held at a distance in signal.
const MANY: usize = 200;

/// The live finder of one run.
///
/// Cheap to build: to correct a volume that was keyed wrongly, build it anew and push the corrected points.
#[derive(Debug, Clone)]
pub struct Watch {
    head: CurveHead,
    given: Given,
    prior: Option<Prior>,
    /// Titrant at hand.
    supply: Option<f64>,
    nernst: f64,
    /// Points pushed, and those of them that count.
    pushed: usize,
    accepted: usize,
    /// The newest two points that count.
    last: Option<Mark>,
    last_but_one: Option<Mark>,
    /// Added to titrants since a refill.
    offset: f64,
    first_signal: Option<f64>,
    /// Points below the newest titrant, until it is clear what they are.
    fallen: Vec<(Point, usize)>,
    noise: NoiseScale,
    grid: BuretteGrid,
    resolution: Resolution,
    memory: Memory,
    recent: Recent,
    /// All since the latest end-point but the newest point.
    stretch: Stretch,
    finder: Finder,
    /// The finder before the newest point, to undo a spike.
    finder_before: Option<Finder>,
    /// A display that stands still, as long as it does.
    still: Option<Still>,
    opinion: Opinion,
    state: WatchState,
    finds: u32,
    latest: Option<Find>,
    forecast: Option<Forecast>,
    /// Points that counted when closing began, and when the final evaluation is asked next because of that.
    closing_at: usize,
    ask_at: usize,
    /// Points one after the other at which the forecast was near.
    near: usize,
    /// Steepness of the candidate as a multiple of that before it.
    steepest: Option<f64>,
    /// First reading at the newest titrant, as (seconds, signal).
    arrived: Option<(f64, f64)>,
    /// Signal a minute by the repeated readings at one titrant.
    drift: f64,
}

/// The latest find.
#[derive(Debug, Clone, Copy)]
struct Find {
    number: u32,
    place: sight::Place,
    /// Points that counted when it was found.
    at: usize,
    /// Titrant at the find.
    titrant: f64,
    /// Steepness as a multiple of that before it, for a jump.
    steepness: Option<f64>,
    /// Points in the jump.
    in_jump: Option<usize>,
}

impl Watch {
    /// A watch for a run whose numbers `head` describes, with what the procedure knows.
    #[must_use]
    pub fn new(head: CurveHead, given: &Given) -> Self {
        let slope =
            given.slope.map_or(1.0, |(slope, _)| if slope.is_finite() { slope.clamp(0.5, 1.5) } else { 1.0 });
        let unit = super::scale::nernst(&head, 25.0);
        let nernst = unit.unwrap_or(UNIT_UNKNOWN) * slope;
        Self {
            head,
            given: given.clone(),
            prior: None,
            supply: None,
            nernst,
            pushed: 0,
            accepted: 0,
            last: None,
            last_but_one: None,
            offset: 0.0,
            first_signal: None,
            fallen: Vec::new(),
            noise: NoiseScale::new(unit.map_or(0.0, |unit| 0.01 * unit)),
            grid: BuretteGrid::new(),
            resolution: Resolution::new(),
            memory: Memory::new(nernst),
            recent: Recent::new(nernst),
            stretch: Stretch::new(),
            finder: Finder::new(&head, given, nernst),
            finder_before: None,
            still: None,
            opinion: Opinion::new(),
            state: WatchState::Far,
            finds: 0,
            latest: None,
            forecast: None,
            closing_at: 0,
            ask_at: 0,
            near: 0,
            steepest: None,
            arrived: None,
            drift: 0.0,
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

    /// The same with what titrant is at hand (mL or g), for a warning in time.
    #[must_use]
    pub fn with_supply(mut self, titrant: f64) -> Self {
        self.supply = Some(titrant).filter(|t| t.is_finite() && *t > 0.0);
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
                let mark = Mark { titrant: last.titrant, ..mark(&shifted, number) };
                self.last = Some(mark);
                self.finder.settle(mark);
                self.recent.settle(mark);
                self.memory.settle(shifted.signal);
                if let (Some((start, signal)), Some(now)) = (self.arrived, point.t_s)
                    && now > start
                {
                    self.drift = (shifted.signal - signal) * 60.0 / (now - start);
                }
            }
            _ => {
                self.fallen.clear();
                self.accept(shifted, number, &mut changes);
            }
        }
        changes
    }

    fn accept(&mut self, point: Point, number: usize, changes: &mut Vec<Change>) {
        let mark = mark(&point, number);
        self.accepted += 1;
        self.drop_spike(&mark);
        self.drop_stuck(&mark);
        self.first_signal.get_or_insert(mark.signal);
        self.arrived = point.t_s.map(|t| (t, point.signal));
        self.noise.add(&point);
        self.grid.add(point.titrant);
        self.resolution.add(point.titrant);
        self.memory.add(point);
        self.recent.add(mark, self.accepted > MANY);
        if let Some(last) = self.last {
            self.stretch.add(last.titrant, last.signal);
        }
        self.last_but_one = self.last.replace(mark);
        self.finder_before = Some(self.finder.clone());
        let sight = self.look(mark, point.t_s);
        self.forecast = self.make_forecast();
        self.follow(sight, mark, changes);
    }

    /// Takes the newest point back if it stands far outside both of its neighbours: an end-point does not come back.
    fn drop_spike(&mut self, next: &Mark) {
        let (Some(before), Some(last)) = (self.last_but_one, self.last) else { return };
        let (there, back) = (last.signal - before.signal, last.signal - next.signal);
        let apart = (next.signal - before.signal).abs();
        let limit = (SPIKE * self.noise.value()).max(apart);
        if self.accepted > SPIKE_AFTER && there * back > 0.0 && there.abs().min(back.abs()) > limit {
            if let Some(finder) = self.finder_before.take() {
                self.finder = finder;
            }
            self.memory.forget_from(last.titrant);
            self.recent.drop_newest();
            self.last = Some(before);
            self.last_but_one = None;
            // It waits in `stretch` already; only the newest point is held out of it.
            self.stretch.drop_newest(before.titrant);
        }
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
        // After a refill the signal goes on where it was; a second run starts where the first one did.
        let start = self.first_signal.unwrap_or(first.signal);
        let goes_on = (first.signal - last.signal).abs() <= (first.signal - start).abs();
        // What goes on above the last point but one shows that the last one was mistyped.
        let mistyped = self.last_but_one.is_some_and(|b| first.titrant + self.offset > b.titrant);
        if first.titrant < REFILL * before && goes_on && !mistyped {
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
        self.last_but_one = None;
        self.recent.clear();
        self.stretch.clear();
        self.still = None;
        self.finder = Finder::new(&self.head, &self.given, self.nernst);
        for point in kept {
            let mark = mark(&point, self.pushed);
            if let Some(last) = self.last.replace(mark) {
                self.stretch.add(last.titrant, last.signal);
            }
            self.recent.add(mark, false);
            // What was said about these points stays said.
            drop(self.look(mark, point.t_s));
        }
    }

    fn make_forecast(&self) -> Option<Forecast> {
        let prior = self.prior.filter(|_| self.finds == 0);
        if !matches!(self.finder, Finder::Jump(_)) {
            return forecast::joined(None, prior);
        }
        let bins = self.stretch.bins();
        let last = self.last?;
        let mut groups: Vec<Group> = bins[bins.len().saturating_sub(24)..]
            .iter()
            .map(|b| Group { titrant: b.titrant, signal: b.signal, n: b.n })
            .collect();
        groups.push(Group { titrant: last.titrant, signal: last.signal, n: 1.0 });
        let direction = (last.signal - groups.first()?.signal).signum();
        let line = forecast::from_line(&groups, &self.scales(direction));
        forecast::joined(line, prior)
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
}

/// Volume of the solution before the first addition (mL).
fn before(given: &Given) -> f64 {
    given.sample_volume_ml.filter(|v| *v > 0.0 && v.is_finite()).unwrap_or(USUAL_VOLUME_ML)
}

const fn mark(point: &Point, number: usize) -> Mark {
    Mark { titrant: point.titrant, signal: point.signal, point: number }
}

/// Finite and of a size that squares without overflow.
fn usable(value: f64) -> bool {
    value.is_finite() && value.abs() < 1e9
}
