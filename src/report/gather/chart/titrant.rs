//! The trend of a titrant over its standardisations.

use super::super::words::{brief, moment, number};
use super::super::{Error, mark};
use super::{changes, rule, show};
use crate::report::picture::{ChartPoint, Picture, chart};
use crate::report::{Document, Stated};
use crate::store::Reader;
use crate::work::{EquipmentKind, Role, Stock};

/// The numbers of the trend: the strength by each standardisation.
pub(super) fn stated(stock: &Stock, lot: &str) -> Vec<Stated> {
    let factors = stock.factors.iter().filter(|kept| kept.it.lot == lot);
    factors
        .map(|kept| {
            let (f, of) = (&kept.it, format!("factor {}", kept.datum));
            let told = (f.value, f.u, format!("{:.6}", f.value));
            super::stated_number(Role::Standardisation, (&of, "strength"), told, &f.unit, f.n)
        })
        .collect()
}

pub(super) fn document(
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
