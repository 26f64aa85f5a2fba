//! One bench: its instruments, and the run that goes on.
//!
//! Bytes go to the record first; they are decoded when the record has committed them, or has said
//! in words that it cannot. Then readings, points and findings follow, and are written behind.

mod end;
mod start;
mod told;

use super::again::{LINE_OVER, STOPPED};
use super::line::{Line, Pending};
use crate::profile::Decoded;
use crate::reading::Stamp;
use crate::source::SourceEvent;
use crate::store::{Commit, Direction, Entry, ReckoningRows, Writer};
use crate::work::{
    BenchPlan, Command, FrameFate, Health, LaneEvent, LaneId, Origin, Queued, RECORDER, Run, RunHead,
    RunPlan, Step, Weighing,
};
use bytes::Bytes;
use std::collections::VecDeque;
use std::future::Future;
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::AtomicI64;
use std::task::Poll;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

/// Chunks of one line that may wait for the disk; when so many do, the source is held up.
const PENDING_CHUNKS: usize = 512;

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

async fn at(when: Option<Instant>) {
    match when {
        Some(when) => tokio::time::sleep_until(when.into()).await,
        None => std::future::pending().await,
    }
}
