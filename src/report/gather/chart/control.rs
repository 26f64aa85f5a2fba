//! The control samples of a procedure: their points, their lines, what they show, and what can be computed again of them.

use super::super::words::{brief, moment, number};
use super::super::{Error, mark, procedure_of};
use super::{changes, rule, show};
use crate::report::picture::{ChartPoint, Picture, chart};
use crate::report::{Document, Stated};
use crate::results::control::{Lines, Signal, signals};
use crate::results::{Quantity, Unit};
use crate::store::{Reader, StoredPortion};
use crate::work::result::{SeriesPortion, judge};
use crate::work::{Equipment, EquipmentKind, Kept, Origin, Procedure, Role, RunId, Stock};
use std::collections::BTreeMap;

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

/// The control material of a procedure, by the procedure's id.
pub(super) fn material<'a>(stock: &'a Stock, id: &str) -> Option<&'a Kept<Equipment>> {
    stock.only(EquipmentKind::Control, |control| control.procedure.as_deref() == Some(id))
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
    of_named(reader, (&procedure.title, &procedure.id), first, s)
}

fn of_named(
    reader: &Reader,
    (title, id): (&str, &str),
    first: usize,
    s: Option<f64>,
) -> Result<Controlled, Error> {
    let points = control_points(reader, title)?;
    let stock = reader.stock()?;
    // Its content may be stated in another unit than the results.
    let content = |kept: &Kept<Equipment>| {
        let stated = Quantity::new(kept.it.value?, Unit::parse(&kept.it.unit).ok()?);
        match points.last() {
            Some(point) => stated.in_unit(&Unit::parse(&point.unit).ok()?),
            None => kept.it.value,
        }
    };
    let stated = material(&stock, id).and_then(content);
    let values: Vec<f64> = points.iter().map(|p| p.value).collect();
    let lines = match (stated, s) {
        (Some(centre), Some(s)) => Lines::around(centre, s),
        _ => Lines::of_individuals(&values[..values.len().min(first)]),
    };
    let signals = lines.as_ref().map(|lines| signals(&values, lines)).unwrap_or_default();
    Ok(Controlled { points, lines, signals, stated })
}

/// The runs behind the chart, those that were set aside too.
pub(super) fn runs(reader: &Reader, title: &str) -> Result<Vec<RunId>, Error> {
    Ok(reader.controls(title)?.iter().map(|portion| portion.portion.run).collect())
}

/// The numbers of the chart: each point, and its lines.
pub(super) fn stated(
    reader: &Reader,
    named: (&str, &str),
    first: usize,
    s: Option<f64>,
) -> Result<Vec<Stated>, Error> {
    let Controlled { points, lines, .. } = of_named(reader, named, first, s)?;
    let unit = points.last().map(|point| point.unit.clone()).unwrap_or_default();
    let one = |sample: &str, name: &str, (value, u): (f64, f64), counted: usize| {
        super::stated_number(Role::Control, (sample, name), (value, u, number(value)), &unit, counted)
    };
    let mut all: Vec<Stated> =
        points.iter().map(|p| one(&p.series, "mean of the control portions", (p.value, p.u), 1)).collect();
    if let Some(l) = lines {
        for (name, at) in [
            ("centre", l.centre),
            ("lower warning line", l.warning.0),
            ("upper warning line", l.warning.1),
            ("lower action line", l.action.0),
            ("upper action line", l.action.1),
        ] {
            all.push(one("the chart", name, (at, 0.0), points.len()));
        }
    }
    Ok(all)
}

fn control_points(reader: &Reader, title: &str) -> Result<Vec<ControlPoint>, Error> {
    let mut by_series: BTreeMap<String, Vec<StoredPortion>> = BTreeMap::new();
    for portion in reader.controls(title)? {
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

pub(super) fn document(
    reader: &Reader,
    document: &mut Document,
    procedure: &Procedure,
    (first, s): (usize, Option<f64>),
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
        document.mark = mark(Origin::Simulator);
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
                (_, _, None) if points.len() < 2 => "at least two series are needed for lines".to_owned(),
                (_, _, None) => "none: the means do not differ from each other".to_owned(),
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
