//! A stored run is evaluated again, as the rows that keep it; what was found before stays.

use super::again::{Counted, ReadLine, evaluate_again, read_line};
use crate::profile::Profile;
use crate::source::Clock;
use crate::store::{Entry, Error as StoreError, Reader, ReckoningRows, StoredRun, text_hash};
use crate::work::{RunId, Step};
use std::path::Path;
use std::sync::Arc;

/// Lines whose readings are kept for the next run: runs of one bench lie on the same lines.
const LINES_KEPT: usize = 4;

/// With what a run is evaluated again, by whom and why.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ReckonSettings {
    /// Name and text of a profile, instead of that of the run.
    pub profile: Option<(String, String)>,
    /// Text of a procedure, instead of that of the run.
    pub procedure: Option<String>,
    /// Who asks for it.
    pub who: String,
    /// Why.
    pub why: String,
}

/// Why a run is not evaluated again.
#[derive(Debug, thiserror::Error)]
pub enum ReckonError {
    /// The record cannot be read.
    #[error(transparent)]
    Record(#[from] StoreError),
    /// In words.
    #[error("{0}")]
    Words(String),
}

/// The wire of a line that has been read with a profile, under a decoding of its own.
#[derive(Debug)]
struct ReadDecoding {
    line_id: i64,
    profile_hash: String,
    decoding_id: i64,
    line: ReadLine,
    /// What has to be written before an evaluation can tell of it.
    entries: Vec<Entry>,
}

/// Evaluates runs again; what it has read of a line serves the next run on it.
#[derive(Debug)]
pub struct Reckoner {
    reader: Reader,
    read: Vec<ReadDecoding>,
}

impl Reckoner {
    /// Over a record.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub fn open(record: &Path) -> Result<Self, StoreError> {
        Ok(Self { reader: Reader::open(record)?, read: Vec::new() })
    }

    /// The rows of an evaluation under the number `reckoning_id`; `decoding` gives the numbers of new decodings.
    ///
    /// # Errors
    /// When the run, its wire or the settings cannot be used.
    pub fn make(
        &mut self,
        run: RunId,
        settings: &ReckonSettings,
        reckoning_id: i64,
        decoding: &mut dyn FnMut() -> i64,
    ) -> Result<Vec<Entry>, ReckonError> {
        let stored = self.reader.run(run)?;
        let taken = self.lines(&stored, settings, decoding)?;
        let procedure = settings.procedure.as_ref().unwrap_or(&stored.head.plan.procedure);
        let utc_us = Clock::start().stamp().utc_us;
        let mut rows = ReckoningRows::new(reckoning_id);
        let mut entries: Vec<Entry> =
            self.read.iter_mut().flat_map(|d| std::mem::take(&mut d.entries)).collect();
        let decodings =
            taken.iter().map(|(at, from_seq, _)| (self.read[*at].decoding_id, *from_seq)).collect();
        entries.push(Entry::Reckoning { reckoning_id, run, decodings, utc_us });
        let counted: Vec<Counted<'_>> = taken
            .iter()
            .map(|(at, from_seq, to_seq)| Counted {
                line: &self.read[*at].line,
                from_seq: *from_seq,
                to_seq: *to_seq,
            })
            .collect();
        let evaluation = evaluate_again(&stored, &counted, procedure, |step| match step {
            Step::Point { n, frame, point } => entries.push(rows.point(n, frame, point)),
            Step::Change(change) => entries.push(rows.change(change)),
            Step::Redrawn { generation, points, changes } => {
                entries.extend(rows.redrawn(generation, &points, &changes));
            }
        })
        .map_err(ReckonError::Words)?;
        entries.extend(rows.result(&evaluation.end_points, &evaluation.warnings));
        entries.push(rows.reckoned(settings.who.clone(), settings.why.clone(), settings.procedure.clone()));
        Ok(entries)
    }

    /// The lines of a run as they are to be read: index of the reading, first and last chunk that count.
    fn lines(
        &mut self,
        stored: &StoredRun,
        settings: &ReckonSettings,
        decoding: &mut dyn FnMut() -> i64,
    ) -> Result<Vec<(usize, i64, i64)>, ReckonError> {
        // A line whose profile was changed during the run stands there twice; its first span counts from the start.
        let mut lines = stored.lines.clone();
        lines.dedup_by_key(|line| line.line_id);
        if lines.len() > 1 && settings.profile.is_some() {
            let why = "this run read several instruments; a single profile cannot stand for all of them";
            return Err(ReckonError::Words(why.to_owned()));
        }
        if self.read.len() + lines.len() > LINES_KEPT.max(lines.len()) {
            // What was read for runs before, and is written: it can go.
            self.read.clear();
        }
        let mut taken = Vec::new();
        for line in &lines {
            let (name, text) = match &settings.profile {
                Some(named) => named.clone(),
                None => ("of the run".to_owned(), self.reader.text(&line.profile_hash)?),
            };
            let hash = text_hash(&text);
            let known = self.read.iter().position(|d| d.line_id == line.line_id && d.profile_hash == hash);
            let at = match known {
                Some(at) => at,
                None => {
                    self.read_line(line.line_id, &name, text, hash, decoding())?;
                    self.read.len() - 1
                }
            };
            taken.push((at, line.from_seq, line.to_seq.unwrap_or(i64::MAX)));
        }
        Ok(taken)
    }

    /// Reads the whole wire of a line once; its readings serve every run on it.
    fn read_line(
        &mut self,
        line_id: i64,
        name: &str,
        text: String,
        profile_hash: String,
        decoding_id: i64,
    ) -> Result<(), ReckonError> {
        let profile = Profile::parse(name, &text).map_err(|faults| {
            ReckonError::Words(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
        })?;
        let line = read_line(&self.reader, line_id, Arc::new(profile))?;
        let utc_us = Clock::start().stamp().utc_us;
        let mut entries =
            vec![Entry::Decoding { decoding_id, line_id, profile_text: text, from_seq: 0, utc_us }];
        let last = line.chunks.last().map_or(0, |chunk| chunk.seq);
        let frames = line.chunks.iter().flat_map(|c| c.frames.iter().map(move |frame| (c.seq, frame)));
        for (wire_seq, frame) in frames.chain(line.rest.iter().map(|frame| (last, frame))) {
            for (field, reading) in (0..).zip(&frame.readings) {
                entries.push(Entry::Reading { decoding_id, field, wire_seq, reading: reading.clone() });
            }
        }
        self.read.push(ReadDecoding { line_id, profile_hash, decoding_id, line, entries });
        Ok(())
    }
}
