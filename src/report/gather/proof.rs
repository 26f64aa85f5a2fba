//! Who stands for a report, what was decided, and how it can be checked.

use super::Error;
use super::portion::Portion;
use super::words::moment;
use crate::report::Document;
use crate::store::{Anchor, LedgerRow, Reader, Signed};
use std::collections::{BTreeMap, BTreeSet};

/// Decisions that are printed; all of them are attached.
const PRINTED: usize = 120;

pub(super) fn sections(
    reader: &Reader,
    document: &mut Document,
    portions: &[Portion],
    chosen: &BTreeSet<i64>,
    ledger: &[LedgerRow],
    anchor: &Anchor,
) -> Result<(), Error> {
    document.heading(1, "Signatures");
    let mut rows = Vec::new();
    for portion in portions {
        for signature in &portion.signatures {
            let own = &signature.unsigned;
            let what = match &own.signed {
                Signed::Reckoning { reckoning, run, portions, .. } => {
                    format!(
                        "reckoning {reckoning} of run {run}, with {} portions of its sample",
                        portions.len()
                    )
                }
                Signed::Ledger { from, to } => format!("rows {from} to {to} of the ledger"),
            };
            let enrolled = reader.enrolled_key(&own.name)?.is_some_and(|key| key == own.public);
            let holds = match (signature.holds(), enrolled) {
                (true, true) => "holds",
                (true, false) => "holds; another key is enrolled now",
                (false, _) => "DOES NOT HOLD",
            };
            rows.push(vec![
                own.name.clone(),
                own.meaning.word().to_owned(),
                what,
                moment(own.utc_us, portion.offset_s),
                own.public.chars().take(16).collect(),
                holds.to_owned(),
            ]);
        }
    }
    if rows.is_empty() {
        let second = portions.iter().any(|p| p.procedure.as_ref().is_some_and(|p| p.second_person));
        let rule = if second { " The procedure asks for a second person." } else { "" };
        document.words(format!("Nobody has signed an evaluation of these runs.{rule}"));
    }
    document.table(&["who", "meaning", "what", "when", "key begins", "signature"], rows);

    document.heading(1, "Decisions");
    let reckonings: Vec<i64> = portions.iter().flat_map(|p| p.reckonings.iter().map(|r| r.id)).collect();
    let runs: Vec<i64> = portions.iter().map(|p| p.stored.row.run).collect();
    let is_about = |row: &&LedgerRow| {
        let (kind, n) = row.subject.split_once(' ').unwrap_or_default();
        let n = n.parse::<i64>().unwrap_or(-1);
        match kind {
            "run" => runs.contains(&n),
            "reckoning" => reckonings.contains(&n),
            // A choice of the reported evaluation, an acceptance.
            "datum" => chosen.contains(&n),
            _ => false,
        }
    };
    let mut named = BTreeMap::new();
    for id in chosen {
        if let Some(datum) = reader.datum(*id)? {
            named.insert(format!("datum {id}"), format!("{}: {} ({id})", datum.kind, datum.name));
        }
    }
    let about: Vec<&LedgerRow> = ledger.iter().filter(is_about).collect();
    let rows = about
        .iter()
        .take(PRINTED)
        .map(|row| {
            vec![
                row.n.to_string(),
                moment(row.utc_us, row.utc_offset_s),
                row.who.clone(),
                row.identity.clone(),
                row.verb.clone(),
                named.get(&row.subject).unwrap_or(&row.subject).clone(),
                row.why.clone(),
            ]
        })
        .collect();
    document.table(&[">row", "when", "who", "known by", "did", "what", "why"], rows);
    if about.len() > PRINTED {
        document
            .words(format!("{} further decisions stand in the attached ledger.jsonl", about.len() - PRINTED));
    }

    document.heading(1, "Anchor, and how to verify this report");
    document.pairs([
        ("row of the ledger", anchor.n.to_string()),
        ("hash", anchor.hash.clone()),
        ("written", moment(anchor.utc_us, 0)),
    ]);
    document.words(
        "The runs with all bytes that the instruments sent, the profile, the procedure, the documents named above and the \
         rows of the ledger are attached to this file. `dropwise record verify FILE` reads them back, finds readings, \
         points and end-points again from the bytes, computes the results again, and tells whether they are what is \
         printed here; no record is needed. With the record at hand, `dropwise record verify --anchor FILE` tells \
         whether it still holds what this anchor stands for. The attachments alone cannot show that the anchor is the \
         lab's: compare it with one that was kept elsewhere.",
    );
    Ok(())
}
