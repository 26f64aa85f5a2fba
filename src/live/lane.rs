//! One bench: its instruments, and the run that goes on.
//!
//! Bytes go to the record first; they are decoded when the record has committed them, or has said
//! in words that it cannot. Then readings, points and findings follow, and are written behind.

use super::again::{LINE_OVER, STOPPED};
use super::line::{Line, Pending};
use super::outcome;
use crate::detector::{Evaluation, Prior};
use crate::profile::{Decoded, Mark, MarkKind, Profile};
use crate::reading::{Quantity, Stamp};
use crate::results::Dimension;
use crate::source::SourceEvent;
use crate::store::{Commit, Direction, Entry, Reader, ReckoningRows, Writer, append_anchor};
use crate::work::{
    Beginning, BenchPlan, Command, DEFAULT_WARN_BEFORE, Expectation, FROM_BALANCE, FrameFate, Health,
    HowWord, LaneEvent, LaneId, Origin, Pairing, Procedure, Queued, RECORDER, Run, RunEnd, RunHead, RunPlan,
    Step, Stock, VolumeFrom, VolumeMark, Weighing, begins, checklist, choose_signal, decide, expected,
    next_seen, seen_in, seen_note,
};
use bytes::Bytes;
use std::collections::VecDeque;
use std::future::Future;
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::task::Poll;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

/// Chunks of one line that may wait for the disk; when so many do, the source is held up.
const PENDING_CHUNKS: usize = 512;

/// Points of the final fit that screens are told.
const FIT_POINTS: usize = 300;

/// A commit that takes longer is told to the screens.
const SLOW_COMMIT: Duration = Duration::from_secs(1);

/// What a lane tells the hub.
#[derive(Debug)]
pub(super) enum FromLane {
    /// Something for the screens.
    Event(LaneEvent),
    /// So many frames were decoded whose bytes the record has committed.
    Saved(u64),
    /// So many frames were decoded whose bytes wait in memory.
    Waiting(u64),
    /// The oldest uncommitted chunk has waited so long without an answer.
    Slow(Duration),
    /// A run began or ended.
    Busy(bool),
    /// The lane has ended.
    Over,
}

/// A command with the way back.
#[derive(Debug)]
pub(super) struct LaneCommand {
    pub(super) command: Command,
    pub(super) who: String,
    pub(super) reply: oneshot::Sender<Result<(), String>>,
}

/// Numbers for new decodings, runs and reckonings, shared by the lanes of a recorder.
#[derive(Debug)]
pub(super) struct Numbers {
    pub(super) decoding: AtomicI64,
    pub(super) run: AtomicI64,
    pub(super) reckoning: AtomicI64,
}

/// What a lane is made of.
pub(super) struct LaneParts {
    pub(super) id: LaneId,
    pub(super) bench: Arc<BenchPlan>,
    pub(super) origin: Origin,
    pub(super) lines: Vec<Line>,
    pub(super) sources: mpsc::Receiver<(usize, SourceEvent)>,
    pub(super) commands: mpsc::Receiver<LaneCommand>,
    pub(super) writer: Writer,
    pub(super) hub: mpsc::Sender<(LaneId, FromLane)>,
    pub(super) numbers: Arc<Numbers>,
    pub(super) cancel: CancellationToken,
    /// The record, for what it knows beside this run.
    pub(super) record: PathBuf,
    /// Obeyed as soon as a line has said something, and before its bytes.
    pub(super) first: Option<LaneCommand>,
}

struct Going {
    run: Run,
    head: RunHead,
    rows: ReckoningRows,
    marks: i64,
    notes: i64,
    /// Where the burette stood at the start.
    burette_start_ml: f64,
}

pub(super) struct Lane {
    parts: LaneParts,
    going: Option<Going>,
    /// Portions that marks in the line begin; `None`: marks begin nothing.
    queue: Option<VecDeque<Queued>>,
    weighing: Weighing,
    /// A portion that starts as soon as the balance gives its mass, and who wants it.
    weighed_first: Option<(RunPlan, String)>,
    slow_told: bool,
}

impl Lane {
    pub(super) fn new(parts: LaneParts) -> Self {
        Self {
            parts,
            going: None,
            queue: None,
            weighing: Weighing::default(),
            weighed_first: None,
            slow_told: false,
        }
    }

    /// Runs until every source has ended (after cancellation they do), then closes the run that goes on.
    pub(super) async fn run(mut self) {
        let mut sources_open = true;
        loop {
            let waiting = self.parts.lines.iter().map(|l| l.pending.len()).max().unwrap_or(0);
            if !sources_open && waiting == 0 {
                break;
            }
            let wake = self.parts.lines.iter().filter_map(Line::wake).min();
            let slow_at = self.oldest_pending().filter(|_| !self.slow_told).map(|since| since + SLOW_COMMIT);
            tokio::select! {
                biased;
                (index, commit) = next_commit(&mut self.parts.lines) => self.committed(index, commit).await,
                Some(command) = self.parts.commands.recv() => self.obey(command).await,
                event = self.parts.sources.recv(), if sources_open && waiting < PENDING_CHUNKS => match event {
                    Some((index, event)) => self.source_event(index, event).await,
                    None => sources_open = false,
                },
                () = at(wake) => self.tick().await,
                () = at(slow_at) => {
                    self.slow_told = true;
                    self.tell(FromLane::Slow(SLOW_COMMIT)).await;
                }
            }
        }
        for index in 0..self.parts.lines.len() {
            let mut decoded = Vec::new();
            self.parts.lines[index].decoder.finish(&mut decoded);
            self.take_decoded(index, decoded, true).await;
        }
        let why = if self.parts.cancel.is_cancelled() { STOPPED } else { LINE_OVER };
        self.end(why.to_owned(), RECORDER.to_owned()).await;
        self.tell(FromLane::Over).await;
    }

    async fn tell(&self, what: FromLane) {
        // The hub outlives its lanes; when it is gone nobody is left to be told.
        let _hub_gone = self.parts.hub.send((self.parts.id, what)).await;
    }

    async fn show(&self, event: LaneEvent) {
        self.tell(FromLane::Event(event)).await;
    }

    fn oldest_pending(&self) -> Option<Instant> {
        self.parts.lines.iter().filter_map(|l| l.pending.front()).map(|p| p.since).min()
    }

    async fn source_event(&mut self, index: usize, event: SourceEvent) {
        self.one_source_event(index, event).await;
        if let Some(first) = self.parts.first.take() {
            self.obey(first).await;
        }
    }

    async fn one_source_event(&mut self, index: usize, event: SourceEvent) {
        match event {
            SourceEvent::Bytes { at, bytes } => self.keep(index, Direction::In, at, bytes).await,
            SourceEvent::Sent { at, bytes } => self.keep(index, Direction::Out, at, bytes).await,
            SourceEvent::Opened { at, what, remarks } => {
                self.parts.lines[index].decoder.reopened();
                let words =
                    std::iter::once(what).chain(remarks.iter().cloned()).collect::<Vec<_>>().join("; ");
                self.line_event(index, at, "opened", words, Health::Open { remarks }).await;
            }
            SourceEvent::Gone { at, why } => {
                self.line_event(index, at, "gone", why.clone(), Health::Gone { why }).await;
            }
            SourceEvent::Over { at, why } => {
                self.parts.lines[index].over = true;
                self.line_event(index, at, "over", why.clone(), Health::Over { why }).await;
            }
            SourceEvent::Failed { at, why } => {
                self.parts.lines[index].over = true;
                self.line_event(index, at, "over", why.clone(), Health::Failed { why }).await;
            }
            SourceEvent::NotSent { at, why, .. } => {
                self.warning(index, at, format!("a request was not sent: {why}")).await;
            }
            SourceEvent::Warning { at, text } => self.warning(index, at, text).await,
        }
    }

    async fn warning(&mut self, index: usize, at: Stamp, words: String) {
        let line = &mut self.parts.lines[index];
        let (line_id, n) = (line.line_id, line.next_event());
        let entry = Entry::LineEvent { line_id, n, at, what: "warning", words: words.clone() };
        self.parts.writer.write_and_go_on(vec![entry]).await;
        self.show(LaneEvent::Warning { text: words }).await;
    }

    async fn line_event(
        &mut self,
        index: usize,
        at: Stamp,
        what: &'static str,
        words: String,
        health: Health,
    ) {
        let line = &mut self.parts.lines[index];
        line.see(at);
        let entry = Entry::LineEvent { line_id: line.line_id, n: line.next_event(), at, what, words };
        self.parts.writer.write_and_go_on(vec![entry]).await;
        self.show(LaneEvent::Line { health }).await;
        // A meter that answers only when asked must be asked first.
        self.tick().await;
    }

    /// The wire goes to the record before anything is made of it.
    async fn keep(&mut self, index: usize, direction: Direction, at: Stamp, bytes: Bytes) {
        let line = &mut self.parts.lines[index];
        line.see(at);
        let seq = line.next_seq();
        let entry = Entry::Wire { line_id: line.line_id, seq, direction, at, bytes: bytes.clone() };
        let ack = self.parts.writer.write(vec![entry]).await;
        line.pending.push_back(Pending { ack, direction, at, bytes, seq, since: Instant::now() });
    }

    async fn committed(&mut self, index: usize, commit: Commit) {
        let line = &mut self.parts.lines[index];
        let Some(chunk) = line.pending.pop_front() else { return };
        self.slow_told = false;
        let mut decoded = Vec::new();
        if line.write.is_none() {
            // A frame that ends by a pause ends before the next chunk; what would be asked is left.
            let _not_sent = line.decoder.tick(chunk.at, &mut decoded);
        }
        match chunk.direction {
            Direction::In => line.decoder.feed(chunk.at, &chunk.bytes, &mut decoded),
            // What this program sends, the decoder was told when it was handed over.
            Direction::Out if line.write.is_some() => {}
            Direction::Out => line.decoder.sent(chunk.at, &chunk.bytes),
        }
        line.decoded_to = chunk.seq;
        line.remember(chunk.direction, chunk.at, chunk.bytes.clone());
        self.take_decoded(index, decoded, commit == Commit::Saved).await;
        // A hand-shake is answered at once.
        self.tick().await;
    }

    async fn tick(&mut self) {
        for index in 0..self.parts.lines.len() {
            let line = &mut self.parts.lines[index];
            // A capture takes no requests and has its own times.
            let Some(write) = line.write.clone().filter(|_| !line.over) else { continue };
            let now = line.now();
            let mut decoded = Vec::new();
            while let Some(bytes) = line.decoder.tick(now, &mut decoded) {
                // The decoder is told at once, or it would offer the same request again.
                line.decoder.sent(now, &bytes);
                if let Err(refused) = write.try_send(Bytes::from(bytes)) {
                    // Waiting here could block both ways: the source waits for this lane to take its events.
                    tracing::warn!(%refused, "a request was not sent");
                    break;
                }
            }
            for words in line.decoder.take_warnings() {
                self.warning(index, now, words).await;
            }
            if !decoded.is_empty() {
                self.take_decoded(index, decoded, true).await;
            }
        }
    }

    async fn take_decoded(&mut self, index: usize, decoded: Vec<Decoded>, saved: bool) {
        if decoded.is_empty() {
            return;
        }
        let frames = decoded.len() as u64;
        let Line { decoding_id, decoded_to: wire_seq, .. } = self.parts.lines[index];
        let mut entries = Vec::new();
        let mut events = Vec::new();
        for one in decoded {
            for (field, reading) in (0..).zip(&one.readings) {
                entries.push(Entry::Reading { decoding_id, field, wire_seq, reading: reading.clone() });
            }
            let understood = matches!(one.frame.fate, FrameFate::Understood { .. });
            events.push(LaneEvent::Frame { frame: one.frame });
            if !one.readings.is_empty() {
                let steps = match &mut self.going {
                    Some(going) if understood => going.run.take(&one.readings),
                    _ => Vec::new(),
                };
                if understood {
                    self.weighing.take(&one.readings);
                }
                events.push(LaneEvent::Readings { readings: one.readings });
                self.keep_steps(steps, &mut entries, &mut events);
            }
            let marks = if self.queue.is_some() { one.marks.as_slice() } else { &[] };
            for mark in marks {
                // What came before the mark belongs to what was before it.
                self.parts.writer.write_and_go_on(std::mem::take(&mut entries)).await;
                for event in events.drain(..) {
                    self.show(event).await;
                }
                self.marked(mark).await;
            }
        }
        if !entries.is_empty() {
            self.parts.writer.write_and_go_on(entries).await;
        }
        for event in events {
            self.show(event).await;
        }
        self.tell(if saved { FromLane::Saved(frames) } else { FromLane::Waiting(frames) }).await;
        self.start_weighed().await;
        self.end_if_past().await;
    }

    /// Starts the portion that waited for the balance, once its mass is there.
    async fn start_weighed(&mut self) {
        let Some((mut plan, who)) = self.weighed_first.take() else { return };
        let started = match self.weigh(&mut plan) {
            Ok(false) => {
                self.weighed_first = Some((plan, who));
                return;
            }
            Ok(true) => Box::pin(self.start(plan, who)).await,
            Err(why) => Err(why),
        };
        if let Err(text) = started {
            let at = self.parts.lines.first().map(Line::now).unwrap_or_default();
            self.warning(0, at, text).await;
        }
    }

    /// Puts the mass on the balance in the place of the word for it; false while it is not there.
    ///
    /// # Errors
    /// In words, when the bench has no balance for portions, or the procedure does not ask for that value.
    fn weigh(&mut self, plan: &mut RunPlan) -> Result<bool, String> {
        let wanted = plan.values.iter().find(|(_, text)| text.trim() == FROM_BALANCE);
        let Some(name) = wanted.map(|(name, _)| name.clone()) else { return Ok(true) };
        if self.parts.bench.bench.volume == VolumeFrom::Mass {
            return Err(
                "the balance of this bench weighs the titrant, not the portions: type the mass".to_owned()
            );
        }
        let weighs = |line: &Line| line.profile.measures.contains(&Quantity::Mass);
        if !self.parts.lines.iter().any(weighs) {
            return Err("no instrument of this bench is a balance: type the mass".to_owned());
        }
        let how = match plan.procedure.as_str() {
            "" => HowWord::OneReading,
            text => {
                let procedure = Procedure::read("of this run", text)?;
                procedure
                    .asked
                    .iter()
                    .find(|a| a.name == name || name == "mass" && a.unit.dimension() == Dimension::MASS)
                    .map(|asked| asked.how)
                    .ok_or_else(|| format!("the procedure does not ask for {name}"))?
            }
        };
        let Some(weighed) = self.weighing.portion(how) else { return Ok(false) };
        plan.values.insert(name, format!("{:.5} g", weighed.mass_g));
        plan.weighed = Some(weighed.words);
        Ok(true)
    }

    /// A sample changer began or ended a run.
    async fn marked(&mut self, mark: &Mark) {
        match mark.kind {
            MarkKind::RunStart => {
                if self.going.is_some() {
                    self.end("the line began the next run".to_owned(), RECORDER.to_owned()).await;
                }
                let said = Beginning {
                    position: mark.text("position").and_then(|text| text.trim().parse().ok()),
                    sample: mark.text("sample").map(|text| text.trim().to_owned()),
                };
                let begun = begins(self.queue.get_or_insert_default(), &said);
                let started = match begun {
                    Ok(plan) => Box::pin(self.start(plan, RECORDER.to_owned())).await,
                    Err(why) => Err(why),
                };
                if let Err(text) = started {
                    let at = self.parts.lines.first().map(Line::now).unwrap_or_default();
                    self.warning(0, at, text).await;
                }
            }
            MarkKind::RunEnd => self.end("the line ended the run".to_owned(), RECORDER.to_owned()).await,
            _ => {}
        }
    }

    /// Turns what followed in the run into rows and events.
    fn keep_steps(&mut self, steps: Vec<Step>, entries: &mut Vec<Entry>, events: &mut Vec<LaneEvent>) {
        let Some(going) = &mut self.going else { return };
        if steps.is_empty() {
            return;
        }
        for step in steps {
            match step {
                Step::Point { n, frame, point } => {
                    entries.push(going.rows.point(n, frame, point));
                    events.push(LaneEvent::Point { point });
                }
                Step::Change(change) => {
                    entries.push(going.rows.change(change.clone()));
                    events.push(LaneEvent::Watch { change });
                }
                Step::Redrawn { generation, points, changes } => {
                    entries.extend(going.rows.redrawn(generation, &points, &changes));
                    let points = points.into_iter().map(|(point, _)| point).collect();
                    events.push(LaneEvent::Redrawn { points, changes });
                }
            }
        }
        events.push(LaneEvent::Outlook { outlook: going.run.outlook() });
    }

    async fn end_if_past(&mut self) {
        let Some(going) = &self.going else { return };
        let past = going.head.plan.end_past.zip(going.run.past_the_last());
        if let Some((limit, past)) = past.filter(|(limit, past)| past >= limit) {
            let why = format!("{past:.3} past the last end-point ({limit:.3} asked for)");
            self.end(why, RECORDER.to_owned()).await;
        }
    }

    async fn obey(&mut self, LaneCommand { command, who, reply }: LaneCommand) {
        let answer = match command {
            Command::Start { plan, .. } => self.start(*plan, who).await,
            Command::Queue { portions, .. } => {
                self.queue = (!portions.is_empty()).then(|| portions.into());
                Ok(())
            }
            Command::Mark { mark, .. } => self.mark(mark, who).await,
            Command::Seen { reading_ml, what, .. } => self.seen(reading_ml, &what, who).await,
            Command::Note { text, .. } => self.note(text, who).await,
            Command::Reread { instrument, profile_name, profile_text, reason, .. } => {
                self.reread(instrument, &profile_name, profile_text, reason, who).await
            }
            Command::End { reason, .. } if self.going.is_some() => {
                let why =
                    reason.filter(|r| !r.trim().is_empty()).unwrap_or_else(|| "ended by hand".to_owned());
                self.end(why, who).await;
                Ok(())
            }
            Command::End { .. } if self.weighed_first.take().is_some() => Ok(()),
            Command::End { .. } => Err("no run is going on".to_owned()),
            Command::Open { .. }
            | Command::SetAside { .. }
            | Command::Reckon { .. }
            | Command::Hand { .. }
            | Command::Enter { .. }
            | Command::Name { .. }
            | Command::Leave => Err("this is no command for a lane".to_owned()),
        };
        // An asker that has gone needs no answer.
        let _asker_gone = reply.send(answer);
    }

    async fn start(&mut self, mut plan: RunPlan, who: String) -> Result<(), String> {
        if let Some(going) = &self.going {
            return Err(format!("run {} is going on; end it first", going.head.run));
        }
        if !self.weigh(&mut plan)? {
            self.weighed_first = Some((plan, who));
            let text = "waiting for the balance to come to rest with the portion on it".to_owned();
            self.show(LaneEvent::Warning { text }).await;
            return Ok(());
        }
        self.weighed_first = None;
        let procedure = match plan.procedure.as_str() {
            "" => None,
            text => Some(Procedure::read("of this run", text)?),
        };
        let measured: Vec<Quantity> =
            self.parts.lines.iter().flat_map(|l| l.profile.measures.iter().copied()).collect();
        let stock = if procedure.is_some() { self.stock().await } else { Ok(Stock::default()) };
        let ph_from = match &procedure {
            Some(procedure) => outcome::ph_from(procedure, &plan, &measured, &stock)?,
            None => None,
        };
        let wanted = procedure.as_ref().and_then(Procedure::signal);
        let signal = match ph_from {
            Some(_) => Quantity::Ph,
            None => choose_signal(wanted, &measured)
                .ok_or("the profiles of this bench measure no signal: name one in `measures`")?,
        };
        if ph_from.is_none() && !measured.contains(&signal) {
            return Err(format!(
                "the procedure looks at {signal}, which no instrument of this bench measures"
            ));
        }
        let at = self.parts.lines.first().map(Line::now).unwrap_or_default();
        if let Some(procedure) = procedure.as_ref().filter(|_| plan.series.trim().is_empty()) {
            plan.series = format!("{} {}", procedure.id, local_date(at));
        }
        if let Some(procedure) = &procedure {
            plan.warnings = self.checked(procedure, &plan, &stock, at)?;
        }
        let bench = &self.parts.bench.bench;
        let pairing = Pairing::new(bench.volume, signal, bench.settling, at);
        let bench_supply = bench.burette;
        let mut head = RunHead {
            run: self.parts.numbers.run.fetch_add(1, Ordering::Relaxed),
            title: procedure.as_ref().map_or_else(|| "free run".to_owned(), |p| p.title.clone()),
            origin: self.parts.origin,
            curve: pairing.head(),
            warn_before: procedure.as_ref().map_or(DEFAULT_WARN_BEFORE, Procedure::warn_before),
            cautions: procedure.iter().flat_map(|p| p.cautions.iter().cloned()).collect(),
            at,
            plan,
            expectation: Expectation::default(),
        };
        head.expectation = Expectation { prior: self.prior(&head).await, supply: bench_supply, ph_from };
        let reckoning_id = self.parts.numbers.reckoning.fetch_add(1, Ordering::Relaxed);
        let decodings = self.parts.lines.iter().map(|l| (l.decoding_id, l.decoded_to + 1)).collect();
        let entries = vec![
            Entry::Run { head: Box::new(head.clone()), who },
            Entry::Reckoning { reckoning_id, run: head.run, decodings, utc_us: at.utc_us },
        ];
        self.parts.writer.write_and_go_on(entries).await;
        self.tell(FromLane::Busy(true)).await;
        self.show(LaneEvent::Started { head: Box::new(head.clone()) }).await;
        for text in head.plan.warnings.clone() {
            self.show(LaneEvent::Warning { text }).await;
        }
        let looks = procedure.as_ref().map(Procedure::looks).unwrap_or_default();
        let run = Run::of_looks(pairing, looks, head.expectation);
        self.going = Some(Going {
            run,
            head,
            rows: ReckoningRows::new(reckoning_id),
            marks: 0,
            notes: 0,
            burette_start_ml: 0.0,
        });
        Ok(())
    }

    /// What the record knows beside runs; words where it cannot be asked.
    async fn stock(&self) -> Result<Stock, String> {
        let record = self.parts.record.clone();
        let asked = tokio::task::spawn_blocking(move || outcome::stock(&record)).await;
        asked.unwrap_or_else(|failure| Err(failure.to_string()))
    }

    /// Goes through the checklist of a portion: what it starts with all the same, or why it does not start.
    fn checked(
        &self,
        procedure: &Procedure,
        plan: &RunPlan,
        stock: &Result<Stock, String>,
        at: Stamp,
    ) -> Result<Vec<String>, String> {
        let nothing = Stock::default();
        let known = stock.as_ref().unwrap_or(&nothing);
        let real = self.parts.origin.is_real();
        let list = checklist(procedure, plan, known, (at.utc_us, local_date(at)), real);
        let unasked =
            stock.as_ref().err().map(|why| format!("the record could not be asked what is fresh: {why}"));
        Ok(unasked.into_iter().chain(decide(&list, plan.reason.as_deref())?).collect())
    }

    /// What the record says about earlier portions of the sample; a record that cannot be read says nothing.
    async fn prior(&self, head: &RunHead) -> Option<Prior> {
        let (path, head) = (self.parts.record.clone(), head.clone());
        let mass_g = head.plan.mass_g;
        let read = move || Reader::open(&path)?.earlier_portions(&head);
        match tokio::task::spawn_blocking(read).await {
            Ok(Ok(earlier)) => expected(&earlier, mass_g),
            Ok(Err(why)) => {
                tracing::warn!(%why, "earlier portions cannot be read");
                None
            }
            Err(_) => None,
        }
    }

    async fn mark(&mut self, mark: VolumeMark, who: String) -> Result<(), String> {
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
    async fn seen(&mut self, reading_ml: f64, what: &str, who: String) -> Result<(), String> {
        let going = self.going.as_mut().ok_or("no run is going on; start one first")?;
        if what.trim().is_empty() {
            return Err("say what was seen, such as: colourless to pink".to_owned());
        }
        let volume_ml = reading_ml - going.burette_start_ml;
        if !(volume_ml.is_finite() && volume_ml >= 0.0) {
            return Err(format!("the burette stood at {} mL at the start", going.burette_start_ml));
        }
        let procedure = Procedure::parse("of this run", &going.head.plan.procedure).ok();
        let name = next_seen(procedure.as_ref(), &going.head.plan.values)?;
        let note = seen_note(&name, volume_ml, what);
        self.note(note.clone(), who).await?;
        if let (Some(going), Some((name, volume))) = (&mut self.going, seen_in(&note)) {
            going.head.plan.values.insert(name, volume);
        }
        Ok(())
    }

    async fn note(&mut self, text: String, who: String) -> Result<(), String> {
        let at = self.parts.lines.first().map(Line::now).unwrap_or_default();
        let going = self.going.as_mut().ok_or("no run is going on, so there is nothing to note it with")?;
        let entry = Entry::Note { run: going.head.run, n: going.notes, words: text.clone(), at, who };
        going.notes += 1;
        self.parts.writer.write_and_go_on(vec![entry]).await;
        self.show(LaneEvent::Note { at, text }).await;
        Ok(())
    }

    /// Reads an instrument with another profile from the latest chunks on.
    async fn reread(
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
    async fn end(&mut self, why: String, who: String) {
        let Some(going) = &mut self.going else { return };
        let (mut entries, mut events) = (Vec::new(), Vec::new());
        let steps = going.run.finish();
        self.keep_steps(steps, &mut entries, &mut events);
        let Some(Going { run, head, rows, .. }) = self.going.take() else { return };
        let temperature_c = run.temperature_c();
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
        self.keep_anchor().await;
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
        self.fit(head.clone(), end.clone(), evaluation).await;
        self.result(head, end.clone(), temperature_c).await;
        self.show(LaneEvent::Ended { end: Box::new(end) }).await;
        self.tell(FromLane::Busy(false)).await;
    }

    /// Keeps what the fit of the run found, and tells which trend changes with it.
    async fn fit(&self, head: RunHead, end: RunEnd, evaluation: Evaluation) {
        let record = self.parts.record.clone();
        let kept =
            tokio::task::spawn_blocking(move || outcome::of_fit(&record, &head, &end, &evaluation)).await;
        match kept {
            Ok(Ok(Some((entry, changes)))) => {
                // Saved, or kept in memory and told by the writer's state.
                let _told_elsewhere = self.parts.writer.write(vec![entry]).await.await;
                for words in changes {
                    let text = format!("{words}: look at electrode and solutions (`dropwise trend`)");
                    self.show(LaneEvent::Warning { text }).await;
                }
            }
            Ok(Ok(None)) => {}
            Ok(Err(why)) => tracing::warn!(%why, "the trend of the fits is not kept"),
            Err(failure) => tracing::warn!(%failure, "the trend of the fits is not kept"),
        }
    }

    /// Computes what the run comes to, keeps it and tells it.
    async fn result(&mut self, head: RunHead, end: RunEnd, temperature_c: Option<f64>) {
        let (run, record) = (head.run, self.parts.record.clone());
        let computed =
            tokio::task::spawn_blocking(move || outcome::of_run(&record, &head, &end, temperature_c)).await;
        let failed = match computed {
            Ok(Ok(None)) => return,
            Ok(Ok(Some(outcome))) => {
                // Saved, or kept in memory and told by the writer's state.
                let _told_elsewhere = self.parts.writer.write(outcome.entries).await.await;
                self.show(LaneEvent::Result { run, result: Box::new(outcome.result) }).await;
                return;
            }
            Ok(Err(why)) => why,
            Err(failure) => failure.to_string(),
        };
        let text = format!(
            "the result of run {run} was not computed ({failed}); `dropwise reckon {run}` computes it"
        );
        self.show(LaneEvent::Warning { text }).await;
    }
}

/// The answer of the record to the oldest chunk of any line.
async fn next_commit(lines: &mut [Line]) -> (usize, Commit) {
    std::future::poll_fn(|context| {
        for (index, line) in lines.iter_mut().enumerate() {
            let Some(front) = line.pending.front_mut() else { continue };
            if let Poll::Ready(answer) = Pin::new(&mut front.ack).poll(context) {
                let commit = answer
                    .unwrap_or_else(|_| Commit::Waiting("the writer of the record has gone".to_owned()));
                return Poll::Ready((index, commit));
            }
        }
        Poll::Pending
    })
    .await
}

/// The day of the place, for the name of a series.
fn local_date(at: Stamp) -> jiff::civil::Date {
    let utc = jiff::Timestamp::from_microsecond(at.utc_us).unwrap_or_default();
    utc.to_zoned_datetime(jiff::tz::TimeZone::system()).date()
}

async fn at(when: Option<Instant>) {
    match when {
        Some(when) => tokio::time::sleep_until(when.into()).await,
        None => std::future::pending().await,
    }
}
