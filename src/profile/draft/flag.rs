//! Words in turn beside the numbers: which of them says that the reading is steady.

use super::pipeline::Found;
use super::template::{Slot, Template};
use super::words;

/// A flag of a build.
#[derive(Debug, Clone)]
pub(super) struct FlagSeen {
    pub(super) template: usize,
    pub(super) slot: usize,
    /// Words with their count and what they mean, where that is known.
    pub(super) words: Vec<(String, usize, Option<bool>)>,
    /// The meaning comes from the words alone, or also from how the values move.
    pub(super) known: bool,
}

/// What the flag words mean: from the words, and from how the values move beside them.
pub(super) fn find(found: &Found) -> Vec<FlagSeen> {
    let mut flags = Vec::new();
    for (index, template) in found.templates.iter().enumerate() {
        if template.number_slots().is_empty() {
            continue;
        }
        for (slot, kind) in template.slots.iter().enumerate() {
            let Slot::Flag(list) = kind else { continue };
            if list.len() > 6 {
                continue;
            }
            let mut seen: Vec<(String, usize, Option<bool>)> =
                list.iter().map(|(w, n)| (w.clone(), *n, words::steadiness(w))).collect();
            let mut known = seen.iter().all(|s| s.2.is_some()) && seen.len() >= 2;
            if seen.len() == 2 && !known {
                let moves = moves(found, index, template, slot, [&list[0].0, &list[1].0]);
                // The words decide; the values may only confirm what one of the words says, or give an offer.
                match (seen[0].2, seen[1].2) {
                    (Some(a), None) => seen[1].2 = Some(!a),
                    (None, Some(b)) => seen[0].2 = Some(!b),
                    _ => {
                        if let Some((a, b)) = moves
                            && (a > 3.0 * b || b > 3.0 * a)
                        {
                            seen[0].2 = Some(a < b);
                            seen[1].2 = Some(b < a);
                        }
                    }
                }
                let agrees = moves.is_some_and(|(a, b)| {
                    (a < b) == (seen[0].2 == Some(true)) && (a > 1.5 * b || b > 1.5 * a)
                });
                known = agrees && list.iter().any(|(w, _)| words::steadiness(w).is_some());
            }
            flags.push(FlagSeen { template: index, slot, words: seen, known });
        }
    }
    flags
}

/// Mean size of a change beside each of two words, in units of the column's usual change.
fn moves(
    found: &Found,
    index: usize,
    template: &Template,
    slot: usize,
    pair: [&String; 2],
) -> Option<(f64, f64)> {
    let mut best: Option<(f64, f64)> = None;
    for column in found.columns.iter().filter(|c| c.template == index && !c.run.constant && !c.run.counter) {
        let mut sums = [(0.0, 0usize); 2];
        for w in column.values.windows(2) {
            let word = template.token(&found.lines[w[1].0], slot).map_or("", |t| t.text.as_str());
            if let Some(k) = pair.iter().position(|p| p.as_str() == word) {
                sums[k].0 += (w[1].1 - w[0].1).abs();
                sums[k].1 += 1;
            }
        }
        if sums.iter().any(|s| s.1 < 5) {
            continue;
        }
        let (a, b) = (sums[0].0 / sums[0].1 as f64, sums[1].0 / sums[1].1 as f64);
        let ratio = |x: (f64, f64)| (x.0.max(x.1)) / (x.0.min(x.1)).max(1e-12);
        if a.max(b) > 0.0 && best.is_none_or(|o| ratio((a, b)) > ratio(o)) {
            best = Some((a, b));
        }
    }
    best
}
