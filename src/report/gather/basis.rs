//! What a result rests on beside its runs: equipment, titrant, electrode, blanks.

use super::Error;
use super::portion::Portion;
use super::words::{brief, moment, number, person, unit};
use crate::report::Document;
use crate::store::{Datum, Excerpt, Reader, SIGNATURE};
use crate::work::{CheckRecord, Equipment, EquipmentKind, Factor, Kept, Procedure, Role, kind};
use std::collections::{BTreeMap, BTreeSet};

/// The documents of the record that entered.
#[derive(Debug, Clone, Default)]
pub(super) struct Basis {
    equipment: BTreeMap<i64, (Datum, Equipment)>,
    factors: Vec<Kept<Factor>>,
    checks: Vec<Kept<CheckRecord>>,
    datums: BTreeSet<i64>,
    offset_s: BTreeMap<i64, i32>,
}

impl Basis {
    pub(super) fn of(reader: &Reader, portions: &[Portion]) -> Result<Self, Error> {
        let mut basis = Self::default();
        let stock = reader.stock()?;
        let mut factors = BTreeSet::new();
        let mut checks = BTreeSet::new();
        let mut named: BTreeSet<(EquipmentKind, String, i64)> = BTreeSet::new();
        for portion in portions {
            let at = portion.stored.row.started_utc_us;
            let inputs = portion.result.as_ref().map(|kept| kept.it.inputs.as_slice()).unwrap_or_default();
            basis.datums.extend(inputs.iter().filter_map(|input| input.datum));
            let texts: Vec<&str> = inputs
                .iter()
                .flat_map(|i| i.sources.iter().map(|s| s.name.as_str()).chain([i.from.as_str()]))
                .chain(portion.stored.head.plan.uses.values().map(String::as_str))
                .collect();
            for kept in &stock.equipment {
                if texts.iter().any(|text| text.contains(kept.it.name.as_str())) {
                    named.insert((kept.it.kind, kept.it.name.clone(), at));
                }
            }
            for kept in &stock.factors {
                if inputs.iter().any(|input| input.datum == Some(kept.datum)) {
                    factors.insert(kept.datum);
                    named.insert((EquipmentKind::Titrant, kept.it.lot.clone(), at));
                }
            }
            if let Some(electrode) = electrode(portion, &stock) {
                let by_run = portion.stored.head.expectation.ph_from.map(|line| line.check);
                let latest = stock.check(&electrode, at).map(|kept| kept.datum);
                checks.extend(by_run.or(latest));
                named.insert((EquipmentKind::Electrode, electrode, at));
            }
        }
        for (kind, name, at) in named {
            // The version that held when the run began.
            let versions = reader.datum_versions(kind.word(), &name)?;
            let held = versions.iter().rfind(|datum| datum.utc_us <= at).or(versions.first());
            if let Some(datum) = held
                && let Ok(it) = serde_json::from_str::<Equipment>(&datum.body)
            {
                basis.datums.insert(datum.id);
                basis.equipment.insert(datum.id, (datum.clone(), it));
            }
        }
        basis.factors = stock.factors.into_iter().filter(|kept| factors.contains(&kept.datum)).collect();
        basis.checks = stock.checks.into_iter().filter(|kept| checks.contains(&kept.datum)).collect();
        basis.datums.extend(factors.iter().chain(&checks));
        for id in factors.iter().chain(&checks) {
            basis.offset_s.extend(reader.datum(*id)?.map(|datum| (*id, datum.utc_offset_s)));
        }
        Ok(basis)
    }

    /// Everything that has to go with the report.
    pub(super) fn excerpt(&self, reader: &Reader, portions: &[Portion]) -> Result<Excerpt, Error> {
        let mut excerpt = Excerpt {
            runs: portions.iter().map(|p| p.stored.row.run).collect(),
            datums: self.datums.clone(),
        };
        let blanks = reader.all_of_kind(kind::BLANK)?;
        for portion in portions {
            let run = portion.stored.row.run;
            let name = format!("run {run}");
            for kind in [kind::RESULT, kind::REPORTED] {
                excerpt.datums.extend(reader.datum_versions(kind, &name)?.iter().map(|d| d.id));
            }
            let own = format!(" / run {run}");
            excerpt.datums.extend(blanks.iter().filter(|d| d.name.ends_with(&own)).map(|d| d.id));
            for reckoning in &portion.reckonings {
                let name = format!("reckoning {}", reckoning.id);
                for kind in ["settings", SIGNATURE] {
                    excerpt.datums.extend(reader.datum_versions(kind, &name)?.iter().map(|d| d.id));
                }
            }
            for signature in &portion.signatures {
                let keys = reader.datum_versions("key", &signature.unsigned.name)?;
                excerpt.datums.extend(keys.iter().map(|d| d.id));
            }
        }
        Ok(excerpt)
    }

    pub(super) fn sections(&self, document: &mut Document, procedure: Option<&Procedure>) {
        document.heading(1, "What the results rest on");
        document.heading(2, "Titrant");
        let nominal = procedure.and_then(|p| p.reagent.as_ref()).map_or_else(String::new, |r| {
            let nominal = r.nominal.as_ref().map_or_else(String::new, |n| format!(", nominal {n}"));
            format!("{}{nominal}", r.titrant)
        });
        document.pairs([("titrant of the procedure", nominal)]);
        if self.factors.is_empty() {
            document.words("No factor from the record entered: the strength was typed, or is found here.");
        }
        for kept in &self.factors {
            let f = &kept.it;
            document.pairs([
                ("lot", f.lot.clone()),
                ("strength", format!("{} {} (u = {} {})", number(f.value), f.unit, number(f.u), f.unit)),
                ("factor", f.factor.map_or_else(String::new, |factor| format!("{factor:.5}"))),
                ("found in", format!("series {}, {}, {} portions", f.series, f.procedure, f.n)),
                ("accepted", format!("{} by {}", self.when(kept.datum, kept.utc_us), person(&kept.who))),
                ("origin", f.origin.word().to_owned()),
                ("in the record", format!("document {}", kept.datum)),
            ]);
        }
        document.heading(2, "Electrode check");
        if self.checks.is_empty() {
            document.words("No check of an electrode in the record belongs to these runs.");
        }
        for kept in &self.checks {
            self.check(document, kept);
        }
        let rows = self
            .equipment
            .values()
            .map(|(datum, it)| {
                let valid = it.valid_to.map_or_else(String::new, |to| format!("valid until {to}"));
                vec![
                    it.kind.word().to_owned(),
                    it.name.clone(),
                    it.identity.clone().unwrap_or_default(),
                    it.value.map_or_else(String::new, |v| format!("{} {}", brief(v), unit(&it.unit))),
                    it.u.map_or_else(String::new, |u| format!("{} {}", brief(u), unit(&it.unit))),
                    [it.certificate.clone().unwrap_or_default(), valid].join(" ").trim().to_owned(),
                    format!("document {}", datum.id),
                ]
            })
            .collect::<Vec<_>>();
        if !rows.is_empty() {
            document.heading(2, "Equipment, as it was entered when the runs began");
        }
        document.table(&["kind", "name", "identity", ">value", ">u", "certificate", "in the record"], rows);
    }

    fn when(&self, datum: i64, utc_us: i64) -> String {
        moment(utc_us, self.offset_s.get(&datum).copied().unwrap_or(0))
    }

    fn check(&self, document: &mut Document, kept: &Kept<CheckRecord>) {
        let c = &kept.it;
        document.pairs([
            ("electrode", c.electrode.clone()),
            (
                "slope",
                format!(
                    "{:.2} mV/pH (u = {:.2}), {:.2} % of the theoretical one",
                    c.slope_mv, c.u_slope_mv, c.slope_percent
                ),
            ),
            (
                "at pH 7",
                format!("{:.2} mV (u = {:.2} mV); 0 mV at pH {:.3}", c.zero_mv, c.u_zero_mv, c.zero_ph),
            ),
            ("temperature", format!("{:.1} °C", c.temperature_c)),
            ("verdict", if c.accepted { "accepted".to_owned() } else { "NOT ACCEPTED".to_owned() }),
            ("checked", format!("{} by {}", self.when(kept.datum, kept.utc_us), person(&kept.who))),
            ("in the record", format!("document {}", kept.datum)),
        ]);
        let rows = c
            .buffers
            .iter()
            .map(|b| {
                vec![
                    b.name.clone(),
                    format!("{:.3}", b.ph),
                    format!("{:.3}", b.reading),
                    format!("{:+.3}", b.residual),
                    b.drift_per_min.map_or_else(String::new, |d| format!("{d:.3}")),
                    b.settled_s.map_or_else(String::new, |s| format!("{s:.0}")),
                ]
            })
            .collect();
        document
            .table(&["buffer", ">pH", ">reading", ">from the line", ">drift per min", ">settled / s"], rows);
    }
}

/// The electrode of a run: the one that was named, or the only one of the kind that its procedure asks for.
fn electrode(portion: &Portion, stock: &crate::work::Stock) -> Option<String> {
    if portion.stored.head.plan.role == Role::Blank && portion.procedure.is_none() {
        return None;
    }
    let named = portion.stored.head.plan.uses.get(EquipmentKind::Electrode.word()).cloned();
    named.or_else(|| {
        let kind = &portion.procedure.as_ref()?.electrode.as_ref()?.kind;
        let only = stock.only(EquipmentKind::Electrode, |e| e.what.as_deref() == Some(kind.as_str()));
        only.map(|kept| kept.it.name.clone())
    })
}
