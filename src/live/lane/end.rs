//! How a run ends: final evaluation, result, anchor.

use super::{FromLane, Going, Lane, Line};
use crate::detector::Evaluation;
use crate::live::outcome::{self, Outcome};
use crate::reading::Point;
use crate::store::{Entry, Reader, append_anchor};
use crate::work::{LaneEvent, RECORDER, RunEnd, RunHead};

/// Points of the final fit that screens are told.
const FIT_POINTS: usize = 300;

impl Lane {
    pub(super) async fn end_if_past(&mut self) {
        let Some(going) = &self.going else { return };
        let past = going.head.plan.end_past.zip(going.run.past_the_last());
        if let Some((limit, past)) = past.filter(|(limit, past)| past >= limit) {
            let why = format!("{past:.3} past the last end-point ({limit:.3} asked for)");
            self.end(why, RECORDER.to_owned()).await;
        }
    }

    /// Appends the anchor of the record to the file that the bench names.
    async fn keep_anchor(&self) {
        let Some(file) = self.parts.bench.bench.anchors.clone() else { return };
        let (record, shown) = (self.parts.record.clone(), file.clone());
        let kept = tokio::task::spawn_blocking(move || -> Result<(), String> {
            let anchor =
                Reader::open(&record).and_then(|reader| reader.anchor()).map_err(|e| e.to_string())?;
            let anchor = anchor.ok_or("the ledger is empty")?;
            append_anchor(std::path::Path::new(&file), &anchor).map_err(|e| e.to_string())
        });
        let why = match kept.await {
            Ok(Ok(())) => return,
            Ok(Err(why)) => why,
            Err(failure) => failure.to_string(),
        };
        let text = format!("the anchor of the record could not be appended to {shown}: {why}");
        self.show(LaneEvent::Warning { text }).await;
    }

    /// Ends the run that goes on, if one does: last point, final evaluation, all of it committed before it is told.
    pub(super) async fn end(&mut self, why: String, who: String) {
        let Some(going) = &mut self.going else { return };
        let (mut entries, mut events) = (Vec::new(), Vec::new());
        let steps = going.run.finish();
        self.keep_steps(steps, &mut entries, &mut events);
        let Some(Going { run, head, rows, .. }) = self.going.take() else { return };
        let points: Vec<Point> = run.points().collect();
        // The evaluation may take a while on long curves; other lanes go on meanwhile.
        let evaluation =
            tokio::task::spawn_blocking(move || run.evaluate()).await.unwrap_or_else(|failure| {
                let words = format!("the final evaluation failed ({failure}); the readings are kept");
                Evaluation { warnings: vec![words], ..Evaluation::default() }
            });
        let at = self.parts.lines.first().map(Line::now).unwrap_or_default();
        entries.extend(rows.result(&evaluation.end_points, &evaluation.warnings));
        let lines = self.parts.lines.iter().map(|l| (l.line_id, l.decoded_to)).collect();
        entries.push(rows.reckoned(RECORDER.to_owned(), String::new(), None));
        entries.push(Entry::RunEnd { run: head.run, why: why.clone(), lines, at, who });
        let answer = self.parts.writer.write(entries).await;
        // Saved, or kept in memory and told by the writer's state; a writer that has gone is told by the hub.
        let _told_elsewhere = answer.await;
        for event in events {
            self.show(event).await;
        }
        let curve = &evaluation.curve;
        if !curve.is_empty() {
            let thin = curve.len().div_ceil(FIT_POINTS);
            self.show(LaneEvent::Fit { points: curve.iter().copied().step_by(thin).collect() }).await;
        }
        let (end_points, warnings) = (evaluation.end_points.clone(), evaluation.warnings.clone());
        let end = RunEnd { run: head.run, why, end_points, warnings, at };
        self.follow(head, end.clone(), evaluation, points).await;
        self.keep_anchor().await;
        self.show(LaneEvent::Ended { end: Box::new(end) }).await;
        self.tell(FromLane::Busy(false)).await;
    }

    /// What follows from a run that has ended: its result, and what the fit says of electrode and solutions.
    async fn follow(&self, head: RunHead, end: RunEnd, evaluation: Evaluation, points: Vec<Point>) {
        let (run, record) = (head.run, self.parts.record.clone());
        let made =
            tokio::task::spawn_blocking(move || outcome::of_end(&record, &head, &end, &evaluation, &points));
        let Outcome { entries, trends, result } = made
            .await
            .unwrap_or_else(|failure| Outcome { result: Err(failure.to_string()), ..Outcome::default() });
        if !entries.is_empty() {
            // Saved, or kept in memory and told by the writer's state.
            let _told_elsewhere = self.parts.writer.write(entries).await.await;
        }
        for words in trends {
            let text = format!("{words}: look at electrode and solutions (`dropwise trend`)");
            self.show(LaneEvent::Warning { text }).await;
        }
        match result {
            Ok(None) => {}
            Ok(Some(result)) => self.show(LaneEvent::Result { run, result: Box::new(result) }).await,
            Err(why) => {
                let text = format!(
                    "the result of run {run} was not computed ({why}); `dropwise reckon {run}` computes it"
                );
                self.show(LaneEvent::Warning { text }).await;
            }
        }
    }
}
