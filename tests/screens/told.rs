//! What the desk tells the screens of that morning: lots, checks, series, runs, charts, places.

use super::scenario::{end_point, ph};
use dropwise::dashboard::desk::{FileOf, Group, LineChart, Lot, Place, Reckoned, RunFile};
use dropwise::reading::{CurveHead, Point, Quantity, Titrant, Unit};
use dropwise::work::result::{PortionResult, SeriesPortion, SeriesResult};
use dropwise::work::{CheckRecord, Factor, Kept, Origin, Role, RunPlan, Stock};
use serde_json::json;

/// When the desk looks, microseconds since 1970 UTC.
pub(crate) const NOW_US: i64 = 1_795_615_200_000_000;
const HOUR_US: i64 = 3_600_000_000;

pub(crate) fn check() -> CheckRecord {
    CheckRecord {
        electrode: "glass 3".to_owned(),
        slope_mv: -58.2,
        u_slope_mv: 0.1,
        slope_percent: 98.4,
        zero_mv: 3.1,
        u_zero_mv: 0.2,
        covariance: 0.0,
        zero_ph: 7.05,
        temperature_c: 24.9,
        accepted: true,
        words: vec!["ok       slope 98.4 %".to_owned()],
        buffers: Vec::new(),
    }
}

pub(crate) fn kept<T>(it: T, hours_ago: i64) -> Kept<T> {
    Kept { datum: 1, utc_us: NOW_US - hours_ago * HOUR_US, who: "analyst".to_owned(), it }
}

pub(crate) fn stock() -> Stock {
    let old = CheckRecord { accepted: false, slope_percent: 88.0, ..check() };
    Stock { checks: vec![kept(old, 200), kept(check(), 3)], ..Stock::default() }
}

fn result(value: f64) -> PortionResult {
    serde_json::from_value(
        json!({ "inputs": [], "missing": [], "warnings": [], "results": [value_of(value)] }),
    )
    .unwrap()
}

fn value_of(value: f64) -> serde_json::Value {
    json!({
        "name": "acidity", "unit": "g/L", "value": value, "u": 0.01, "k": 2.0, "expanded": 0.02, "coverage": 0.95,
        "told": format!("{value:.2}"), "told_value": value, "told_expanded": "0.02", "budget": [],
    })
}

/// A portion with its end-points: titrant and its uncertainty.
type Portion = (SeriesPortion, Vec<(f64, Option<f64>)>);

fn portions(values: &[f64], first_run: i64) -> Vec<Portion> {
    let one = |(n, value): (u32, &f64)| {
        let portion = SeriesPortion {
            run: first_run + i64::from(n),
            portion: n + 1,
            role: Role::Sample,
            set_aside: (n == 1).then(|| "the stirrer stood still".to_owned()),
            going_on: false,
            result: result(*value),
        };
        (portion, vec![(2.2 * value, Some(0.006))])
    };
    (0..).zip(values).map(one).collect()
}

pub(crate) fn series_result(value: f64, next: serde_json::Value, passes: bool) -> SeriesResult {
    serde_json::from_value(json!({
        "results": [{
            "mean": value_of(value), "values": [value], "s": 0.012, "rsd": 0.0023, "confidence": 0.03,
            "median": value, "robust_s": 0.01, "u_propagated": 0.01, "u_shared": 0.008, "u_observed": 0.007,
            "scatter_used": false, "plausibility": 0.4,
        }],
        "counted": 2, "started": 3,
        "findings": [
            { "passes": passes, "words": "relative standard deviation 0.23 %, at most 0.5 %" },
            { "passes": true, "words": "result 5.2 g/L, 4 to 8 g/L" },
        ],
        "advice": [], "next": next,
    }))
    .unwrap()
}

pub(crate) fn group(sample: &str, result: Option<SeriesResult>, origin: Origin) -> Group {
    Group {
        series: "monday".to_owned(),
        role: if sample.is_empty() { Role::Blank } else { Role::Sample },
        sample: sample.to_owned(),
        title: "cider acidity".to_owned(),
        origin,
        plan: RunPlan { series: "monday".to_owned(), sample: sample.to_owned(), ..RunPlan::default() },
        portions: portions(&[5.21, 5.9, 5.19], if sample == "jar A" { 4 } else { 7 }),
        result,
        trouble: None,
        accepted: None,
    }
}

pub(crate) fn lot() -> Lot {
    let factor = Factor {
        lot: "hydroxide lot 7".to_owned(),
        value: 0.100_21,
        u: 0.000_06,
        unit: "mol/L".to_owned(),
        factor: Some(1.0021),
        series: "factor of april".to_owned(),
        procedure: "naoh-by-phthalate revision 1".to_owned(),
        origin: Origin::Serial,
        n: 3,
        s: Some(0.000_08),
        sources: Vec::new(),
    };
    let mut series = group(
        "phthalate",
        Some(series_result(
            0.1002,
            json!({ "next": "portion", "portion": 4, "why": "one was set aside" }),
            true,
        )),
        Origin::Serial,
    );
    series.role = Role::Standardisation;
    Lot {
        name: "hydroxide lot 7".to_owned(),
        what: "sodium hydroxide".to_owned(),
        nominal: Some((0.1, "mol/L".to_owned())),
        why_not: None,
        factors: vec![kept(factor, 30 * 24)],
        series: Some(series),
        procedure: Some("p1".to_owned()),
    }
}

pub(crate) fn charts() -> Vec<LineChart> {
    let values = [5.21, 5.23, 5.18, 5.2, 5.26, 5.19, 5.21, 5.31, 5.22];
    let point = |(n, value): (usize, &f64)| {
        let said = (n == 7).then(|| "beyond an action line".to_owned());
        (format!("series of day {}", n + 1), *value, said)
    };
    let slopes = [98.9, 98.8, 98.6, 98.7, 98.1, 97.9, 97.6, 97.4];
    vec![
        LineChart {
            title: "control samples: cider acidity".to_owned(),
            of: Some(FileOf::Control("cider acidity".to_owned(), "p1".to_owned())),
            unit: "g/L".to_owned(),
            points: values.iter().enumerate().map(point).collect(),
            lines: Some([5.13, 5.155, 5.21, 5.26, 5.29]),
            words: vec![
                (false, "centre 5.2100, warning 5.1550 to 5.2600, action 5.1300 to 5.2900".to_owned()),
                (true, "one point asks for action".to_owned()),
            ],
        },
        LineChart {
            title: "trend of slope of the electrode: cider acidity".to_owned(),
            of: Some(FileOf::Trend("trend of slope of the electrode".to_owned(), "cider acidity".to_owned())),
            unit: "%".to_owned(),
            points: slopes.iter().enumerate().map(|(n, v)| (format!("run {}", n + 30), *v, None)).collect(),
            lines: None,
            words: vec![(true, "CHANGED: falls since run 34".to_owned())],
        },
    ]
}

pub(crate) fn file(run: i64, moved: f64) -> RunFile {
    let volumes = (0..70).map(|n| f64::from(n) * 0.2);
    let points = volumes.map(|v| Point { titrant: v + moved, signal: ph(v), temperature_c: None, t_s: None });
    let mut first = end_point();
    first.titrant += moved;
    let mut again = first.clone();
    again.titrant += 0.0042;
    let reckoned = |id, end_point, differs: &[&str], signatures: &[&str]| Reckoned {
        id,
        program: "dropwise 0.2.0".to_owned(),
        utc_us: NOW_US,
        who_why: Some(("analyst".to_owned(), "the window was too wide".to_owned())),
        differs: differs.iter().map(|&s| s.to_owned()).collect(),
        points: 70,
        end_points: vec![end_point],
        signatures: signatures.iter().map(|&s| s.to_owned()).collect(),
    };
    RunFile {
        run,
        curve: CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) },
        points: points.collect(),
        who: "analyst".to_owned(),
        plan: RunPlan::default(),
        result: Some(result(5.21)),
        reckonings: vec![
            reckoned(9, first, &[], &["performed by the analyst"]),
            reckoned(12, again, &["another procedure than the first"], &[]),
        ],
        reported: Some(9),
        choice: None,
        notes: vec![(41.0, "a drop on the wall".to_owned())],
        warnings: vec!["only 3 points in the steep part".to_owned()],
    }
}

pub(crate) fn places() -> Vec<Place> {
    vec![
        Place {
            port: "/dev/serial/by-id/usb-0".to_owned(),
            words: "USB bench cable".to_owned(),
            simulated: false,
        },
        Place {
            port: "simulator@10:1".to_owned(),
            words: "practice bench: a simulated burette and meter, ten times as fast as life".to_owned(),
            simulated: true,
        },
    ]
}
