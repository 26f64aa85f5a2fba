//! What a run that has ended comes to: its result, or its blank, with what the record knows.

use crate::detector::{EndPoint, Evaluation};
use crate::reading::{Point, Quantity, median_temperature_c};
use crate::store::{Entry, Error as StoreError, NewDatum, Reader, StoredReckoning, StoredRun};
use crate::work::result::{
    Assembled, PortionFacts, PortionResult, evaluate_portion, match_finds, titrant_per_signal, typed_titrant,
};
use crate::work::{
    BlankValue, Document, EquipmentKind, FitRecord, Kept, PhFromPotential, Procedure, RECORDER, RUN_TIME,
    Reported, Role, RunEnd, RunHead, RunPlan, SignalWord, Stock, USUAL_ISOPOTENTIAL_PH, kind, newly_changed,
};
use std::cell::OnceCell;
use std::path::Path;

/// What follows from a run that has ended.
#[derive(Debug)]
pub(super) struct Outcome {
    /// The rows that keep it.
    pub(super) entries: Vec<Entry>,
    /// Trends of electrode or solutions that change with this run, in words.
    pub(super) trends: Vec<String>,
    /// The result; `None` for a run without a procedure, or whose procedure computes nothing; words where it cannot be
    /// computed.
    pub(super) result: Result<Option<PortionResult>, String>,
}

impl Default for Outcome {
    fn default() -> Self {
        Self { entries: Vec::new(), trends: Vec::new(), result: Ok(None) }
    }
}

/// The record, opened by whoever asks it first.
type Asked<'a> = &'a dyn Fn() -> Result<&'a Reader, String>;

/// What a run comes to, with what the record knows; the record is opened once, and only where it is asked.
pub(super) fn of_end(
    record: &Path,
    head: &RunHead,
    end: &RunEnd,
    evaluation: &Evaluation,
    points: &[Point],
) -> Outcome {
    let opened = OnceCell::new();
    let ask = || {
        let opened = opened.get_or_init(|| Reader::open(record).map_err(|e| e.to_string()));
        opened.as_ref().map_err(Clone::clone)
    };
    let mut outcome = Outcome::default();
    match of_fit(&ask, head, end, evaluation) {
        Ok(Some((entry, trends))) => {
            outcome.entries.push(entry);
            outcome.trends = trends;
        }
        Ok(None) => {}
        Err(why) => tracing::warn!(%why, "the trend of the fits is not kept"),
    }
    outcome.result = of_run(&ask, head, end, points).map(|computed| {
        computed.map(|(result, mut entries)| {
            outcome.entries.append(&mut entries);
            result
        })
    });
    outcome
}

/// The facts of a run that its result rests on.
pub(super) fn facts(
    head: &RunHead,
    end_points: &[EndPoint],
    duration_s: Option<f64>,
    points: &[Point],
) -> PortionFacts {
    let mut values = head.plan.values.clone();
    if let Some(mass) = head.plan.mass_g {
        // The only mass that is asked may be given without its name.
        values.entry(MASS.to_owned()).or_insert_with(|| format!("{mass} g"));
    }
    PortionFacts {
        run: head.run,
        series: head.plan.series.clone(),
        values,
        uses: head.plan.uses.clone(),
        end_points: end_points.to_vec(),
        by_mass: head.curve.titrant == crate::reading::Titrant::Mass,
        per_signal: titrant_per_signal(points, end_points),
        duration_s,
        temperature_c: median_temperature_c(points),
        real: head.origin.is_real(),
        utc_us: head.at.utc_us,
    }
}

/// A mass that was given without the name that the procedure has for it.
const MASS: &str = "mass";

/// The result of a run with the rows that keep it; `None` for a run without a procedure, or whose procedure computes
/// nothing.
///
/// # Errors
/// In words, when procedure or record cannot be read.
fn of_run(
    ask: Asked<'_>,
    head: &RunHead,
    end: &RunEnd,
    points: &[Point],
) -> Result<Option<(PortionResult, Vec<Entry>)>, String> {
    if head.plan.procedure.is_empty() {
        return Ok(None);
    }
    let procedure = Procedure::read("of this run", &head.plan.procedure)?;
    if procedure.results.is_empty() {
        return Ok(None);
    }
    let stock = ask()?.stock().map_err(|e| e.to_string())?;
    let duration_s = end.at.elapsed_ns.saturating_sub(head.at.elapsed_ns) as f64 * 1e-9;
    let mut facts = facts(head, &end.end_points, Some(duration_s), points);
    procedure.name_the_mass(&mut facts.values);
    let mut entries = Vec::new();
    let mut result = if head.plan.role == Role::Blank {
        blanks(&procedure, head, &facts, end.at.utc_us, &mut entries)?
    } else {
        evaluate_portion(&procedure, Assembled::of(&procedure, &facts, &stock))
    };
    entries.push(kept_result(&mut result, head, end.at.utc_us)?);
    Ok(Some((result, entries)))
}

/// What follows from the choice of another evaluation: the result (or the blanks) of its run, computed by the procedure
/// of the run from the end-points of that evaluation; every other value stays as it entered before.
///
/// # Errors
/// In words, when the choice may not be made, or the record cannot be read.
pub(super) fn of_choice(record: &Path, document: &Document, utc_us: i64) -> Result<Vec<Entry>, String> {
    let reader = Reader::open(record).map_err(|e| e.to_string())?;
    let chosen: Reported = serde_json::from_str(&document.body).map_err(|e| e.to_string())?;
    let kept = reader.reckoning(chosen.reckoning).map_err(|e| e.to_string())?;
    let stored = reader.run(kept.run).map_err(|e| e.to_string())?;
    may_be_chosen(&reader, &stored, &kept, document)?;
    let head = &stored.head;
    if head.plan.procedure.is_empty() {
        return Ok(Vec::new());
    }
    let procedure = Procedure::read("of this run", &head.plan.procedure)?;
    if procedure.results.is_empty() {
        return Ok(Vec::new());
    }
    let before = reader.result(kept.run).map_err(|e| e.to_string())?.map(|kept| kept.it).unwrap_or_default();
    let mut facts = facts(head, &kept.findings, None, &stored.points);
    procedure.name_the_mass(&mut facts.values);
    let mut entries = Vec::new();
    let mut result = if head.plan.role == Role::Blank {
        blanks(&procedure, head, &facts, utc_us, &mut entries)?
    } else {
        let stock = reader.stock().map_err(|e| e.to_string())?;
        let mut assembled = Assembled::of(&procedure, &facts, &stock);
        let found = |name: &str| procedure.instrumental().any(|find| find.name == name);
        for input in assembled.inputs.iter_mut().filter(|input| !found(&input.name)) {
            if let Some(old) = before.inputs.iter().find(|old| old.name == input.name) {
                input.clone_from(old);
            }
        }
        // The clock of the run is not asked again.
        assembled.inputs.extend(before.inputs.iter().find(|input| input.name == RUN_TIME).cloned());
        evaluate_portion(&procedure, assembled)
    };
    entries.push(kept_result(&mut result, head, utc_us)?);
    Ok(entries)
}

/// Whether an evaluation may become the reported one of its run.
fn may_be_chosen(
    reader: &Reader,
    stored: &StoredRun,
    kept: &StoredReckoning,
    document: &Document,
) -> Result<(), String> {
    let (run, id, plan) = (kept.run, kept.id, &stored.head.plan);
    let fail = |e: StoreError| e.to_string();
    if document.name != format!("run {run}") {
        return Err(format!("reckoning {id} is of run {run}, not of {}", document.name));
    }
    if document.why.trim().is_empty() {
        return Err("another reckoning is reported only with a reason".to_owned());
    }
    if stored.row.ended.is_none() {
        return Err(format!("run {run} was cut off, or still goes on"));
    }
    if let Some(why) = &stored.row.set_aside {
        return Err(format!("run {run} was set aside: {why}"));
    }
    if kept.ledger.is_none() {
        return Err(format!("reckoning {id} is not complete; reckon the run again"));
    }
    if stored.reckoning == Some(id) {
        return Err(format!("reckoning {id} is the reported one already"));
    }
    for other in reader.reckoning_ids(run).map_err(fail)? {
        let signatures = reader.signatures(&format!("reckoning {other}")).map_err(fail)?;
        if let Some(signed) = signatures.iter().find(|signature| signature.holds()) {
            let (meaning, name) = (signed.unsigned.meaning.word(), &signed.unsigned.name);
            return Err(format!(
                "reckoning {other} of run {run} is signed ({meaning} by {name}): what is signed stays the reported one"
            ));
        }
    }
    if plan.series.is_empty() {
        return Ok(());
    }
    let accepted = match plan.role {
        Role::Standardisation => {
            let factors = reader.stock().map_err(fail)?.factors;
            factors.into_iter().find(|factor| factor.it.series == plan.series).map(|factor| factor.who)
        }
        _ => {
            let name = format!("{} / {}", plan.series, plan.sample);
            reader.latest_datum(kind::ACCEPTED, &name).map_err(fail)?.map(|datum| datum.who)
        }
    };
    match accepted {
        Some(who) => Err(format!(
            "what run {run} belongs to (series {}) was accepted by {who}: an accepted result stays as it is; titrate the sample again in a series of its own",
            plan.series
        )),
        None => Ok(()),
    }
}

/// A document that follows from a run.
fn computed(kind: &str, name: String, body: String, head: &RunHead, utc_us: i64) -> Entry {
    Entry::Datum(Box::new(NewDatum {
        kind: kind.to_owned(),
        name,
        body,
        utc_us,
        who: RECORDER.to_owned(),
        origin: head.origin,
        verb: "compute".to_owned(),
        why: String::new(),
    }))
}

/// So many of the latest fits are looked at for a trend: those of several determinations may alternate.
const FITS: usize = 1_000;

/// Keeps what the fit of a run found, and says which trend of electrode or solutions changes with it.
///
/// # Errors
/// In words, when the record cannot be read.
fn of_fit(
    ask: Asked<'_>,
    head: &RunHead,
    end: &RunEnd,
    evaluation: &Evaluation,
) -> Result<Option<(Entry, Vec<String>)>, String> {
    let Some(fit) = FitRecord::of(head, end, evaluation) else { return Ok(None) };
    let mut records = ask()?.fits(FITS).map_err(|e| e.to_string())?;
    records.push(Kept { datum: 0, utc_us: end.at.utc_us, who: RECORDER.to_owned(), it: fit.clone() });
    let body = serde_json::to_string(&fit).map_err(|e| e.to_string())?;
    let entry = computed(kind::FIT, format!("run {}", head.run), body, head, end.at.utc_us);
    Ok(Some((entry, newly_changed(&records, &fit))))
}

/// The blanks that a run gives, one for each end-point that was found or told, go to `entries`.
fn blanks(
    procedure: &Procedure,
    head: &RunHead,
    facts: &PortionFacts,
    utc_us: i64,
    entries: &mut Vec<Entry>,
) -> Result<PortionResult, String> {
    let mut result = PortionResult::default();
    if facts.by_mass != procedure.is_by_mass() {
        let unit = procedure.titrant_unit();
        result.missing.push(format!("a blank of this procedure is measured in {unit}, this run was not"));
        return Ok(result);
    }
    let finds: Vec<_> = procedure.instrumental().collect();
    let matched = match_finds(&finds, &facts.end_points);
    let found = finds.iter().zip(matched).map(|(find, end_point)| {
        let value = end_point.map(|end_point| Ok((end_point.titrant, end_point.u)));
        (*find, value.or_else(|| told_amount(procedure, facts, &find.name)))
    });
    let told = procedure.finds.iter().filter(|find| !finds.iter().any(|other| other.name == find.name));
    let told = told.map(|find| (find, told_amount(procedure, facts, &find.name)));
    for (find, amount) in found.chain(told) {
        let (value, u) = match amount {
            Some(Ok((value, u))) => (value, u.or(find.u_told)),
            Some(Err(why)) => {
                result.missing.push(format!("the blank {}: {why}", find.name));
                continue;
            }
            None => {
                result.missing.push(format!("the blank has no end-point {}", find.name));
                continue;
            }
        };
        let blank = BlankValue {
            procedure: procedure.id.clone(),
            find: find.name.clone(),
            series: head.plan.series.clone(),
            run: head.run,
            value,
            u,
            set_aside: false,
        };
        let name = format!("{} / {} / run {}", blank.procedure, blank.find, blank.run);
        let body = serde_json::to_string(&blank).map_err(|e| e.to_string())?;
        entries.push(computed(kind::BLANK, name, body, head, utc_us));
    }
    Ok(result)
}

/// The amount of titrant that a person told for an end-point, with its uncertainty where that was told too.
fn told_amount(
    procedure: &Procedure,
    facts: &PortionFacts,
    name: &str,
) -> Option<Result<(f64, Option<f64>), String>> {
    facts.values.get(name).map(|text| typed_titrant(text, procedure.titrant_unit()))
}

/// The result with what the plan warned of, as the row that keeps it.
fn kept_result(result: &mut PortionResult, head: &RunHead, utc_us: i64) -> Result<Entry, String> {
    result.warnings.extend(head.plan.warnings.iter().cloned());
    let body = serde_json::to_string(result).map_err(|e| e.to_string())?;
    Ok(computed(kind::RESULT, format!("run {}", head.run), body, head, utc_us))
}

/// What the record knows beside runs.
pub(super) fn stock(record: &Path) -> Result<Stock, String> {
    Reader::open(record).and_then(|reader| reader.stock()).map_err(|e| e.to_string())
}

/// The line by which millivolts become pH, where the procedure wants it: that of the electrode's latest accepted check.
///
/// # Errors
/// In words, when there is none, or no instrument measures millivolts.
pub(super) fn ph_from(
    procedure: &Procedure,
    plan: &RunPlan,
    measured: &[Quantity],
    stock: &Result<Stock, String>,
) -> Result<Option<PhFromPotential>, String> {
    let Some(electrode) = procedure.electrode.as_ref().filter(|e| e.signal == SignalWord::PhFromCheck) else {
        return Ok(None);
    };
    if !measured.contains(&Quantity::Emf) {
        return Err(
            "the procedure makes pH of millivolts, which no instrument of this bench measures".to_owned()
        );
    }
    let stock = stock.as_ref().map_err(Clone::clone)?;
    let kept = match plan.uses.get(EquipmentKind::Electrode.word()) {
        Some(name) => stock.named(EquipmentKind::Electrode, name),
        None => stock.only(EquipmentKind::Electrode, |e| e.what.as_deref() == Some(electrode.kind.as_str())),
    };
    let name = match (kept, plan.uses.get(EquipmentKind::Electrode.word())) {
        (Some(kept), _) => kept.it.name.clone(),
        (None, Some(name)) => name.clone(),
        (None, None) => {
            return Err(format!(
                "the procedure makes pH of millivolts: say which {} electrode with --use electrode=NAME",
                electrode.kind
            ));
        }
    };
    let check = stock.checks.iter().rfind(|check| check.it.electrode == name && check.it.accepted);
    let check = check.ok_or_else(|| {
        format!("electrode {name} has no accepted check: make one with `dropwise electrode check`")
    })?;
    Ok(Some(PhFromPotential {
        check: check.datum,
        slope_mv: check.it.slope_mv,
        zero_mv: check.it.zero_mv,
        temperature_c: check.it.temperature_c,
        isopotential_ph: kept.and_then(|kept| kept.it.value).unwrap_or(USUAL_ISOPOTENTIAL_PH),
    }))
}
