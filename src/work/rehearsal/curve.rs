//! How the end-point will show: the curve reckoned from what reacts, titrated in steps of several widths, with the noise of
//! a usual electrode, and looked at by the same watch and the same evaluation as a real one.

use super::Rehearsal;
use crate::chemistry::titration::{Titration, Vessel};
use crate::detector::{Given, Watch, WatchState, evaluate};
use crate::reading::{Curve, CurveHead, Point, Quantity as Signal, Titrant};
use crate::results::Unit;
use crate::work::procedure::{Procedure, Reaction, ShapeWord};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// Widths of steps that are tried (mL or g): those of usual burettes.
const WIDTHS: [f64; 5] = [0.5, 0.2, 0.1, 0.05, 0.02];
/// Steps that lie so many times within the titrant are tried.
const IN_THE_TITRANT: (f64, f64) = (15.0, 1_000.0);
/// Each width is tried so often, its points lying elsewhere about the end-point.
const TRIES: usize = 3;
/// Steps of the chosen width begin this part of the titrant before the end-point, and go on so far behind it.
const NEAR: f64 = 0.15;
/// The height of a jump is told from this part of the titrant before the end-point to as much behind it.
const HEIGHT: f64 = 0.01;
/// A find further than this part of the titrant from the end-point is another thing.
const ASTRAY: f64 = 0.02;
/// A wider step is advised while the standard uncertainty of the result grows by no more than this part.
const WORTH: f64 = 0.1;
/// Volume before the first addition where the procedure says none, in mL (common practice, no source).
const USUAL_VOLUME_ML: f64 = 60.0;
/// Scatter of a settled reading and last digit of the display (common practice, no source).
const NOISE_PH: (f64, f64) = (0.003, 0.01);
const NOISE_MV: (f64, f64) = (0.3, 0.1);

/// What the curve of a portion will be like.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveAhead {
    /// Signal 1 % before the end-point and 1 % behind it.
    pub around: (f64, f64),
    /// Unit of the signal.
    pub unit: &'static str,
    /// Largest slope near the end-point, in signal for a mL or g.
    pub steepest: f64,
    /// The widths of steps that were tried, the widest first.
    pub steps: Vec<StepAhead>,
}

/// What a width of steps will give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepAhead {
    /// Titrant of one step near the end-point, in mL or g.
    pub width: f64,
    /// Points of the whole curve.
    pub points: usize,
    /// Root mean squares of what the end-point is off, and of the standard uncertainty that was stated; `None`: it was
    /// not found each time.
    pub found: Option<(f64, f64)>,
    /// How far behind the end-point the watch tells it at the latest; `None`: it does not each time.
    pub told_behind: Option<f64>,
}

impl StepAhead {
    /// Standard uncertainty to reckon with: the larger of what is stated and what comes out.
    #[must_use]
    pub fn u(&self) -> Option<f64> {
        self.found.map(|(off, stated)| off.max(stated))
    }
}

impl CurveAhead {
    /// The widest step that is nearly as good as the best and does not step over the jump; `None`: with none of them the
    /// end-point is found.
    ///
    /// The curve is that of a clean solution, which a model finds with few points; a real one wants a point in the jump.
    #[must_use]
    pub fn advised(&self, rehearsal: &Rehearsal) -> Option<&StepAhead> {
        let u_of = |step: &&StepAhead| step.u().map(|u| rehearsal.u_with(u));
        let best = self.steps.iter().filter_map(|step| u_of(&step)).min_by(f64::total_cmp)?;
        let good = |step: &&StepAhead| u_of(step).is_some_and(|u| u <= best * (1.0 + WORTH));
        let within = |step: &&StepAhead| step.width <= 2.0 * HEIGHT * rehearsal.titrant;
        // Where every step is wider than that, the narrowest good one.
        let mut all = self.steps.iter().filter(good);
        all.clone().find(within).or_else(|| all.next_back())
    }
}

/// Reckons the curve of a rehearsed portion; `width`: only steps of this width are tried.
///
/// Titrant that is weighed is taken as 1 g/mL.
///
/// # Errors
/// In words, why no curve can be reckoned.
pub fn look_ahead(
    procedure: &Procedure,
    rehearsal: &Rehearsal,
    width: Option<f64>,
) -> Result<CurveAhead, String> {
    let reaction = procedure
        .reaction
        .as_ref()
        .ok_or("the procedure does not say what reacts ([reaction]): jump and steps are not reckoned")?;
    let find = procedure
        .finds
        .iter()
        .find(|find| find.name == rehearsal.find)
        .filter(|find| matches!(find.shape, None | Some(ShapeWord::Jump | ShapeWord::Level)))
        .ok_or_else(|| format!("{} does not show as a jump or a level of a curve", rehearsal.find))?;
    let signal = signal_of(reaction, find.signal);
    let vessel = Vessel {
        sample_volume_ml: procedure.vessel_ml.unwrap_or(USUAL_VOLUME_ML),
        titrant_mol_l: strength_mol_l(procedure, rehearsal)?,
        temperature_c: 25.0,
    };
    let titration = match find.level {
        Some(level) => crossing(reaction, vessel, rehearsal.titrant, level.signal)?,
        None => reaction.titration(rehearsal.titrant, vessel),
    };
    let at = |part: f64| titration.signal(rehearsal.titrant * part);
    let around = (at(1.0 - HEIGHT), at(1.0 + HEIGHT));
    if !(around.0.is_finite() && around.1.is_finite()) {
        return Err("the equilibrium of this reaction has no solution here: check [reaction]".to_owned());
    }
    let given = Given {
        looked_for: Some(1),
        windows: Vec::new(),
        level: find.level,
        sample_volume_ml: Some(vessel.sample_volume_ml),
        titrant_mol_l: Some(vessel.titrant_mol_l),
        ..procedure.given()
    };
    let titrant = if procedure.is_by_mass() { Titrant::Mass } else { Titrant::Volume };
    let head = CurveHead { titrant, signal: Some((signal, signal.canonical_unit())) };
    let fits = |width: &f64| {
        (IN_THE_TITRANT.0..=IN_THE_TITRANT.1).contains(&(rehearsal.titrant / width)) && *width > 0.0
    };
    let widths: Vec<f64> = match width {
        Some(width) if width.is_finite() && width > 0.0 && rehearsal.titrant / width <= IN_THE_TITRANT.1 => {
            vec![width]
        }
        Some(width) => return Err(format!("steps of {width} do not fit {:.3}", rehearsal.titrant)),
        None => WIDTHS.into_iter().filter(fits).collect(),
    };
    let bench = Rehearsed { titration: &titration, head, given: &given, end_point: rehearsal.titrant };
    Ok(CurveAhead {
        around,
        unit: signal.canonical_unit().symbol(),
        steepest: steepest(&titration, rehearsal.titrant),
        steps: widths.into_iter().map(|width| bench.with_steps(width)).collect(),
    })
}

/// pH where that is looked at; what an electrode of another kind shows is a potential.
fn signal_of(reaction: &Reaction, looked_at: Option<Signal>) -> Signal {
    match reaction {
        Reaction::Protons(_) => Signal::Ph,
        _ => looked_at.filter(|signal| *signal == Signal::Voltage).unwrap_or(Signal::Emf),
    }
}

/// The strength of the titrant as it entered, in mol/L.
fn strength_mol_l(procedure: &Procedure, rehearsal: &Rehearsal) -> Result<f64, String> {
    let unknown = || "the strength of the titrant in mol/L is not known".to_owned();
    let reagent = procedure.reagent.as_ref().ok_or_else(unknown)?;
    let entered = rehearsal.result.inputs.iter().find(|input| input.name == reagent.name);
    let strength = entered
        .and_then(|input| input.quantity().ok())
        .or_else(|| reagent.nominal.clone())
        .ok_or_else(unknown)?;
    let unit = Unit::parse(if procedure.is_by_mass() { "mol/kg" } else { "mol/L" });
    let mol_l = unit.ok().and_then(|unit| strength.in_unit(&unit));
    mol_l.filter(|c| *c > 0.0).ok_or_else(unknown)
}

/// The titration whose signal crosses a level at `titrant`: its equivalence point lies a little apart from there.
fn crossing(reaction: &Reaction, vessel: Vessel, titrant: f64, level: f64) -> Result<Titration, String> {
    let mut end = titrant;
    for _ in 0..8 {
        let titration = reaction.titration(end, vessel);
        let off = |v: f64| titration.signal(v) - level;
        let (mut low, mut high) = (0.0, 3.0 * end);
        if off(low) * off(high) > 0.0 || !off(low).is_finite() {
            return Err(format!("this portion never crosses {level}"));
        }
        let sign = off(low).signum();
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if off(middle) * sign > 0.0 { low = middle } else { high = middle }
        }
        if (high / titrant - 1.0).abs() < 1e-6 {
            return Ok(titration);
        }
        end *= titrant / high;
    }
    Ok(reaction.titration(end, vessel))
}

fn steepest(titration: &Titration, end_point: f64) -> f64 {
    let width = 1e-3 * end_point;
    (-20..20)
        .map(|n| {
            let v = end_point + f64::from(n) * width;
            ((titration.signal(v + width) - titration.signal(v)) / width).abs()
        })
        .filter(|slope| slope.is_finite())
        .fold(0.0, f64::max)
}

struct Rehearsed<'a> {
    titration: &'a Titration,
    head: CurveHead,
    given: &'a Given,
    end_point: f64,
}

impl Rehearsed<'_> {
    fn with_steps(&self, width: f64) -> StepAhead {
        let mut off = Vec::new();
        let mut behind = Vec::new();
        let mut points = 0;
        for n in 0..TRIES {
            let curve = self.curve(width, n);
            points = curve.points.len();
            let found = evaluate(&curve, self.given);
            let nearest = found.end_points.iter().min_by(|a, b| {
                let away = |t: f64| (t - self.end_point).abs();
                away(a.titrant).total_cmp(&away(b.titrant))
            });
            let nearest = nearest.filter(|e| (e.titrant / self.end_point - 1.0).abs() <= ASTRAY);
            off.extend(nearest.map(|e| (e.titrant - self.end_point, e.u.unwrap_or(0.0))));
            behind.extend(self.told_behind(&curve));
        }
        let rms = |of: fn(&(f64, f64)) -> f64| {
            (off.iter().map(|both| of(both).powi(2)).sum::<f64>() / TRIES as f64).sqrt()
        };
        StepAhead {
            width,
            points,
            found: (off.len() == TRIES).then(|| (rms(|both| both.0), rms(|both| both.1))),
            told_behind: (behind.len() == TRIES).then(|| behind.iter().copied().fold(0.0, f64::max)),
        }
    }

    /// The curve in steps of a width near the end-point and ten times wider before, the `n`-th of them.
    fn curve(&self, width: f64, n: usize) -> Curve {
        let mut rng = ChaCha8Rng::seed_from_u64(n as u64);
        let (scatter, digit) = if self.head.signal.is_some_and(|(signal, _)| signal == Signal::Ph) {
            NOISE_PH
        } else {
            NOISE_MV
        };
        let noise = Normal::new(0.0, scatter);
        let near = (NEAR * self.end_point).max(8.0 * width);
        // Where the points lie about the end-point is chance: a third of a step apart in each try.
        let from = self.end_point - near + width * n as f64 / TRIES as f64;
        let mut titrants = Vec::new();
        let coarse = (10.0 * width).min(self.end_point / 20.0).max(width);
        let mut v = 0.0;
        while v < from - 0.5 * coarse {
            titrants.push(v);
            v += coarse;
        }
        let mut k = 0.0;
        while from + k * width <= self.end_point + near {
            let next = from + k * width;
            if next >= 0.0 {
                titrants.push(next);
            }
            k += 1.0;
        }
        let point = |titrant: f64| {
            let error = noise.as_ref().map_or(0.0, |noise| noise.sample(&mut rng));
            let signal = self.titration.signal(titrant) + error;
            Point { titrant, signal: (signal / digit).round() * digit, temperature_c: None, t_s: None }
        };
        let points = titrants.into_iter().map(point).filter(|p| p.signal.is_finite()).collect();
        Curve { head: self.head, points }
    }

    /// How far behind the end-point the live watch tells it and keeps to it.
    fn told_behind(&self, curve: &Curve) -> Option<f64> {
        let mut watch = Watch::new(self.head, self.given);
        let mut told: Option<(u32, f64)> = None;
        for point in &curve.points {
            for change in watch.push(*point) {
                match (change.state, change.find, change.end_point) {
                    (WatchState::Found, Some(find), Some(end_point))
                        if (end_point / self.end_point - 1.0).abs() <= ASTRAY =>
                    {
                        told.get_or_insert((find, change.titrant - self.end_point));
                    }
                    (WatchState::Withdrawn, Some(find), _) => {
                        told = told.filter(|(told, _)| *told != find);
                    }
                    _ => {}
                }
            }
        }
        told.map(|(_, behind)| behind)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::work::Stock;
    use crate::work::rehearsal::rehearse;
    use crate::work::result::PortionFacts;

    fn ahead(name: &str, values: &[(&str, &str)], expected: &str) -> (Rehearsal, CurveAhead) {
        let procedure = Procedure::read(name, Procedure::shipped(name).unwrap()).unwrap();
        let values = values.iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())).collect();
        let facts = PortionFacts { values, ..PortionFacts::default() };
        let expected = expected.parse().unwrap();
        let rehearsal = rehearse(&procedure, &facts, &Stock::default(), &expected, 0.005).unwrap();
        let ahead = look_ahead(&procedure, &rehearsal, None).unwrap();
        (rehearsal, ahead)
    }

    #[test]
    fn acetic_acid_jumps_by_what_its_constants_say() {
        let (rehearsal, ahead) = ahead("vinegar-acidity", &[("m", "1.5 g")], "5 g/100 g");
        // 1 % before: pKa + log 99 = 6.75. 1 % behind: the hydroxide of 0.125 mL of 0.1 mol/L in some 73 mL, pH 10.23.
        assert!((ahead.around.0 - 6.75).abs() < 0.1, "{:?}", ahead.around);
        assert!((ahead.around.1 - 10.23).abs() < 0.15, "{:?}", ahead.around);
        let advised = ahead.advised(&rehearsal).unwrap();
        assert!(advised.width <= 0.02 * rehearsal.titrant, "the jump is not stepped over: {advised:?}");
        assert!(advised.u().unwrap() < 0.02, "{advised:?}");
        assert!(ahead.steps.iter().all(|step| step.found.is_some()), "{:?}", ahead.steps);
    }

    #[test]
    fn a_trace_is_said_to_be_seen_badly() {
        // A hundredth of the content in the same portion: the jump is flat, and steps of a burette are wide for it.
        let (_, trace) = ahead("chloride-in-water", &[("V_s", "100 mL")], "2 mg/L");
        let (_, usual) = ahead("chloride-in-water", &[("V_s", "100 mL")], "80 mg/L");
        let height = |ahead: &CurveAhead| (ahead.around.1 - ahead.around.0).abs();
        assert!(height(&trace) < 0.3 * height(&usual), "{trace:?} {usual:?}");
    }
}
