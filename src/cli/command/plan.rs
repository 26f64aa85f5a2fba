//! `dropwise plan`: a rehearsal of a portion before anything is weighed.

use crate::cli::bench::procedure;
use crate::cli::outcome::portion_lines;
use crate::cli::output::Output;
use crate::cli::typed::{TypedArgs, check, stock};
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::visible;
use crate::results::Quantity;
use crate::work::rehearsal::{CurveAhead, Rehearsal, StepAhead, look_ahead, mass_of, rehearse};
use crate::work::result::PortionFacts;
use crate::work::{CheckRecord, EquipmentKind, Procedure, Stock};
use clap::Args;

/// Arguments of `plan`.
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// The procedure: a name that ships, or a procedure file
    procedure: String,
    /// What is expected, in the unit of the result or with a unit: 5, "50 mg/g"
    #[arg(long, value_name = "CONTENT")]
    expect: String,
    #[command(flatten)]
    typed: TypedArgs,
    /// Capacity of the burette in mL (g where the titrant is weighed), where the record knows none
    #[arg(long, value_name = "AMOUNT")]
    burette: Option<f64>,
    /// Steps of the burette near the end-point in mL (g where the titrant is weighed); without it several are tried
    #[arg(long, value_name = "AMOUNT")]
    step: Option<f64>,
    /// Standard uncertainty of an end-point in mL (g where the titrant is weighed); without it that of the reckoned curve
    #[arg(long, value_name = "AMOUNT")]
    u_volume: Option<f64>,
    /// One JSON object
    #[arg(long)]
    json: bool,
}

/// How much of the burette a portion should use (common practice, no source).
const GOOD_USE: (f64, f64) = (0.4, 0.8);
/// Standard uncertainty of an end-point whose curve cannot be reckoned, in mL or g (common practice, no source).
const USUAL_U: f64 = 0.005;

/// Everything that a rehearsal is made of, beside the mass.
struct Setting<'a> {
    procedure: &'a Procedure,
    stock: &'a Stock,
    expected: &'a Quantity,
    u_titrant: f64,
    capacity: Option<f64>,
}

impl PlanArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the procedure is not understood, or a value is missing or not known to it.
    pub fn run(&self, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
        let (procedure, _) = procedure(&self.procedure, settings)?;
        let stock = stock(settings)?;
        let facts = self.typed.facts(&procedure);
        check(&procedure, &facts.values, &facts.uses)?;
        let rule =
            procedure.results.first().ok_or_else(|| Fault::misuse("the procedure computes nothing"))?;
        let expected = match self.expect.trim().parse::<f64>() {
            Ok(value) if value.is_finite() => Quantity::new(value, rule.unit.clone()),
            _ => Quantity::parse(&self.expect).map_err(|e| Fault::misuse(e.to_string()))?,
        };
        let again = |u: f64| rehearse(&procedure, &facts, &stock, &expected, u).map_err(Fault::misuse);
        let mut rehearsed = again(self.u_volume.unwrap_or(USUAL_U))?;
        let ahead = look_ahead(&procedure, &rehearsed, self.step);
        let step = ahead.as_ref().ok().and_then(|ahead| ahead.advised(&rehearsed)).copied();
        if let (None, Some(u)) = (self.u_volume, step.and_then(|step| step.u())) {
            rehearsed = again(u)?;
        }
        let burette = match self.typed.uses.iter().find(|(kind, _)| kind == EquipmentKind::Burette.word()) {
            Some((_, name)) => stock.named(EquipmentKind::Burette, name),
            None => stock.only(EquipmentKind::Burette, |_| true),
        };
        let burette = burette.filter(|_| !procedure.is_by_mass()).and_then(|b| b.it.value);
        let setting = Setting {
            procedure: &procedure,
            stock: &stock,
            expected: &expected,
            u_titrant: self.u_volume.or(step.and_then(|step| step.u())).unwrap_or(USUAL_U),
            capacity: self.burette.or(burette),
        };
        let used = setting.capacity.map(|capacity| rehearsed.titrant / capacity);
        let good = used.is_none_or(|used| (GOOD_USE.0..=GOOD_USE.1).contains(&used))
            && (ahead.is_err() || step.is_some());
        if self.json {
            output.line(&self.object(&setting, &rehearsed, &ahead, step).to_string())?;
        } else {
            let mut lines = setting.titrant(&rehearsed);
            lines.extend(setting.curve(&rehearsed, &ahead, step));
            lines.extend(setting.time(&facts, step));
            lines.extend(portion_lines(&rehearsed.result));
            lines.extend(setting.masses(&facts, &rehearsed));
            for line in lines {
                output.line(&visible(&line))?;
            }
        }
        Ok(if good { Exit::Done } else { Exit::OutsideLimits })
    }

    fn object(
        &self,
        setting: &Setting<'_>,
        rehearsed: &Rehearsal,
        ahead: &Result<CurveAhead, String>,
        step: Option<StepAhead>,
    ) -> serde_json::Value {
        let one = |step: &StepAhead| {
            serde_json::json!({
                "step": step.width, "points": step.points, "off": step.found.map(|(off, _)| off),
                "u": step.found.map(|(_, u)| u), "told_behind": step.told_behind,
            })
        };
        serde_json::json!({
            "end_point": rehearsed.find, "titrant": rehearsed.titrant, "unit": setting.procedure.titrant_unit(),
            "capacity": setting.capacity, "u_titrant": setting.u_titrant, "without": rehearsed.without,
            "curve": ahead.as_ref().ok().map(|ahead| serde_json::json!({
                "around": ahead.around, "unit": ahead.unit, "steepest": ahead.steepest,
                "steps": ahead.steps.iter().map(one).collect::<Vec<_>>(),
            })),
            "no_curve": ahead.as_ref().err(), "advised_step": step.map(|step| step.width),
            "result": rehearsed.result,
        })
    }
}

impl Setting<'_> {
    fn titrant(&self, rehearsed: &Rehearsal) -> Vec<String> {
        let unit = self.procedure.titrant_unit();
        let mut lines =
            vec![format!("titrant   {:.3} {unit} at the end-point {}", rehearsed.titrant, rehearsed.find)];
        lines.extend(rehearsed.without.iter().map(|name| {
            format!("blank     no {name} is known: taken as nothing; give it with --value {name}=...")
        }));
        lines.push(match self.capacity {
            None => format!("burette   none is known: give its capacity in {unit} with --burette"),
            Some(capacity) => {
                let used = rehearsed.titrant / capacity;
                let fillings = used.ceil().max(1.0);
                let filled = if fillings > 1.0 { format!(", {fillings} fillings") } else { String::new() };
                let advice = if used > GOOD_USE.1 {
                    "; take less, or a stronger titrant"
                } else if used < GOOD_USE.0 {
                    "; take more, or a weaker titrant"
                } else {
                    ""
                };
                format!("burette   {:.0} % of {capacity} {unit}{filled}{advice}", used * 100.0)
            }
        });
        lines
    }

    /// How the end-point will show, and which steps are narrow enough.
    fn curve(
        &self,
        rehearsed: &Rehearsal,
        ahead: &Result<CurveAhead, String>,
        advised: Option<StepAhead>,
    ) -> Vec<String> {
        let ahead = match ahead {
            Ok(ahead) => ahead,
            Err(why) => return vec![format!("curve     {why}")],
        };
        let unit = self.procedure.titrant_unit();
        let source = self.procedure.reaction_source.as_deref().unwrap_or("not said");
        let (before, behind) = ahead.around;
        let is_level =
            self.procedure.finds.iter().any(|find| find.name == rehearsed.find && find.level.is_some());
        let what = if is_level { "level    " } else { "jump     " };
        let mut lines = vec![format!(
            "{what} {:.2} {} from 1 % before the end-point to 1 % behind it ({before:.2} to {behind:.2}), steepest {:.3} {} in 0.01 {unit}",
            (behind - before).abs(),
            ahead.unit,
            ahead.steepest * 0.01,
            ahead.unit
        )];
        lines.push(format!(
            "constants {source}; a clean solution and a settled electrode: a real one is worse"
        ));
        for step in &ahead.steps {
            let found = match step.found {
                Some((off, u)) => format!("end-point within {off:.4} {unit}, stated u = {u:.4} {unit}"),
                None => "the end-point is NOT FOUND each time".to_owned(),
            };
            let told = match step.told_behind {
                Some(behind) => format!("told at most {:.2} {unit} behind it", behind.max(0.0)),
                None => "not always told while it goes on".to_owned(),
            };
            let mark = if advised.is_some_and(|own| own.width.total_cmp(&step.width).is_eq()) {
                "  <- advised"
            } else {
                ""
            };
            lines.push(format!(
                "step      {} {unit}: {found}; {told}; {} points{mark}",
                step.width, step.points
            ));
        }
        if advised.is_none() {
            lines.push(
                "step      none of these sees the end-point: take more of the sample or a stronger titrant"
                    .to_owned(),
            );
        } else if let (Some(first), Some(u)) = (rehearsed.result.results.first(), advised.and_then(|s| s.u()))
        {
            let share = (rehearsed.sensitivity * u / first.u).powi(2) * 100.0;
            lines.push(format!(
                "step      the end-point then makes {share:.0} % of the variance of the result"
            ));
        }
        lines
    }

    /// How long it takes, by the time in which the electrode settled at its last check.
    fn time(&self, facts: &PortionFacts, step: Option<StepAhead>) -> Vec<String> {
        let Some(electrode) = &self.procedure.electrode else { return Vec::new() };
        let kept = match facts.uses.get(EquipmentKind::Electrode.word()) {
            Some(name) => self.stock.named(EquipmentKind::Electrode, name),
            None => self
                .stock
                .only(EquipmentKind::Electrode, |e| e.what.as_deref() == Some(electrode.kind.as_str())),
        };
        let check = kept.and_then(|kept| self.stock.check(&kept.it.name, facts.utc_us));
        let settles = |check: &CheckRecord| {
            check.buffers.iter().filter_map(|buffer| buffer.settled_s).max_by(f64::total_cmp)
        };
        let (Some(check), Some(step)) = (check, step) else { return Vec::new() };
        let Some(settle_s) = settles(&check.it) else { return Vec::new() };
        let minutes = settle_s * step.points as f64 / 60.0;
        vec![format!(
            "time      about {minutes:.0} min: {} points, and electrode {} took up to {settle_s:.0} s to settle at its check",
            step.points, check.it.electrode
        )]
    }

    /// What other masses would give.
    fn masses(&self, facts: &PortionFacts, now: &Rehearsal) -> Vec<String> {
        let (Some((name, mass)), Some(capacity)) = (mass_of(self.procedure, facts), self.capacity) else {
            return Vec::new();
        };
        let mut lines = Vec::new();
        for share in [GOOD_USE.0, 0.6, GOOD_USE.1] {
            let other = mass.value * share * capacity / now.titrant;
            let mut facts = facts.clone();
            facts.values.insert(name.clone(), format!("{other} {}", mass.unit));
            let rehearsed = rehearse(self.procedure, &facts, self.stock, self.expected, self.u_titrant);
            let Ok(rehearsed) = rehearsed else { continue };
            let Some(first) = rehearsed.result.results.first() else { continue };
            let ruled = first
                .budget
                .first()
                .map_or("nothing".to_owned(), |line| format!("{} ({:.0} %)", line.name, line.share * 100.0));
            lines.push(format!(
                "weigh     {other:.4} {}: {:.2} {}, {:.0} % of the burette, U = {:.2} % of the result, ruled by {ruled}",
                mass.unit,
                rehearsed.titrant,
                self.procedure.titrant_unit(),
                100.0 * rehearsed.titrant / capacity,
                100.0 * first.expanded / first.value.abs()
            ));
        }
        lines
    }
}
