//! What a run says, as rows: the same for a live run and for one that is reckoned again.

use super::Entry;
use crate::detector::{Change, EndPoint};
use crate::reading::Point;

/// The rows of one evaluation, numbered as they come.
#[derive(Debug, Clone, Copy)]
pub struct ReckoningRows {
    reckoning_id: i64,
    generation: i64,
    changes: i64,
}

impl ReckoningRows {
    /// The first generation of an evaluation.
    #[must_use]
    pub const fn new(reckoning_id: i64) -> Self {
        Self { reckoning_id, generation: 0, changes: 0 }
    }

    /// The evaluation takes the readings of a further decoding from that chunk on.
    #[must_use]
    pub const fn decoding(&self, decoding_id: i64, from_seq: i64) -> Entry {
        Entry::ReckoningDecoding { reckoning_id: self.reckoning_id, decoding_id, from_seq }
    }

    /// The `n`-th point (from 1), whose signal came from `frame`.
    #[must_use]
    pub fn point(&self, n: usize, frame: u64, point: Point) -> Entry {
        Entry::Point {
            reckoning_id: self.reckoning_id,
            generation: self.generation,
            n: i64::try_from(n).unwrap_or(i64::MAX),
            frame: i64::try_from(frame).ok(),
            point,
        }
    }

    /// The next change of the watch.
    pub fn change(&mut self, change: Change) -> Entry {
        self.changes += 1;
        Entry::Change {
            reckoning_id: self.reckoning_id,
            generation: self.generation,
            n: self.changes,
            change,
        }
    }

    /// A whole curve as corrected, with its changes.
    pub fn redrawn(&mut self, generation: u32, points: &[(Point, u64)], changes: &[Change]) -> Vec<Entry> {
        self.generation = i64::from(generation);
        self.changes = 0;
        let mut entries: Vec<Entry> =
            (1..).zip(points).map(|(n, (point, frame))| self.point(n, *frame, *point)).collect();
        entries.extend(changes.iter().map(|change| self.change(change.clone())));
        entries
    }

    /// The evaluation is complete; its procedure, if that is not the one of the run.
    #[must_use]
    pub fn reckoned(&self, who: String, why: String, procedure: Option<String>) -> Entry {
        Entry::Reckoned { reckoning_id: self.reckoning_id, who, why, procedure }
    }

    /// What the final evaluation found and warned of.
    #[must_use]
    pub fn result(&self, end_points: &[EndPoint], warnings: &[String]) -> Vec<Entry> {
        let reckoning_id = self.reckoning_id;
        let findings = (1..).zip(end_points).map(|(n, end_point)| Entry::Finding {
            reckoning_id,
            n,
            end_point: end_point.clone(),
        });
        let warnings =
            (1..).zip(warnings).map(|(n, words)| Entry::Warning { reckoning_id, n, words: words.clone() });
        findings.chain(warnings).collect()
    }
}
