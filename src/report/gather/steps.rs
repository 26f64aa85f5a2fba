//! Steps of preparation and care in a report: each that the procedure asks for, and what became of it.

use super::Error;
use super::portion::Portion;
use super::words::{moment, person};
use crate::report::Document;
use crate::store::Reader;
use crate::work::{Kept, StepRecord, WhenWord, steps_of};

/// One step with what became of it, and of what that is told.
#[derive(Debug, Clone)]
struct Row {
    when: WhenWord,
    step: String,
    source: String,
    became: String,
    of: Vec<String>,
}

/// What was said about the steps of the portions of a report.
#[derive(Debug, Clone, Default)]
pub(super) struct Steps {
    rows: Vec<Row>,
    /// The documents that say so.
    pub(super) datums: Vec<i64>,
}

impl Steps {
    pub(super) fn of(reader: &Reader, portions: &[Portion]) -> Result<Self, Error> {
        let mut steps = Self::default();
        let mut kept: Vec<(String, Vec<Kept<StepRecord>>)> = Vec::new();
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
                    format!("run {}", portion.stored.row.run)
                } else {
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
                steps.add(Row {
                    when: line.step.when,
                    step: line.step.text.clone(),
                    source,
                    became,
                    of: vec![of],
                });
            }
        }
        steps.rows.sort_by_key(|row| WhenWord::ALL.iter().position(|when| *when == row.when));
        Ok(steps)
    }

    /// Portions of which the same is told stand in one row; a step of the series is told once.
    fn add(&mut self, row: Row) {
        let same =
            |other: &&mut Row| (other.when, &other.step, &other.became) == (row.when, &row.step, &row.became);
        match self.rows.iter_mut().find(same) {
            Some(other) => {
                for of in row.of {
                    if !other.of.contains(&of) {
                        other.of.push(of);
                    }
                }
            }
            None => self.rows.push(row),
        }
    }

    pub(super) fn section(self, document: &mut Document) {
        if self.rows.is_empty() {
            return;
        }
        document.heading(1, "Steps of preparation and care");
        let rows = self.rows.into_iter().map(|row| {
            let of = match row.of.split_first() {
                // Runs by their numbers alone: "runs 5, 7, 9".
                Some((first, more)) if !more.is_empty() && row.when.is_of_each_portion() => {
                    let numbers = more.iter().map(|run| run.trim_start_matches("run "));
                    let first = first.trim_start_matches("run ");
                    format!("runs {}", std::iter::once(first).chain(numbers).collect::<Vec<_>>().join(", "))
                }
                _ => row.of.join(", "),
            };
            vec![row.step, row.when.words().to_owned(), of, row.became, row.source]
        });
        document.table(&["step", "when", "of", "what became of it", "asked for by"], rows.collect());
    }
}
