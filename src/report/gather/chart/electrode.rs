//! The trend of an electrode over its checks.

use super::super::words::moment;
use super::super::{Error, mark};
use super::{changes, rule, show};
use crate::report::picture::{ChartPoint, Picture, chart};
use crate::report::{Document, Stated};
use crate::results::electrode::ElectrodeLimits;
use crate::store::Reader;
use crate::work::{Role, Stock};

/// The numbers of the trend: slope and potential at pH 7 of each check.
pub(super) fn stated(stock: &Stock, name: &str) -> Vec<Stated> {
    let checks = stock.checks.iter().filter(|kept| kept.it.electrode == name);
    checks
        .flat_map(|kept| {
            let (c, check) = (&kept.it, format!("check {}", kept.datum));
            let u_percent = (c.u_slope_mv / c.slope_mv * c.slope_percent).abs();
            [
                ("slope", "%", (c.slope_percent, u_percent)),
                ("potential at pH 7", "mV", (c.zero_mv, c.u_zero_mv)),
            ]
            .map(|(what, unit, (value, u))| {
                let told = (value, u, format!("{value:.2}"));
                super::stated_number(Role::Control, (&check, what), told, unit, c.buffers.len())
            })
        })
        .collect()
}

/// Differences of the slope in per cent and of the zero in mV that a display cannot tell apart.
const SLOPE_STEP: f64 = 0.05;
const ZERO_STEP_MV: f64 = 0.1;

pub(super) fn document(
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
