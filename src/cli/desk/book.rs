//! What the record knows, as the pages show it.

use crate::cli::command::compare::changed;
use crate::cli::command::series::{accepted_words, groups, judged, origin_of};
use crate::cli::screen::procedures;
use crate::cli::{Exit, Fault, Settings};
use crate::dashboard::desk::{Answer, Group, Lot, Readied, Reckoned, RunFile, SeriesLine};
use crate::reading::{CurveHead, Stamp, Titrant};
use crate::store::{Reader, StoredPortion};
use crate::work::result::SeriesPortion;
use crate::work::{
    EquipmentKind, Expectation, Kept, Origin, Procedure, Role, RunHead, RunId, RunPlan, acceptance,
    checklist, expected, factor_of, kind, steps_not_told, steps_of,
};
use std::collections::BTreeMap;

/// Series and runs that are looked through for a list.
const LISTED: usize = 1_000;

/// Now, in microseconds since 1970 UTC.
pub(super) fn now_us() -> i64 {
    jiff::Timestamp::now().as_microsecond()
}

/// The checklist of a portion, and the end-point to expect.
pub(super) fn readiness(reader: &Reader, plan: &RunPlan, real: bool) -> Result<Answer, Fault> {
    if plan.procedure.is_empty() {
        return Ok(Answer::Ready(Readied::default()));
    }
    let definition = |text: String| Fault { text, exit: Exit::Definition };
    let procedure = Procedure::read("of this portion", &plan.procedure).map_err(definition)?;
    let now = (now_us(), jiff::ZonedDateTime::now().date());
    let stock = reader.stock()?;
    let mut points = checklist(&procedure, plan, &stock, now, real);
    let in_series = super::looks::in_series(&procedure, plan);
    let steps = steps_of(&procedure, &in_series, &reader.steps(&in_series.series)?);
    points.extend(steps_not_told(&steps));
    let head = RunHead {
        run: RunId::MAX,
        plan: plan.clone(),
        title: procedure.title.clone(),
        origin: Origin::Keyed,
        curve: CurveHead { titrant: Titrant::Volume, signal: None },
        warn_before: 0.0,
        cautions: Vec::new(),
        at: Stamp { elapsed_ns: 0, utc_us: now.0 },
        expectation: Expectation::default(),
    };
    let earlier = reader.earlier_portions(&head)?;
    let expected = expected(&earlier, plan.mass_g).map(|prior| (prior.expected, prior.u));
    let burette = match plan.uses.get(EquipmentKind::Burette.word()) {
        Some(name) => stock.named(EquipmentKind::Burette, name),
        None => stock.only(EquipmentKind::Burette, |_| true),
    };
    let holds = burette.and_then(|kept| Some((kept.it.name.clone(), kept.it.value?)));
    let by_mass = procedure.is_by_mass();
    Ok(Answer::Ready(Readied { points, expected, holds: holds.filter(|_| !by_mass), by_mass }))
}

/// The series, the latest first.
pub(super) fn series_list(reader: &Reader) -> Result<Answer, Fault> {
    let line = |row: crate::store::SeriesRow| SeriesLine {
        series: row.series,
        title: row.title,
        runs: row.runs,
        started_utc_us: row.started_utc_us,
    };
    Ok(Answer::SeriesList(reader.series_list(LISTED)?.into_iter().map(line).collect()))
}

type EndPoints = BTreeMap<RunId, Vec<(f64, Option<f64>)>>;

fn end_points(reader: &Reader) -> Result<EndPoints, Fault> {
    Ok(reader.runs(LISTED)?.into_iter().map(|row| (row.run, row.end_points)).collect())
}

/// A series by what its portions are for and by sample.
pub(super) fn groups_of(reader: &Reader, series: &str) -> Result<Vec<Group>, Fault> {
    let portions = reader.series(series)?;
    let ends = end_points(reader)?;
    let mut out = Vec::new();
    for ((role, sample), group) in groups(&portions) {
        out.push(one_group(reader, series, role, sample, &group, &ends)?);
    }
    Ok(out)
}

fn one_group(
    reader: &Reader,
    series: &str,
    role: Role,
    sample: String,
    group: &[StoredPortion],
    ends: &EndPoints,
) -> Result<Group, Fault> {
    let (result, trouble) = match role {
        Role::Blank => (None, None),
        _ => match judged(group) {
            Ok((_, result)) => (Some(result), None),
            Err(fault) => (None, Some(fault.text)),
        },
    };
    let accepted = match role {
        Role::Standardisation => {
            let stock = reader.stock()?;
            stock.factors.iter().rfind(|kept| kept.it.series == series).map(|kept| kept.who.clone())
        }
        _ => {
            let kind = if origin_of(group) == Origin::Simulator { kind::PRACTISED } else { kind::ACCEPTED };
            reader.latest_datum(kind, &format!("{series} / {sample}"))?.map(|datum| datum.who)
        }
    };
    let head = group.last().map(|p| &p.head);
    Ok(Group {
        series: series.to_owned(),
        role,
        sample,
        title: head.map(|h| h.title.clone()).unwrap_or_default(),
        origin: origin_of(group),
        plan: head.map(|h| h.plan.clone()).unwrap_or_default(),
        portions: group
            .iter()
            .map(|p| (p.portion.clone(), ends.get(&p.portion.run).cloned().unwrap_or_default()))
            .collect(),
        result,
        trouble,
        accepted,
    })
}

/// The portions of a series that standardise a lot.
fn of_lot(portions: Vec<StoredPortion>, lot: &str) -> Vec<StoredPortion> {
    let uses = |p: &StoredPortion| {
        p.portion.role == Role::Standardisation
            && p.head.plan.uses.get(EquipmentKind::Titrant.word()).is_some_and(|used| used == lot)
    };
    portions.into_iter().filter(uses).collect()
}

/// The lots with their factors and their latest standardisation.
pub(super) fn lots(settings: &Settings, reader: &Reader) -> Result<Answer, Fault> {
    let stock = reader.stock()?;
    let today = jiff::ZonedDateTime::now().date();
    let ends = end_points(reader)?;
    let names: Vec<String> = reader.series_list(LISTED)?.into_iter().map(|row| row.series).collect();
    let standardising: Vec<(String, String)> = procedures(settings)
        .into_iter()
        .filter_map(|offered| {
            let procedure = Procedure::parse("offered", &offered.text).ok()?;
            let reagent = procedure.reagent.filter(|r| r.is_standardised_here)?;
            Some((reagent.titrant, offered.text))
        })
        .collect();
    let mut lots = Vec::new();
    for kept in stock.of(EquipmentKind::Titrant) {
        let it = &kept.it;
        let what = it.what.clone().unwrap_or_default();
        let mut series = None;
        for name in &names {
            let group = of_lot(reader.series(name)?, &it.name);
            if let Some(sample) = group.last().map(|p| p.sample.clone()) {
                series = Some(one_group(reader, name, Role::Standardisation, sample, &group, &ends)?);
                break;
            }
        }
        lots.push(Lot {
            name: it.name.clone(),
            nominal: it.value.map(|value| (value, it.unit.clone())),
            why_not: it.why_not(today),
            factors: stock.factors.iter().filter(|f| f.it.lot == it.name).cloned().collect::<Vec<Kept<_>>>(),
            series,
            procedure: standardising
                .iter()
                .find(|(titrant, _)| *titrant == what)
                .map(|(_, text)| text.clone()),
            what,
        });
    }
    Ok(Answer::Lots(lots, now_us()))
}

/// Everything about one run.
pub(super) fn run(reader: &Reader, run: RunId) -> Result<Answer, Fault> {
    let stored = reader.run(run)?;
    let mut reckonings = Vec::new();
    let mut first = None;
    for id in reader.reckoning_ids(run)? {
        let kept = reader.reckoning(id)?;
        let signatures = reader
            .signatures(&format!("reckoning {id}"))?
            .iter()
            .map(|s| {
                let holds = if s.holds() { "" } else { " (DOES NOT HOLD)" };
                format!("{} by {}{holds}", s.unsigned.meaning.word(), s.unsigned.name)
            })
            .collect();
        let differs = first.as_ref().map(|first| changed(first, &kept)).unwrap_or_default();
        reckonings.push(Reckoned {
            id,
            program: kept.program.clone(),
            utc_us: kept.utc_us,
            who_why: kept.ledger.as_ref().map(|row| (row.who.clone(), row.why.clone())),
            differs: differs.into_iter().map(|what| format!("another {what} than the first")).collect(),
            points: kept.points,
            end_points: kept.findings.clone(),
            signatures,
        });
        first.get_or_insert(kept);
    }
    let result = reader.result(run)?.map(|kept| kept.it);
    Ok(Answer::Run(Box::new(RunFile {
        run,
        curve: stored.head.curve,
        points: stored.points,
        who: stored.who,
        plan: stored.head.plan,
        result,
        reckonings,
        reported: stored.reckoning,
        choice: reader.choice_of_reckoning(run)?.map(|choice| (choice.who, choice.why)),
        notes: stored.notes,
        warnings: stored.warnings,
    })))
}

/// The acceptance of a sample in a series.
pub(super) fn accept_series(reader: &Reader, series: &str, sample: &str, why: &str) -> Result<Answer, Fault> {
    let outside = |text: String| Fault { text, exit: Exit::OutsideLimits };
    let group: Vec<StoredPortion> = reader
        .series(series)?
        .into_iter()
        .filter(|p| p.portion.role != Role::Blank && p.sample == sample)
        .collect();
    let (_, result) = judged(&group)?;
    let document = acceptance(series, sample, origin_of(&group), &result, why).map_err(outside)?;
    let words = accepted_words(series, sample, &document);
    Ok(Answer::Asks(super::entered(vec![document]), words))
}

/// The acceptance of a factor.
pub(super) fn accept_factor(reader: &Reader, lot: &str, series: &str, why: &str) -> Result<Answer, Fault> {
    let portions = of_lot(reader.series(series)?, lot);
    let (procedure, result) = judged(&portions)?;
    let counted: Vec<SeriesPortion> = portions.iter().map(|p| p.portion.clone()).collect();
    let nominal = reader.stock()?.named(EquipmentKind::Titrant, lot).and_then(|kept| kept.it.value);
    let factor = factor_of(lot, (series, origin_of(&portions)), &procedure, &counted, &result, nominal)
        .map_err(|text| Fault { text, exit: Exit::OutsideLimits })?;
    let document = factor.document(why).map_err(|text| Fault { text, exit: Exit::OwnFault })?;
    let words = format!("accepted {lot}: {:.6} {} ± {:.6} (u)", factor.value, factor.unit, factor.u);
    Ok(Answer::Asks(super::entered(vec![document]), words))
}
