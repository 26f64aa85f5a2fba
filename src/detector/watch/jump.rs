//! A jump seen along the signal: chords of about equal signal width, and how much titrant each one took.
//!
//! Titrant per signal (the buffering) is smooth on the one scale of the Nernst unit however sharp the jump is, so
//! chords of a fixed part of that unit need no bandwidth. An end-point is the least buffered chord after a better
//! buffered stretch; it is found when a later chord is buffered significantly better again. Bounded state: a few
//! chords.

use crate::detector::mark::Mark;

/// A chord closes when the signal has moved by this part of the Nernst unit,
const CHORD_UNITS: f64 = 0.4;
/// and by so many noise scales.
const CHORD_NOISES: f64 = 10.0;
/// A chord steeper than the flattest one before it by this factor is `turning`.
const TURNING: f64 = std::f64::consts::E;
/// The same for a first sign of an end-point.
const RISING: f64 = 1.65;
/// A later chord must be flatter than this part of the steepest one, however small the noise.
const PAST: f64 = 0.8;
/// So much of a steep chord must go where the signal has not been.
const NEW_GROUND: f64 = 0.5;
/// Past the middle of the steepest chord the signal must have moved on by this part of the Nernst unit.
const MOVED_ON: f64 = 0.6;
/// A steepest chord is dropped when the signal comes back by this part of it.
const RETURNED: f64 = 0.3;
/// A find is withdrawn when the signal comes back by this part of the whole jump.
const LOST: f64 = 0.5;
/// A find is withdrawn when a chord steeper than its own by this factor follows without a flat one between.
const OUTDONE: f64 = 2.5;

/// A piece of the curve between two recorded points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Chord {
    pub(super) from: Mark,
    pub(super) to: Mark,
}

impl Chord {
    pub(super) fn titrant(&self) -> f64 {
        self.to.titrant - self.from.titrant
    }

    pub(super) fn signal(&self) -> f64 {
        self.to.signal - self.from.signal
    }

    /// Absolute signal per titrant.
    pub(super) fn steepness(&self) -> f64 {
        self.signal().abs() / self.titrant()
    }
}

/// What the chords say after a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Seen {
    /// Nothing stands out.
    Nothing,
    /// The newest chord is steeper than the flattest one before it.
    Rising { steep: Chord, flat: Chord, ratio: f64, limit: f64 },
    /// A chord is much steeper than the flattest one before it.
    Turning { steep: Chord, flat: Chord, ratio: f64, limit: f64 },
    /// The steepest chord may lie behind: the chord `past` is flatter, though not yet significantly.
    Passing { steep: Chord, flat: Chord, ratio: f64, part: f64 },
    /// It lies behind: the chord `past` is flatter again.
    Found { steep: Chord, flat: Chord, past: Chord, ratio: f64, part: f64, limit: f64, after: usize },
    /// The signal came back over the jump of the latest find, or a steeper chord outdid it.
    Lost { figure: f64, limit: f64, came_back: bool, chord: Chord, find: Chord },
}

/// The latest find, as long as it can be disproved.
#[derive(Debug, Clone, Copy)]
struct Behind {
    steep: Chord,
    flat: Chord,
    /// Whether a flat stretch has followed, so that a new steep chord is a new end-point.
    settled: bool,
    /// Signal at the far end so far.
    reached: f64,
}

/// The running state.
#[derive(Debug, Clone, Copy)]
pub(super) struct Jump {
    nernst: f64,
    first: Option<Mark>,
    /// Lowest and highest signal so far.
    lowest: f64,
    highest: f64,
    /// The same when the open chord began.
    ground: (f64, f64),
    /// The direction of the first find: all others go the same way.
    direction: Option<f64>,
    last: Option<Mark>,
    open: Option<Mark>,
    closed: Option<Chord>,
    flat: Option<Chord>,
    steep: Option<(Chord, Chord)>,
    after_steep: usize,
    behind: Option<Behind>,
}

impl Jump {
    /// Starts for a signal whose Nernst unit (RT/F, or 0.4343 pH) is `nernst`.
    pub(super) const fn new(nernst: f64) -> Self {
        Self {
            nernst,
            first: None,
            lowest: f64::INFINITY,
            highest: f64::NEG_INFINITY,
            ground: (f64::INFINITY, f64::NEG_INFINITY),
            direction: None,
            last: None,
            open: None,
            closed: None,
            flat: None,
            steep: None,
            after_steep: 0,
            behind: None,
        }
    }

    /// A later reading at the titrant of the last point: the settled value counts.
    pub(super) fn settle(&mut self, mark: Mark) {
        if let Some(open) = &mut self.open
            && Some(*open) == self.last
        {
            *open = mark;
        }
        self.last = Some(mark);
    }

    /// Takes the next point; its titrant is above that of the point before.
    pub(super) fn add(&mut self, mark: Mark, noise: f64, count: usize) -> Seen {
        let (Some(open), Some(last)) = (self.open, self.last) else {
            self.first = Some(mark);
            self.open = Some(mark);
            self.last = Some(mark);
            self.lowest = mark.signal;
            self.highest = mark.signal;
            self.ground = (mark.signal, mark.signal);
            return Seen::Nothing;
        };
        self.last = Some(mark);
        self.after_steep += 1;
        let width = (CHORD_UNITS * self.nernst).max(CHORD_NOISES * noise);
        let step = Chord { from: last, to: mark };
        let whole = Chord { from: open, to: mark };
        // A step that moves by a whole chord alone must not hide in the flat stretch before it.
        let before = (self.lowest, self.highest);
        self.lowest = self.lowest.min(mark.signal);
        self.highest = self.highest.max(mark.signal);
        if step.signal().abs() >= width && open != last {
            self.close(Chord { from: open, to: last }, noise, width);
            self.ground = before;
            self.close(step, noise, width);
            self.begin(mark);
        } else if whole.signal().abs() >= width {
            self.close(whole, noise, width);
            self.begin(mark);
        }
        if let Some(lost) = self.disproved(mark) {
            return lost;
        }
        self.judge(mark, noise, count, width)
    }

    fn begin(&mut self, mark: Mark) {
        self.open = Some(mark);
        self.ground = (self.lowest, self.highest);
    }

    fn close(&mut self, chord: Chord, noise: f64, width: f64) {
        let short = chord.signal().abs() < width;
        // A short chord's steepness is known only to the noise: count it as not flatter than that allows.
        let bound = |c: &Chord| (c.signal().abs() + 2.0 * noise) / c.titrant();
        let fresh = self.new_ground(&chord);
        let new = fresh.signal().abs() > NEW_GROUND * chord.signal().abs();
        self.closed = Some(if new { chord } else { fresh });
        if let Some(flat) = self.flat
            && !short
            && new
            && bound(&flat) * TURNING < fresh.steepness()
            && self.steep.is_none_or(|(steep, _)| chord.steepness() > steep.steepness())
        {
            self.steep = Some((chord, flat));
            self.after_steep = 0;
        }
        // A short chord in the middle of a jump is no flat stretch unless it is flat even with its noise.
        let worth = !short || bound(&chord) < self.flat.map_or(f64::INFINITY, |f| bound(&f));
        if worth && self.flat.is_none_or(|flat| bound(&chord) < bound(&flat)) && self.after_steep_allows() {
            self.flat = Some(chord);
        }
        if let Some(behind) = &mut self.behind
            && bound(&chord) * RISING < behind.steep.steepness()
        {
            behind.settled = true;
        }
    }

    /// The part of a chord that goes where the signal has not been, in the direction of the run.
    ///
    /// What comes back from a disturbance is no jump.
    fn new_ground(&self, chord: &Chord) -> Chord {
        let start = self.first.map_or(chord.from.signal, |first| first.signal);
        let direction = self.direction.unwrap_or((chord.to.signal - start).signum());
        let from = if direction > 0.0 {
            chord.from.signal.max(self.ground.1)
        } else {
            chord.from.signal.min(self.ground.0)
        };
        let signal = if (chord.to.signal - from) * direction > 0.0 { from } else { chord.to.signal };
        Chord { from: Mark { signal, ..chord.from }, to: chord.to }
    }

    /// While a steep chord waits to be passed, the flat one before it stays.
    const fn after_steep_allows(&self) -> bool {
        self.steep.is_none()
    }

    fn judge(&mut self, mark: Mark, noise: f64, count: usize, width: f64) -> Seen {
        let Some((steep, flat)) = self.steep else {
            if let (Some(closed), Some(flat)) = (self.closed, self.flat) {
                let ratio = closed.steepness() / flat.steepness().max(2.0 * noise / flat.titrant());
                if ratio > RISING && closed.signal().abs() >= width {
                    return Seen::Rising { steep: closed, flat, ratio, limit: RISING };
                }
            }
            return Seen::Nothing;
        };
        let direction = steep.signal().signum();
        let beyond = (mark.signal - steep.to.signal) * direction;
        if beyond < -RETURNED * steep.signal().abs() {
            self.steep = None;
            return Seen::Nothing;
        }
        let ratio = steep.steepness() / flat.steepness().max(2.0 * noise / flat.titrant());
        let turning = Seen::Turning { steep, flat, ratio, limit: TURNING };
        if self.after_steep == 0 {
            return turning;
        }
        let middle = 0.5 * (steep.from.signal + steep.to.signal);
        if (mark.signal - middle) * direction < MOVED_ON * self.nernst {
            return turning;
        }
        let past = match self.open {
            Some(open) if open.titrant < mark.titrant => Chord { from: open, to: mark },
            _ => match self.closed {
                Some(closed) if closed.from.titrant >= steep.to.titrant => closed,
                _ => return turning,
            },
        };
        if past.from.titrant < steep.to.titrant {
            return turning;
        }
        let part = (past.signal() * direction).max(0.0) / past.titrant() / steep.steepness();
        let limit = past_limit(&steep, &past, noise, count);
        if part >= limit {
            return Seen::Passing { steep, flat, ratio, part };
        }
        Seen::Found { steep, flat, past, ratio, part, limit, after: self.after_steep }
    }

    /// The steepest chord was an end-point: the next one is looked for, and this one guarded.
    ///
    /// One that the final evaluation has confirmed cannot be outdone, only come back.
    pub(super) fn leave_behind(&mut self, confirmed: bool) {
        if let (Some((steep, flat)), Some(last)) = (self.steep.take(), self.last) {
            self.direction.get_or_insert(steep.signal().signum());
            self.behind = Some(Behind { steep, flat, settled: confirmed, reached: last.signal });
            self.flat = None;
        }
    }

    /// What follows is looked at as a new stretch.
    pub(super) fn start_anew(&mut self) {
        self.flat = None;
        self.steep = None;
        self.closed = None;
        self.open = self.last;
        self.ground = (self.lowest, self.highest);
    }

    fn disproved(&mut self, mark: Mark) -> Option<Seen> {
        let behind = self.behind.as_mut()?;
        let direction = behind.steep.signal().signum();
        if (mark.signal - behind.reached) * direction > 0.0 {
            behind.reached = mark.signal;
        }
        let height = (behind.reached - behind.flat.to.signal) * direction;
        let fallen = (behind.reached - mark.signal) * direction / height;
        let chord = Chord { from: behind.flat.to, to: mark };
        let find = behind.steep;
        if height > 0.0 && fallen > LOST {
            self.behind = None;
            return Some(Seen::Lost { figure: fallen, limit: LOST, came_back: true, chord, find });
        }
        if let Some(closed) = self.closed
            && !behind.settled
            && closed.from.titrant >= behind.steep.to.titrant
            && closed.signal() * direction > 0.0
            && closed.steepness() > OUTDONE * behind.steep.steepness()
        {
            let figure = closed.steepness() / behind.steep.steepness();
            self.steep = Some((closed, behind.flat));
            self.flat = Some(behind.flat);
            self.after_steep = 0;
            self.behind = None;
            return Some(Seen::Lost { figure, limit: OUTDONE, came_back: false, chord: closed, find });
        }
        None
    }
}

/// The part of the steepest chord below which a later chord counts as flatter: the noise of both and the number of
/// chances that the run has had for a false alarm enter.
pub(super) fn past_limit(steep: &Chord, past: &Chord, noise: f64, count: usize) -> f64 {
    let chances = 1.5 + (2.0 * (count.max(2) as f64).ln()).sqrt();
    let of_steep = noise / steep.signal().abs();
    let of_past = noise / (steep.steepness() * past.titrant());
    (1.0 - chances * std::f64::consts::SQRT_2 * of_steep.hypot(of_past)).min(PAST)
}
