//! What people say while a run goes on: volumes, end-points seen by eye, notes, another profile.

use super::{Lane, Line};
use crate::profile::Profile;
use crate::store::Entry;
use crate::work::{LaneEvent, Procedure, VolumeMark, next_seen, seen_in, seen_note};
use std::sync::Arc;
use std::sync::atomic::Ordering;

impl Lane {
    pub(super) async fn mark(&mut self, mark: VolumeMark, who: String) -> Result<(), String> {
        let at = self.parts.lines.first().map(Line::now).unwrap_or_default();
        let after_seq = self.parts.lines.first().map_or(-1, |line| line.decoded_to);
        let going = self.going.as_mut().ok_or("no run is going on; start one first")?;
        let steps = going.run.mark(mark, at)?;
        if let VolumeMark::BuretteStart { reading_ml } = mark {
            going.burette_start_ml = reading_ml;
        }
        let mut entries = vec![Entry::Mark { run: going.head.run, n: going.marks, mark, after_seq, at, who }];
        going.marks += 1;
        let mut events = Vec::new();
        self.keep_steps(steps, &mut entries, &mut events);
        self.parts.writer.write_and_go_on(entries).await;
        for event in events {
            self.show(event).await;
        }
        Ok(())
    }

    /// An end-point that a person saw: kept as a note, and in what the result rests on.
    pub(super) async fn seen(&mut self, reading_ml: f64, what: &str, who: String) -> Result<(), String> {
        let going = self.going.as_mut().ok_or("no run is going on; start one first")?;
        if what.trim().is_empty() {
            return Err("say what was seen, such as: colourless to pink".to_owned());
        }
        let titrant = reading_ml - going.burette_start_ml;
        let unit = going.head.curve.titrant.unit().symbol();
        if !(titrant.is_finite() && titrant >= 0.0) {
            return Err(format!("the burette stood at {} {unit} at the start", going.burette_start_ml));
        }
        let procedure = Procedure::parse("of this run", &going.head.plan.procedure).ok();
        let name = next_seen(procedure.as_ref(), &going.head.plan.values)?;
        let note = seen_note(&name, (titrant, unit), what);
        self.note(note.clone(), who).await?;
        if let (Some(going), Some((name, volume))) = (&mut self.going, seen_in(&note)) {
            going.head.plan.values.insert(name, volume);
        }
        Ok(())
    }

    pub(super) async fn note(&mut self, text: String, who: String) -> Result<(), String> {
        let at = self.parts.lines.first().map(Line::now).unwrap_or_default();
        let going = self.going.as_mut().ok_or("no run is going on, so there is nothing to note it with")?;
        let entry = Entry::Note { run: going.head.run, n: going.notes, words: text.clone(), at, who };
        going.notes += 1;
        self.parts.writer.write_and_go_on(vec![entry]).await;
        self.show(LaneEvent::Note { at, text }).await;
        Ok(())
    }

    /// Reads an instrument with another profile from the latest chunks on.
    pub(super) async fn reread(
        &mut self,
        instrument: usize,
        name: &str,
        text: String,
        reason: Option<String>,
        who: String,
    ) -> Result<(), String> {
        let profile = Profile::parse(name, &text)
            .map_err(|faults| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))?;
        let line = self.parts.lines.get_mut(instrument).ok_or("the bench has no such instrument")?;
        if profile.sends() != line.profile.sends() {
            return Err(
                "the profile sends other bytes than before: end the recorder and open the bench anew, \
                        so that they can be confirmed"
                    .to_owned(),
            );
        }
        let reason = reason.filter(|r| !r.trim().is_empty());
        if self.going.is_some() && reason.is_none() {
            return Err("a run keeps its profile; give a reason to change it while one goes on".to_owned());
        }
        let decoding_id = self.parts.numbers.decoding.fetch_add(1, Ordering::Relaxed);
        let (frames, from_seq) = line.read_again(Arc::new(profile), decoding_id);
        let at = line.now();
        let (line_id, decoded_to, utc_us) = (line.line_id, line.decoded_to, at.utc_us);
        let mut entries =
            vec![Entry::Decoding { decoding_id, line_id, profile_text: text, from_seq, utc_us }];
        if let Some(going) = &mut self.going {
            let frame = frames.last().map_or(0, |f| f.number);
            let reason = reason.unwrap_or_default();
            let words = format!(
                "profile changed to {name} (decoding {decoding_id}, after its frame {frame}): {reason}"
            );
            entries.push(going.rows.decoding(decoding_id, decoded_to + 1));
            let subject = format!("run {}", going.head.run);
            let (verb, why) = ("change the profile".to_owned(), words.clone());
            entries.push(Entry::Decided { who: who.clone(), verb, subject, why });
            entries.push(Entry::Note { run: going.head.run, n: going.notes, words: words.clone(), at, who });
            going.notes += 1;
            self.show(LaneEvent::Note { at, text: words }).await;
        }
        self.parts.writer.write_and_go_on(entries).await;
        let titles: Vec<&str> = self.parts.lines.iter().map(|l| l.profile.title.as_str()).collect();
        self.show(LaneEvent::Reread { instrument: titles.join(" + "), frames }).await;
        Ok(())
    }
}
