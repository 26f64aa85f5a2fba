//! Steps of preparation and care in a report: each that the procedure asks for, and what became of it.

use super::Error;
use super::portion::Portion;
use super::words::{moment, person};
use crate::report::Document;
use crate::store::Reader;
use crate::work::{Kept, StepRecord, steps_of};

/// What was said about the steps of the portions of a report.
#[derive(Debug, Clone, Default)]
pub(super) struct Steps {
    rows: Vec<Vec<String>>,
    /// The documents that say so.
    pub(super) datums: Vec<i64>,
}

impl Steps {
    pub(super) fn of(reader: &Reader, portions: &[Portion]) -> Result<Self, Error> {
        let mut steps = Self::default();
        let mut kept: Vec<(String, Vec<Kept<StepRecord>>)> = Vec::new();
        let mut told: Vec<(String, String)> = Vec::new();
        for portion in portions {
            let Some(procedure) = &portion.procedure else { continue };
            let plan = &portion.stored.head.plan;
            if !kept.iter().any(|(series, _)| *series == plan.series) {
                kept.push((plan.series.clone(), reader.steps(&plan.series)?));
            }
            let known = kept.iter().find(|(series, _)| *series == plan.series);
            let known = known.map_or(&[][..], |(_, records)| records.as_slice());
            for line in steps_of(procedure, plan, known) {
                let of = if line.step.when.is_of_each_portion() {
                    format!("portion {}, run {}", plan.portion, portion.stored.row.run)
                } else {
                    // A step of the series is told once.
                    let key = (plan.series.clone(), line.step.text.clone());
                    if told.contains(&key) {
                        continue;
                    }
                    told.push(key);
                    format!("series {}", plan.series)
                };
                let became = line.said.as_ref().map_or_else(
                    || "not told".to_owned(),
                    |kept| {
                        let who =
                            format!("{} by {}", moment(kept.utc_us, portion.offset_s), person(&kept.who));
                        if kept.it.done {
                            format!("done {who}")
                        } else {
                            format!("SKIPPED {who}: {}", kept.it.why)
                        }
                    },
                );
                steps.datums.extend(line.said.as_ref().map(|kept| kept.datum));
                let source = line.step.source.clone().unwrap_or_else(|| "common practice".to_owned());
                steps.rows.push(vec![
                    line.step.text.clone(),
                    line.step.when.words().to_owned(),
                    of,
                    became,
                    source,
                ]);
            }
        }
        Ok(steps)
    }

    pub(super) fn section(self, document: &mut Document) {
        if self.rows.is_empty() {
            return;
        }
        document.heading(1, "Steps of preparation and care");
        document.table(&["step", "when", "of", "what became of it", "asked for by"], self.rows);
    }
}
