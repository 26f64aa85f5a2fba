//! Control charts, and trends of electrodes and titrants.

use super::words::{brief, moment, number, person};
use super::{Error, mark, procedure_of};
use crate::report::picture::{ChartPoint, Picture, Rule, chart};
use crate::report::{Document, Header};
use crate::results::control::{self, Lines, Signal, signals};
use crate::results::electrode::ElectrodeLimits;
use crate::store::{Reader, StoredPortion};
use crate::work::result::{SeriesPortion, judge};
use crate::work::{EquipmentKind, Procedure};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;

/// A chart as it is asked for.
#[derive(Debug, Clone)]
pub enum Chart {
    /// The control samples of a procedure.
    Control {
        /// The procedure.
        procedure: Box<Procedure>,
        /// So many series at the beginning set the lines.
        first: usize,
        /// Standard deviation from validation, in the unit of the result.
        s: Option<f64>,
    },
    /// The checks of an electrode, by its name.
    Electrode(String),
    /// The factors of a titrant, by its lot.
    Titrant(String),
}

/// A point of a control chart: the mean of the control portions of one series.
#[derive(Debug, Clone, PartialEq)]
pub struct ControlPoint {
    /// The series.
    pub series: String,
    /// When it began, microseconds since 1970 UTC.
    pub utc_us: i64,
    /// The mean in `unit`.
    pub value: f64,
    /// Its standard uncertainty in `unit`.
    pub u: f64,
    /// The unit.
    pub unit: String,
    /// Every run of it is a real one.
    pub real: bool,
}

/// The control samples of a procedure with their lines and what they show.
#[derive(Debug, Clone, PartialEq)]
pub struct Controlled {
    /// The points, the oldest first.
    pub points: Vec<ControlPoint>,
    /// The lines; `None`: there are too few points.
    pub lines: Option<Lines>,
    /// Rules that were met.
    pub signals: Vec<Signal>,
    /// Content of the control material, in the unit of the result.
    pub stated: Option<f64>,
}

/// Asks the record for the control samples of a procedure; the first `first` series set the lines, unless the control
/// material states its content and the lab its standard deviation `s`.
///
/// # Errors
/// When the record cannot be read, or a stored result cannot be computed again.
pub fn controlled(
    reader: &Reader,
    procedure: &Procedure,
    first: usize,
    s: Option<f64>,
) -> Result<Controlled, Error> {
    let points = control_points(reader, procedure)?;
    let stock = reader.stock()?;
    let material =
        stock.only(EquipmentKind::Control, |c| c.procedure.as_deref() == Some(procedure.id.as_str()));
    let stated = material.and_then(|kept| kept.it.value);
    let values: Vec<f64> = points.iter().map(|p| p.value).collect();
    let lines = match (stated, s) {
        (Some(centre), Some(s)) => Lines::around(centre, s),
        _ => Lines::of_individuals(&values[..values.len().min(first)]),
    };
    let signals = lines.as_ref().map(|lines| signals(&values, lines)).unwrap_or_default();
    Ok(Controlled { points, lines, signals, stated })
}

fn control_points(reader: &Reader, procedure: &Procedure) -> Result<Vec<ControlPoint>, Error> {
    let mut by_series: BTreeMap<String, Vec<StoredPortion>> = BTreeMap::new();
    for portion in reader.controls(&procedure.title)? {
        if portion.portion.set_aside.is_none() {
            by_series.entry(portion.head.plan.series.clone()).or_default().push(portion);
        }
    }
    let mut points = Vec::new();
    for row in reader.series_list(usize::MAX)?.into_iter().rev() {
        let Some(group) = by_series.remove(&row.series) else { continue };
        let Some(last) = group.last() else { continue };
        let Some(own) = procedure_of(&last.head.plan.procedure) else { continue };
        let portions: Vec<SeriesPortion> = group.iter().map(|p| p.portion.clone()).collect();
        if let Some(first) = judge(&own, &portions)?.results.first() {
            points.push(ControlPoint {
                series: row.series,
                utc_us: row.started_utc_us,
                value: first.mean.value,
                u: first.mean.u,
                unit: first.mean.unit.clone(),
                real: group.iter().all(|p| p.origin.is_real()),
            });
        }
    }
    Ok(points)
}

/// The report on a chart with its first picture.
///
/// # Errors
/// When the record cannot be read, or has nothing to show.
pub fn chart_of(
    reader: &Reader,
    what: &Chart,
    header: Header,
    (made_utc_us, who): (i64, &str),
) -> Result<(Document, Vec<Picture>), Error> {
    reader.hold()?;
    let anchor = reader.anchor()?;
    let mut document = Document { made_utc_us, header, ..Document::default() };
    document.anchor = anchor.as_ref().map(ToString::to_string).unwrap_or_default();
    let name = match what {
        Chart::Control { procedure, .. } => format!("control {}", procedure.id),
        Chart::Electrode(name) => format!("electrode {name}"),
        Chart::Titrant(lot) => format!("titrant {lot}"),
    };
    let digest = Sha256::digest(format!("{name} {} {made_utc_us}", document.anchor).as_bytes());
    let hash: String = digest.iter().take(6).map(|byte| format!("{byte:02x}")).collect();
    let day = jiff::Timestamp::from_microsecond(made_utc_us).unwrap_or_default();
    document.id = format!("C-{}-{hash}", day.strftime("%Y%m%d"));
    let made = format!("{} by {}", moment(made_utc_us, 0), person(who));
    let pictures = match what {
        Chart::Control { procedure, first, s } => {
            control_document(reader, &mut document, procedure, *first, *s, &made)?
        }
        Chart::Electrode(name) => electrode_document(reader, &mut document, name, &made)?,
        Chart::Titrant(lot) => titrant_document(reader, &mut document, lot, &made)?,
    };
    document.heading(1, "Anchor");
    document.words(
        "The ledger of the record stood at this row when the chart was made; `dropwise record verify --anchor FILE` \
         with a text file of this line tells whether the record still holds what it stands for.",
    );
    if let Some(anchor) = anchor {
        document.words(anchor.to_string());
    }
    Ok((document, pictures))
}

fn rule(at: f64, words: &str, dashes: usize) -> Rule {
    Rule { at, half_width: 0.0, words: format!("{words} {}", brief(at)), dashes }
}

fn show(document: &mut Document, picture: &Picture, caption: &str) -> Result<(), Error> {
    document.figure(picture.svg()?, caption);
    Ok(())
}

fn control_document(
    reader: &Reader,
    document: &mut Document,
    procedure: &Procedure,
    first: usize,
    s: Option<f64>,
    made: &str,
) -> Result<Vec<Picture>, Error> {
    let Controlled { points, lines, signals, stated } = controlled(reader, procedure, first, s)?;
    let Some(latest) = points.last() else {
        return Err(Error::Words(format!(
            "there is no control sample of {} in the record yet",
            procedure.id
        )));
    };
    document.title = "Control chart".to_owned();
    document.subtitle = crate::reading::visible(&procedure.title);
    if points.iter().any(|p| !p.real) {
        document.mark = mark(crate::work::Origin::Simulator);
    }
    let unit = latest.unit.clone();
    let with = |x: f64| format!("{} {unit}", number(x));
    let pair = |(a, b): (f64, f64)| format!("{} to {} {unit}", number(a), number(b));
    document.pairs([
        ("procedure", format!("{}, revision {}", procedure.id, procedure.revision)),
        ("control samples", points.len().to_string()),
        ("content of the material", stated.map_or_else(String::new, |x| format!("{} {unit}", brief(x)))),
        ("centre", lines.as_ref().map_or_else(String::new, |l| with(l.centre))),
        ("warning lines", lines.as_ref().map_or_else(String::new, |l| pair(l.warning))),
        ("action lines", lines.as_ref().map_or_else(String::new, |l| pair(l.action))),
        (
            "lines set by",
            match (stated, s, &lines) {
                (_, _, None) => "at least two series are needed for lines".to_owned(),
                (Some(_), Some(_), _) => {
                    "the content of the material and the standard deviation of the lab".to_owned()
                }
                _ => format!("the first {} series", points.len().min(first)),
            },
        ),
        ("report made", made.to_owned()),
    ]);
    let rules = lines.as_ref().map_or_else(Vec::new, |l| {
        vec![
            rule(l.action.1, "action", 0),
            rule(l.warning.1, "warning", 1),
            rule(l.centre, "centre", 2),
            rule(l.warning.0, "warning", 1),
            rule(l.action.0, "action", 0),
        ]
    });
    let drawn: Vec<ChartPoint> = points
        .iter()
        .enumerate()
        .map(|(at, p)| ChartPoint { value: p.value, told: signals.iter().any(|s| s.at == at) })
        .collect();
    let up = format!("{} / {unit}", procedure.results.first().map_or("result", |r| r.name.as_str()));
    let picture = chart(&procedure.title, &up, &drawn, rules)?;
    show(
        document,
        &picture,
        "means of the control portions of each series, in order of time; triangles: a rule was met",
    )?;
    let values: Vec<f64> = points.iter().map(|p| p.value).collect();
    changes(document, "the control samples", &values, 0.0);
    let rows = points
        .iter()
        .enumerate()
        .map(|(at, p)| {
            let said: Vec<&str> = signals.iter().filter(|s| s.at == at).map(|s| s.rule.words()).collect();
            vec![
                (at + 1).to_string(),
                moment(p.utc_us, 0),
                p.series.clone(),
                number(p.value),
                number(p.u),
                stated
                    .filter(|s| *s > 0.0)
                    .map_or_else(String::new, |s| format!("{:.2}", 100.0 * p.value / s)),
                said.join("; "),
            ]
        })
        .collect();
    document.heading(1, "Values");
    document.table(
        &[
            ">number",
            "when",
            "series",
            &format!(">mean / {unit}"),
            ">u",
            ">recovery / %",
            "rules that were met",
        ],
        rows,
    );
    Ok(vec![picture])
}

/// Lasting changes in words.
fn changes(document: &mut Document, of: &str, values: &[f64], smallest_s: f64) {
    let learn = control::FEWEST_TO_LEARN;
    if values.len() <= learn {
        document.words(format!(
            "A lasting change of {of} can be told from {} values on; there are {}.",
            learn + 1,
            values.len()
        ));
        return;
    }
    match control::change(values, learn, smallest_s) {
        Some(change) => document.words(format!(
            "A lasting change of {of}: since value {} the level has {}, certain at value {}.",
            change.since + 1,
            change.words(),
            change.at + 1
        )),
        None => document.words(format!(
            "No lasting change of {of} (two-sided cumulative sum, centre and scatter from the first {learn} values)."
        )),
    }
}

/// Differences of the slope in per cent and of the zero in mV that a display cannot tell apart.
const SLOPE_STEP: f64 = 0.05;
const ZERO_STEP_MV: f64 = 0.1;

fn electrode_document(
    reader: &Reader,
    document: &mut Document,
    name: &str,
    made: &str,
) -> Result<Vec<Picture>, Error> {
    let stock = reader.stock()?;
    let checks: Vec<_> = stock.checks.iter().filter(|kept| kept.it.electrode == name).collect();
    if checks.is_empty() {
        let mut known: Vec<&str> = stock.checks.iter().map(|kept| kept.it.electrode.as_str()).collect();
        known.sort_unstable();
        known.dedup();
        return Err(Error::Words(format!(
            "the electrode \"{name}\" has no check in the record; there are checks of: {}",
            known.join(", ")
        )));
    }
    document.title = "Trend of an electrode".to_owned();
    document.subtitle = crate::reading::visible(name);
    document.pairs([
        ("electrode", name.to_owned()),
        ("checks", checks.len().to_string()),
        ("report made", made.to_owned()),
    ]);
    let mut rows = Vec::new();
    for (n, kept) in (1..).zip(&checks) {
        let datum = reader.datum(kept.datum)?;
        if let Some(datum) = datum.as_ref().filter(|datum| !datum.origin.is_real()) {
            document.mark = mark(datum.origin);
        }
        let c = &kept.it;
        rows.push(vec![
            n.to_string(),
            moment(kept.utc_us, datum.map_or(0, |d| d.utc_offset_s)),
            format!("{:.2}", c.slope_percent),
            format!("{:.2}", c.zero_mv),
            format!("{:.1}", c.temperature_c),
            c.buffers.len().to_string(),
            kept.who.clone(),
            if c.accepted { "accepted".to_owned() } else { "NOT ACCEPTED".to_owned() },
        ]);
    }
    let limits = ElectrodeLimits::default();
    let both = |limits: Option<(f64, f64)>| {
        limits.map_or_else(Vec::new, |(low, high)| vec![rule(high, "limit", 1), rule(low, "limit", 1)])
    };
    let told = |values: &[f64], limits: Option<(f64, f64)>| -> Vec<ChartPoint> {
        let out = |v: f64| limits.is_some_and(|(low, high)| !(low..=high).contains(&v));
        values.iter().map(|v| ChartPoint { value: *v, told: out(*v) }).collect()
    };
    let slopes: Vec<f64> = checks.iter().map(|kept| kept.it.slope_percent).collect();
    let zeros: Vec<f64> = checks.iter().map(|kept| kept.it.zero_mv).collect();
    let slope = chart(
        &format!("slope of {name}"),
        "slope / % of the theoretical one",
        &told(&slopes, limits.slope_percent),
        both(limits.slope_percent),
    )?;
    let zero = chart(
        &format!("zero of {name}"),
        "potential at pH 7 / mV",
        &told(&zeros, limits.zero_mv),
        both(limits.zero_mv),
    )?;
    show(document, &slope, "slope over the checks in order of time, with the usual limits")?;
    changes(document, "the slope", &slopes, SLOPE_STEP);
    show(document, &zero, "potential at pH 7 over the checks in order of time, with the usual limits")?;
    changes(document, "the potential at pH 7", &zeros, ZERO_STEP_MV);
    document.heading(1, "Values");
    document.table(
        &[">number", "when", ">slope / %", ">at pH 7 / mV", ">temperature / °C", ">buffers", "by", "verdict"],
        rows,
    );
    Ok(vec![slope, zero])
}

fn titrant_document(
    reader: &Reader,
    document: &mut Document,
    lot: &str,
    made: &str,
) -> Result<Vec<Picture>, Error> {
    let stock = reader.stock()?;
    let factors: Vec<_> = stock.factors.iter().filter(|kept| kept.it.lot == lot).collect();
    let Some(latest) = factors.last() else {
        let mut known: Vec<&str> = stock.factors.iter().map(|kept| kept.it.lot.as_str()).collect();
        known.sort_unstable();
        known.dedup();
        return Err(Error::Words(format!(
            "the titrant \"{lot}\" has no factor in the record; there are factors of: {}",
            known.join(", ")
        )));
    };
    document.title = "Trend of a titrant".to_owned();
    document.subtitle = crate::reading::visible(lot);
    let unit = latest.it.unit.clone();
    let nominal = stock.named(EquipmentKind::Titrant, lot).and_then(|kept| kept.it.value);
    document.pairs([
        ("titrant", lot.to_owned()),
        ("nominal strength", nominal.map_or_else(String::new, |n| format!("{} {unit}", brief(n)))),
        (
            "latest strength",
            format!("{} {unit} (u = {} {unit})", number(latest.it.value), number(latest.it.u)),
        ),
        ("standardisations", factors.len().to_string()),
        ("report made", made.to_owned()),
    ]);
    if let Some(kept) = factors.iter().find(|kept| !kept.it.origin.is_real()) {
        document.mark = mark(kept.it.origin);
    }
    let alike: Vec<_> = factors.iter().filter(|kept| kept.it.unit == unit).collect();
    let values: Vec<f64> = alike.iter().map(|kept| kept.it.value).collect();
    let points: Vec<ChartPoint> = values.iter().map(|v| ChartPoint { value: *v, told: false }).collect();
    let mut rules = vec![
        rule(latest.it.value + 2.0 * latest.it.u, "latest + 2 u", 1),
        rule(latest.it.value - 2.0 * latest.it.u, "latest − 2 u", 1),
    ];
    rules.extend(nominal.map(|n| rule(n, "nominal", 2)));
    let picture = chart(&format!("strength of {lot}"), &format!("strength / {unit}"), &points, rules)?;
    show(document, &picture, "strength by each standardisation in order of time")?;
    changes(document, "the strength", &values, 0.0);
    let rows = (1..)
        .zip(&factors)
        .map(|(n, kept)| {
            let f = &kept.it;
            vec![
                n.to_string(),
                moment(kept.utc_us, 0),
                format!("{:.6}", f.value),
                format!("{:.6}", f.u),
                f.unit.clone(),
                f.factor.map_or_else(String::new, |factor| format!("{factor:.5}")),
                f.n.to_string(),
                f.series.clone(),
                kept.who.clone(),
            ]
        })
        .collect();
    document.heading(1, "Values");
    document.table(
        &[">number", "accepted", ">strength", ">u", "unit", ">factor", ">portions", "series", "by"],
        rows,
    );
    Ok(vec![picture])
}
