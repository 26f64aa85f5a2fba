//! Is everything there for a portion? What is fresh, what is overdue, and what that means.

use super::procedure::{ConstantValue, Freshness, HowWord, OverdueWord, Procedure};
use super::steps::{StepLine, open_before};
use super::{Equipment, EquipmentKind, Kept, Role, RunPlan, Stock};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How a point of the checklist stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Readiness {
    /// As it should be.
    Fine,
    /// The run may start; it carries the warning.
    Warn,
    /// The run may start with a reason; it carries the warning.
    NeedsReason,
    /// The run does not start.
    Refuse,
}

/// One point of the checklist before a portion.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckPoint {
    /// How it stands.
    pub is: Readiness,
    /// In words.
    pub words: String,
}

/// The point that steps before a portion stand open; none where each was ticked or skipped.
#[must_use]
pub fn steps_not_told(lines: &[StepLine]) -> Option<CheckPoint> {
    let open = open_before(lines).count();
    let words = format!("steps of preparation not ticked yet: {open}");
    (open > 0).then_some(CheckPoint { is: Readiness::Warn, words })
}

/// The checklist of a portion.
///
/// `utc_us`: now; `today`: the day of the place; `real`: the data come from a real instrument or a person.
#[must_use]
pub fn checklist(
    procedure: &Procedure,
    plan: &RunPlan,
    stock: &Stock,
    now: (i64, jiff::civil::Date),
    real: bool,
) -> Vec<CheckPoint> {
    let mut list = List { plan, stock, now, real, points: Vec::new() };
    if let Some(electrode) = &procedure.electrode {
        list.electrode(&electrode.kind, electrode.needs);
    }
    if let Some(reagent) = procedure.reagent.as_ref().filter(|r| !r.is_standardised_here) {
        list.strength(&reagent.name, &reagent.titrant, reagent.needs);
    }
    for solution in &procedure.solutions {
        list.strength(&solution.name, &solution.what, solution.needs);
    }
    list.equipment(procedure);
    list.unnamed(procedure);
    for words in procedure.wrong_values(&named_mass(procedure, plan)) {
        list.add(Readiness::Refuse, words);
    }
    if plan.role != Role::Blank {
        if plan.mass_g.is_some() && procedure.only_mass().is_none() && !procedure.asked.is_empty() {
            let words = "the mass enters nothing: the procedure does not ask for exactly one; give values by their names";
            list.add(Readiness::Warn, words.to_owned());
        }
        for asked in procedure.asked.iter().filter(|a| a.usual.is_none()) {
            let given = plan.values.contains_key(&asked.name)
                || (plan.mass_g.is_some() || plan.values.contains_key("mass"))
                    && asked.unit.dimension() == crate::results::Dimension::MASS;
            if !given {
                let words = format!(
                    "{} ({}) is not given yet: without it there is no result",
                    asked.what, asked.name
                );
                list.points.push(CheckPoint { is: Readiness::Warn, words });
            }
        }
    }
    list.points
}

/// What a portion starts with all the same, by its checklist.
///
/// # Errors
/// In words, why it does not start: something refuses, or wants a reason that is not given.
pub fn decide(list: &[CheckPoint], reason: Option<&str>) -> Result<Vec<String>, String> {
    let of = |is: Readiness| -> Vec<&str> {
        list.iter().filter(|point| point.is == is).map(|point| point.words.as_str()).collect()
    };
    let refused = of(Readiness::Refuse);
    if !refused.is_empty() {
        return Err(format!("the run does not start: {}", refused.join("; ")));
    }
    let wanting = of(Readiness::NeedsReason);
    let mut warnings = Vec::new();
    if !wanting.is_empty() {
        let reason = reason.map(str::trim).filter(|reason| !reason.is_empty()).ok_or_else(|| {
            format!("the run starts only with a reason: {}; give one with --reason", wanting.join("; "))
        })?;
        warnings.extend(wanting.iter().map(|words| format!("{words}; started all the same: {reason}")));
    }
    warnings.extend(of(Readiness::Warn).into_iter().map(str::to_owned));
    Ok(warnings)
}

/// The values of a plan, a mass without a name under the name that the procedure has for it.
fn named_mass(procedure: &Procedure, plan: &RunPlan) -> BTreeMap<String, String> {
    let mut values = plan.values.clone();
    procedure.name_the_mass(&mut values);
    values
}

struct List<'a> {
    plan: &'a RunPlan,
    stock: &'a Stock,
    now: (i64, jiff::civil::Date),
    real: bool,
    points: Vec<CheckPoint>,
}

impl List<'_> {
    fn add(&mut self, is: Readiness, words: String) {
        self.points.push(CheckPoint { is, words });
    }

    /// Judges an age in s against what the procedure asks.
    fn fresh(&mut self, what: &str, made_utc_us: Option<i64>, done: &str, needs: Freshness) {
        let Some(within_s) = needs.within_s else { return };
        let overdue = match needs.when_overdue {
            OverdueWord::Warn => Readiness::Warn,
            OverdueWord::Reason => Readiness::NeedsReason,
            OverdueWord::Refuse => Readiness::Refuse,
        };
        match made_utc_us {
            None => self.add(overdue, format!("{what} was never {done}")),
            Some(made) => {
                let age_s = (self.now.0 - made) as f64 / 1e6;
                let words = format!("{what} was {done} {} ago", span(age_s));
                if age_s > within_s {
                    self.add(overdue, format!("{words}; the procedure asks for {} at most", span(within_s)));
                } else {
                    self.add(Readiness::Fine, words);
                }
            }
        }
    }

    fn named(&self, kind: EquipmentKind, for_name: &str) -> Option<&str> {
        let uses = &self.plan.uses;
        uses.get(for_name).or_else(|| uses.get(kind.word())).map(String::as_str)
    }

    fn electrode(&mut self, kind: &str, needs: Freshness) {
        let name = self.named(EquipmentKind::Electrode, "").map(str::to_owned).or_else(|| {
            let only = self.stock.only(EquipmentKind::Electrode, |e| e.what.as_deref() == Some(kind));
            only.map(|kept| kept.it.name.clone())
        });
        self.valid(name.as_deref().and_then(|name| self.stock.named(EquipmentKind::Electrode, name)));
        let check = name.as_deref().and_then(|name| self.stock.check(name, self.now.0));
        let what =
            name.as_ref().map_or_else(|| format!("the {kind} electrode"), |name| format!("electrode {name}"));
        let failed = check.filter(|check| !check.it.accepted).map(|check| check.it.words.join("; "));
        self.fresh(&what, check.map(|check| check.utc_us), "checked", needs);
        if let Some(words) = failed {
            let is = match needs.when_overdue {
                OverdueWord::Warn => Readiness::Warn,
                OverdueWord::Reason => Readiness::NeedsReason,
                OverdueWord::Refuse => Readiness::Refuse,
            };
            self.add(is, format!("{what} did not pass its last check: {words}"));
        }
    }

    fn strength(&mut self, name: &str, what: &str, needs: Freshness) {
        if self.plan.values.contains_key(name) {
            self.add(Readiness::Warn, format!("the strength of {what} is keyed, not taken from the record"));
            return;
        }
        let lot = match self.named(EquipmentKind::Titrant, name) {
            Some(named) => self.stock.named(EquipmentKind::Titrant, named),
            None => self.stock.only(EquipmentKind::Titrant, |lot| lot.what.as_deref() == Some(what)),
        };
        let Some(lot) = lot else {
            self.fresh(what, None, "standardised", needs);
            return;
        };
        self.valid(Some(lot));
        let lot_name = lot.it.name.clone();
        let factor = self.stock.factor(&lot_name, self.now.0, self.real).map(|factor| factor.utc_us);
        self.fresh(&format!("{what} {lot_name}"), factor, "standardised", needs);
    }

    /// Warns of a piece or a lot that is out of use or not valid today.
    fn valid(&mut self, kept: Option<&Kept<Equipment>>) {
        let why = kept.and_then(|kept| kept.it.why_not(self.now.1));
        let words = why.filter(|why| self.points.iter().all(|point| point.words != *why));
        self.points.extend(words.map(|words| CheckPoint { is: Readiness::Warn, words }));
    }

    /// What enters without being named, because it is the only one that fits: standards, pipettes, flasks.
    fn unnamed(&mut self, procedure: &Procedure) {
        for constant in &procedure.constants {
            if let ConstantValue::PurityOf(standard) = &constant.value
                && self.named(EquipmentKind::Standard, &constant.name).is_none()
            {
                let fits =
                    |lot: &Equipment| lot.what.as_deref() == Some(standard.as_str()) || lot.name == *standard;
                self.valid(self.stock.only(EquipmentKind::Standard, fits));
            }
        }
        for asked in &procedure.asked {
            let kind = match asked.how {
                HowWord::Pipette => EquipmentKind::Pipette,
                HowWord::Flask => EquipmentKind::Flask,
                _ => continue,
            };
            if let Some(usual) = asked.usual.filter(|_| self.named(kind, &asked.name).is_none()) {
                let in_ml = asked.unit.to_coherent(usual);
                let fits = |e: &Equipment| e.value.is_some_and(|v| (v - in_ml).abs() <= 1e-6 * in_ml.abs());
                self.valid(self.stock.only(kind, fits));
            }
        }
    }

    /// Equipment that is named, or the only one of its kind, must be there and valid today.
    fn equipment(&mut self, procedure: &Procedure) {
        for words in procedure.wrong_uses(&self.plan.uses) {
            self.add(Readiness::Refuse, words);
        }
        let by_kind = |name: &str| EquipmentKind::parse(name).is_some();
        let for_a_name = self.plan.uses.iter().filter(|(name, _)| !by_kind(name));
        for (name, thing) in for_a_name.map(|(name, thing)| (name.clone(), thing.clone())).collect::<Vec<_>>()
        {
            let kept = self.stock.equipment.iter().find(|kept| kept.it.name == thing);
            match kept.map(|kept| kept.it.why_not(self.now.1)) {
                None => {
                    let words =
                        format!("there is nothing named \"{thing}\" in the record, to be used for {name}");
                    self.add(Readiness::Refuse, words);
                }
                Some(why) => self.points.extend(why.map(|words| CheckPoint { is: Readiness::Warn, words })),
            }
        }
        for kind in EquipmentKind::ALL {
            let kept = match self.plan.uses.get(kind.word()) {
                Some(name) => {
                    let kept = self.stock.named(kind, name);
                    if kept.is_none() {
                        self.add(
                            Readiness::Refuse,
                            format!("there is no {} \"{name}\" in the record", kind.word()),
                        );
                    }
                    kept
                }
                None if matches!(kind, EquipmentKind::Burette | EquipmentKind::Balance) => {
                    self.stock.only(kind, |_| true)
                }
                None => None,
            };
            self.valid(kept);
        }
    }
}

/// A time in the unit that a person would use.
fn span(seconds: f64) -> String {
    let (value, unit) = match seconds.abs() {
        s if s < 90.0 => (seconds, "s"),
        s if s < 5_400.0 => (seconds / 60.0, "min"),
        s if s < 172_800.0 => (seconds / 3_600.0, "h"),
        _ => (seconds / 86_400.0, "d"),
    };
    format!("{value:.0} {unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn procedure(when: &str) -> Procedure {
        let text = format!(
            "title = \"a\"\nid = \"a\"\n[reagent]\ntitrant = \"sodium hydroxide\"\nnominal = \"0.1 mol/L\"\n\
             needs = \"standardised within 7 d\"\nwhen_overdue = \"{when}\"\n"
        );
        Procedure::read("a", &text).unwrap()
    }

    #[test]
    fn what_was_never_done_is_told_as_the_procedure_wants() {
        let today = jiff::civil::date(2026, 5, 4);
        for (when, is) in
            [("warn", Readiness::Warn), ("reason", Readiness::NeedsReason), ("refuse", Readiness::Refuse)]
        {
            let list = checklist(&procedure(when), &RunPlan::default(), &Stock::default(), (0, today), true);
            assert_eq!(list.len(), 1);
            assert_eq!(list[0].is, is);
            assert!(list[0].words.contains("never standardised"), "{}", list[0].words);
        }
    }

    #[test]
    fn a_reason_opens_what_wants_one_and_nothing_opens_a_refusal() {
        let point = |is, words: &str| CheckPoint { is, words: words.to_owned() };
        let list = [
            point(Readiness::NeedsReason, "old"),
            point(Readiness::Warn, "dusty"),
            point(Readiness::Fine, "x"),
        ];
        assert!(decide(&list, None).unwrap_err().contains("--reason"));
        assert!(decide(&list, Some("  ")).is_err());
        let told = decide(&list, Some("no time")).unwrap();
        assert_eq!(told, ["old; started all the same: no time", "dusty"]);
        assert!(decide(&[point(Readiness::Refuse, "gone")], Some("no time")).unwrap_err().contains("gone"));
    }

    #[test]
    fn equipment_that_is_not_there_stops_the_start() {
        let plan = RunPlan { uses: [("burette".to_owned(), "blue".to_owned())].into(), ..RunPlan::default() };
        let today = jiff::civil::date(2026, 5, 4);
        let list = checklist(&procedure("warn"), &plan, &Stock::default(), (0, today), true);
        assert!(list.iter().any(|point| point.is == Readiness::Refuse && point.words.contains("blue")));
    }

    #[test]
    fn a_lot_that_has_expired_is_told_though_nobody_named_it() {
        let lots = "[[titrant]]\nname = \"lot 7\"\nwhat = \"sodium hydroxide\"\nvalid_to = \"2026-05-03\"\n";
        let equipment = crate::work::read_equipment("lots", lots).unwrap();
        let kept = |it| Kept { datum: 1, utc_us: 0, who: String::new(), it };
        let stock = Stock { equipment: equipment.into_iter().map(kept).collect(), ..Stock::default() };
        let told = |day| {
            let today = jiff::civil::date(2026, 5, day);
            let list = checklist(&procedure("warn"), &RunPlan::default(), &stock, (0, today), true);
            list.iter().filter(|point| point.words.contains("was valid until 2026-05-03")).count()
        };
        assert_eq!((told(3), told(4)), (0, 1));
    }

    #[test]
    fn ages_are_told_in_the_unit_of_a_person() {
        assert_eq!(
            [span(20.0), span(600.0), span(9_000.0), span(864_000.0)],
            ["20 s", "10 min", "2 h", "10 d"]
        );
    }
}
