//! The hub: owns the state, opens benches, routes commands, tells the screens.

use super::Session;
use super::lane::{FromLane, Lane, LaneCommand, LaneParts, Numbers};
use super::line::{Line, forward};
use crate::profile::Profile;
use crate::source::{Chunks, Opening, Port, open};
use crate::source::{Clock, PortError};
use crate::store::{Entry, Error as StoreError, LineRow, NextIds, Writer, WriterState, WriterThread};
use crate::work::{
    BenchPlan, BenchState, Command, Event, Health, LaneId, LaneState, Origin, StoreHealth, VolumeFrom,
};
use std::collections::{BTreeMap, VecDeque};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicI64;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// Messages from lanes that wait for the hub; when it is full the lanes wait, and with them their sources.
const LANE_MESSAGES: usize = 1_024;
/// Events that wait for one screen. A screen that lets so many pile up is dropped, never waited for.
const SCREEN_EVENTS: usize = 4_096;
/// Chunks that wait for one lane; when it is full the sources are held up.
const LANE_CHUNKS: usize = 256;
/// Commands that wait; when it is full the askers wait.
const COMMANDS: usize = 64;

/// How a recorder behaves.
#[derive(Debug, Clone, Copy, Default)]
pub struct RecorderOptions {
    /// Leave after so long without a run and without a screen; `None`: never.
    pub leave_after: Option<Duration>,
    /// A port that is not there at first ends its lane instead of being waited for.
    pub ports_must_exist: bool,
    /// What stands behind the simulated instrument.
    pub simulator: Option<fn(seed: u64) -> Chunks>,
}

/// One wish to the hub.
enum Wish {
    Attach { patient: bool, reply: oneshot::Sender<(u64, mpsc::Receiver<Arc<Event>>)> },
    Command { from: u64, id: u64, command: Command, who: String },
    Detach { screen: u64 },
}

/// A running recorder; cheap to clone.
#[derive(Debug, Clone)]
pub struct Recorder {
    wishes: mpsc::Sender<Wish>,
    cancel: CancellationToken,
    done: CancellationToken,
}

impl std::fmt::Debug for Wish {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Attach { .. } => "Attach",
            Self::Command { .. } => "Command",
            Self::Detach { .. } => "Detach",
        })
    }
}

impl Recorder {
    /// Opens the record and starts the hub; must be called within a tokio runtime.
    ///
    /// The caller must hold the lock of the record.
    ///
    /// # Errors
    /// When the record cannot be opened for writing.
    pub fn start(record: &Path, options: RecorderOptions) -> Result<Self, StoreError> {
        let (writer, thread, ids) = Writer::start(record)?;
        let (wishes, inbox) = mpsc::channel(COMMANDS);
        let (to_hub, from_lanes) = mpsc::channel(LANE_MESSAGES);
        let cancel = CancellationToken::new();
        let done = CancellationToken::new();
        let numbers =
            Arc::new(Numbers { run: AtomicI64::new(ids.run), reckoning: AtomicI64::new(ids.reckoning) });
        let hub = Hub {
            state: BenchState { record: record.display().to_string(), ..BenchState::default() },
            options,
            ids,
            numbers,
            writer,
            thread: Some(thread),
            lanes: BTreeMap::new(),
            screens: BTreeMap::new(),
            next_lane: 1,
            next_screen: 1,
            saved_frames: 0,
            waiting_frames: 0,
            to_hub,
            tracker: TaskTracker::new(),
            cancel: cancel.clone(),
        };
        let ended = done.clone();
        tokio::spawn(async move {
            hub.run(inbox, from_lanes).await;
            ended.cancel();
        });
        Ok(Self { wishes, cancel, done })
    }

    /// Attaches a screen in this process: it is waited for, so that it misses nothing.
    pub async fn attach(&self, who: String) -> Session {
        let (to_recorder, mut commands) = mpsc::channel::<(u64, Command)>(COMMANDS);
        let (to_screen, events) = mpsc::channel(COMMANDS);
        let connection = self.connect(true).await;
        let recorder = self.clone();
        if let Some((screen, mut from_hub)) = connection {
            // Two tasks, so that a screen that waits for the hub never keeps the hub waiting.
            tokio::spawn(async move {
                while let Some((id, command)) = commands.recv().await {
                    recorder.command(screen, id, command, who.clone()).await;
                }
                recorder.detach(screen).await;
            });
            tokio::spawn(async move {
                while let Some(event) = from_hub.recv().await {
                    if to_screen.send(Arc::unwrap_or_clone(event)).await.is_err() {
                        break;
                    }
                }
            });
        }
        Session { commands: to_recorder, events }
    }

    /// Attaches a screen of another process: dropped when it does not read. `None`: the recorder has gone.
    pub async fn connect(&self, patient: bool) -> Option<(u64, mpsc::Receiver<Arc<Event>>)> {
        let (reply, answer) = oneshot::channel();
        self.wishes.send(Wish::Attach { patient, reply }).await.ok()?;
        answer.await.ok()
    }

    /// Asks something on behalf of a screen.
    pub async fn command(&self, screen: u64, id: u64, command: Command, who: String) {
        // A recorder that has gone has told its screens so.
        let _gone = self.wishes.send(Wish::Command { from: screen, id, command, who }).await;
    }

    /// Forgets a screen.
    pub async fn detach(&self, screen: u64) {
        let _gone = self.wishes.send(Wish::Detach { screen }).await;
    }

    /// Stops the sources; runs are ended and everything is committed before [`Self::ended`] returns.
    pub fn stop(&self) {
        self.cancel.cancel();
    }

    /// Waits until the recorder has left and the record is closed.
    pub async fn ended(&self) {
        self.done.cancelled().await;
    }
}

struct Screen {
    events: mpsc::Sender<Arc<Event>>,
    patient: bool,
}

struct LaneHandle {
    commands: mpsc::Sender<LaneCommand>,
    bench: Arc<BenchPlan>,
    busy: bool,
    over: bool,
}

struct Hub {
    state: BenchState,
    options: RecorderOptions,
    ids: NextIds,
    numbers: Arc<Numbers>,
    writer: Writer,
    thread: Option<WriterThread>,
    lanes: BTreeMap<LaneId, LaneHandle>,
    screens: BTreeMap<u64, Screen>,
    next_lane: LaneId,
    next_screen: u64,
    saved_frames: u64,
    waiting_frames: u64,
    to_hub: mpsc::Sender<(LaneId, FromLane)>,
    tracker: TaskTracker,
    cancel: CancellationToken,
}

impl Hub {
    async fn run(
        mut self,
        mut inbox: mpsc::Receiver<Wish>,
        mut from_lanes: mpsc::Receiver<(LaneId, FromLane)>,
    ) {
        let mut writer_state = self.writer.state();
        let mut messages = Vec::new();
        let (answers_in, mut answers) = mpsc::channel::<(u64, Event)>(COMMANDS);
        let mut idle_since = tokio::time::Instant::now();
        let cancel = self.cancel.clone();
        let why = loop {
            let idle = self.screens.is_empty() && self.lanes.values().all(|l| !l.busy);
            if !idle {
                idle_since = tokio::time::Instant::now();
            }
            let leave_at = self.options.leave_after.filter(|_| idle).map(|after| idle_since + after);
            let trouble = writer_state.borrow().trouble.is_some();
            tokio::select! {
                biased;
                () = cancel.cancelled() => break "the recorder was stopped",
                n = from_lanes.recv_many(&mut messages, LANE_MESSAGES) => {
                    if n == 0 {
                        break "every lane has gone";
                    }
                    self.take_messages(&mut messages).await;
                }
                Some((screen, event)) = answers.recv() => self.tell_one(screen, event).await,
                Some(wish) = inbox.recv() => if self.wish(wish, &answers_in).await {
                    break "it was asked to leave";
                },
                changed = writer_state.changed() => {
                    let state = writer_state.borrow_and_update().clone();
                    if changed.is_ok() {
                        self.take_writer_state(&state).await;
                    } else {
                        break "the writer of the record has gone";
                    }
                }
                // While bytes wait for the disk their age grows on the screen.
                () = tokio::time::sleep(Duration::from_secs(1)), if trouble => {
                    let state = writer_state.borrow().clone();
                    self.take_writer_state(&state).await;
                }
                () = sleep_until(leave_at) => break "nothing was going on and nobody looked on",
            }
        };
        self.leave(why, from_lanes, messages).await;
    }

    /// Ends the lanes, lets them say their last, closes the record.
    async fn leave(
        mut self,
        why: &str,
        mut from_lanes: mpsc::Receiver<(LaneId, FromLane)>,
        mut messages: Vec<(LaneId, FromLane)>,
    ) {
        self.cancel.cancel();
        self.tracker.close();
        let tracker = self.tracker.clone();
        loop {
            tokio::select! {
                biased;
                n = from_lanes.recv_many(&mut messages, LANE_MESSAGES) => {
                    if n == 0 { break; }
                    self.take_messages(&mut messages).await;
                }
                () = tracker.wait() => {
                    while let Ok(message) = from_lanes.try_recv() {
                        messages.push(message);
                    }
                    self.take_messages(&mut messages).await;
                    break;
                }
            }
        }
        // The thread ends when its last sender is gone, and that is the hub's.
        let Self { writer, thread, screens, .. } = self;
        drop(writer);
        let why = why.to_owned();
        let unsaved = match thread {
            Some(thread) => tokio::task::spawn_blocking(move || thread.finish()).await.unwrap_or(None),
            None => None,
        };
        let why = unsaved.map_or(why.clone(), |words| format!("{why}; not everything is saved: {words}"));
        for screen in screens.into_values() {
            let _screen_gone = screen.events.try_send(Arc::new(Event::Leaving { why: why.clone() }));
        }
    }

    async fn take_messages(&mut self, messages: &mut Vec<(LaneId, FromLane)>) {
        let before = self.state.store.clone();
        for (lane, message) in messages.drain(..) {
            match message {
                FromLane::Event(what) => self.tell(Event::Lane { lane, what }).await,
                FromLane::Saved(frames) => self.saved_frames += frames,
                FromLane::Waiting(frames) => self.waiting_frames += frames,
                FromLane::Slow(age) => {
                    self.state.store.oldest_unsaved_ms = u64::try_from(age.as_millis()).unwrap_or(u64::MAX);
                }
                FromLane::Busy(busy) => {
                    if let Some(handle) = self.lanes.get_mut(&lane) {
                        handle.busy = busy;
                    }
                }
                FromLane::Over => {
                    if let Some(handle) = self.lanes.get_mut(&lane) {
                        handle.over = true;
                    }
                }
            }
        }
        if self.state.store.trouble.is_none() {
            // Batches are committed in their order: without trouble nothing waits any more.
            self.saved_frames += std::mem::take(&mut self.waiting_frames);
        }
        if self.saved_frames != before.saved_lines || self.state.store != before {
            let mut health = self.state.store.clone();
            if health.saved_lines != self.saved_frames {
                health.oldest_unsaved_ms = 0;
            }
            health.saved_lines = self.saved_frames;
            self.tell(Event::Store { health }).await;
        }
    }

    async fn take_writer_state(&mut self, writer: &WriterState) {
        if writer.trouble.is_none() {
            self.saved_frames += std::mem::take(&mut self.waiting_frames);
        }
        let age = writer.oldest.map_or(Duration::ZERO, |since| since.elapsed());
        let health = StoreHealth {
            saved_lines: self.saved_frames,
            unsaved_chunks: writer.waiting_batches,
            unsaved_bytes: writer.waiting_bytes,
            oldest_unsaved_ms: u64::try_from(age.as_millis()).unwrap_or(u64::MAX),
            trouble: writer.trouble.clone(),
        };
        self.tell(Event::Store { health }).await;
    }

    /// Applies an event and hands it to every screen.
    async fn tell(&mut self, event: Event) {
        self.state.apply(&event);
        let event = Arc::new(event);
        let mut gone = Vec::new();
        for (number, screen) in &self.screens {
            let sent = if screen.patient {
                screen.events.send(Arc::clone(&event)).await.is_ok()
            } else {
                screen.events.try_send(Arc::clone(&event)).is_ok()
            };
            if !sent {
                gone.push(*number);
            }
        }
        for number in gone {
            tracing::info!(number, "a screen has gone or does not read; it is dropped");
            self.screens.remove(&number);
        }
    }

    async fn tell_one(&mut self, screen: u64, event: Event) {
        if let Some(to) = self.screens.get(&screen) {
            let event = Arc::new(event);
            let sent = if to.patient {
                to.events.send(event).await.is_ok()
            } else {
                to.events.try_send(event).is_ok()
            };
            if !sent {
                self.screens.remove(&screen);
            }
        }
    }

    /// Does what is wished; `true`: the recorder is to leave.
    async fn wish(&mut self, wish: Wish, answers: &mpsc::Sender<(u64, Event)>) -> bool {
        match wish {
            Wish::Attach { patient, reply } => {
                let (events, inbox) = mpsc::channel(SCREEN_EVENTS);
                let snapshot = Event::Snapshot { state: Box::new(self.state.clone()) };
                let number = self.next_screen;
                self.next_screen += 1;
                if events.try_send(Arc::new(snapshot)).is_ok() && reply.send((number, inbox)).is_ok() {
                    self.screens.insert(number, Screen { events, patient });
                }
                false
            }
            Wish::Detach { screen } => {
                self.screens.remove(&screen);
                false
            }
            Wish::Command { from, id, command, who } => self.command(from, id, command, who, answers).await,
        }
    }

    async fn command(
        &mut self,
        from: u64,
        id: u64,
        command: Command,
        who: String,
        answers: &mpsc::Sender<(u64, Event)>,
    ) -> bool {
        let lane = match &command {
            Command::Start { lane, .. }
            | Command::Mark { lane, .. }
            | Command::Note { lane, .. }
            | Command::End { lane, .. } => *lane,
            Command::Open { bench } => {
                let opened = self.open(bench).await;
                let answer = Event::Answer { id, lane: opened.as_ref().ok().copied(), refused: opened.err() };
                self.tell_one(from, answer).await;
                return false;
            }
            Command::SetAside { run, reason } => {
                let refused = self.set_aside(*run, reason, who).await.err();
                self.tell_one(from, Event::Answer { id, refused, lane: None }).await;
                return false;
            }
            Command::Leave => {
                let busy = self.lanes.values().any(|l| l.busy);
                let refused = busy.then(|| "a run is going on; end it first".to_owned());
                self.tell_one(from, Event::Answer { id, refused, lane: None }).await;
                return !busy;
            }
        };
        let answer = move |refused| Event::Answer { id, refused, lane: None };
        let Some(handle) = self.lanes.get(&lane) else {
            self.tell_one(from, answer(Some(format!("there is no lane {lane}")))).await;
            return false;
        };
        if handle.over {
            self.tell_one(from, answer(Some("the line of this bench is at its end".to_owned()))).await;
            return false;
        }
        let (reply, outcome) = oneshot::channel();
        let commands = handle.commands.clone();
        let answers = answers.clone();
        // The lane may be busy with an evaluation; the hub does not wait for it.
        tokio::spawn(async move {
            let refused = match commands.send(LaneCommand { command, who, reply }).await {
                Ok(()) => outcome.await.unwrap_or_else(|_| Err("the lane has ended".to_owned())).err(),
                Err(_) => Some("the lane has ended".to_owned()),
            };
            let _hub_gone = answers.send((from, answer(refused))).await;
        });
        false
    }

    async fn set_aside(&mut self, run: i64, reason: &str, who: String) -> Result<(), String> {
        if reason.trim().is_empty() {
            return Err("a run is set aside only with a reason".to_owned());
        }
        let going = self
            .state
            .lanes
            .iter()
            .filter_map(|l| l.run.as_ref())
            .any(|r| r.head.run == run && r.end.is_none());
        if going {
            return Err(format!("run {run} is going on; end it first"));
        }
        let utc_us = Clock::start().stamp().utc_us;
        let entry = Entry::SetAside { run, reason: reason.to_owned(), utc_us, who };
        self.writer.write_and_go_on(vec![entry]).await;
        Ok(())
    }

    /// Opens a bench; one that is open already keeps its lane.
    async fn open(&mut self, bench: &BenchPlan) -> Result<LaneId, String> {
        let same = self.lanes.iter().find(|(_, l)| l.bench.bench.title == bench.bench.title);
        if let Some((&id, handle)) = same {
            if !handle.over {
                return if *handle.bench == *bench {
                    Ok(id)
                } else {
                    Err(format!(
                        "a bench called \"{}\" is open with other settings; give this one another title, or end the recorder first",
                        bench.bench.title
                    ))
                };
            }
            self.lanes.remove(&id);
            self.tell(Event::Closed { lane: id }).await;
        }
        let mut parts = Vec::new();
        for plan in &bench.lines {
            let profile = Profile::parse(&plan.profile_name, &plan.profile_text)
                .map_err(|faults| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))?;
            let port: Port = plan.port.parse().map_err(|e: PortError| e.to_string())?;
            parts.push((plan, Arc::new(profile), port));
        }
        if parts.is_empty() {
            return Err(format!("the bench \"{}\" names no instrument", bench.bench.title));
        }
        let id = self.next_lane;
        self.next_lane += 1;
        let cancel = self.cancel.child_token();
        let (to_lane, sources) = mpsc::channel(LANE_CHUNKS);
        let (commands_in, commands) = mpsc::channel(COMMANDS);
        let mut lines = Vec::new();
        let mut entries = Vec::new();
        let origins: Vec<Origin> = parts.iter().map(|(_, _, port)| origin_of(port)).collect();
        let utc_us = Clock::start().stamp().utc_us;
        for (index, ((plan, profile, port), origin)) in parts.iter().zip(&origins).enumerate() {
            let (line_id, decoding_id) = (self.ids.line, self.ids.decoding);
            self.ids.line += 1;
            self.ids.decoding += 1;
            entries.push(Entry::Line(Box::new(LineRow {
                line_id,
                bench: bench.bench.title.clone(),
                instrument: profile.title.clone(),
                port: plan.port.clone(),
                origin: *origin,
                bench_text: bench.text.clone(),
                opened_utc_us: utc_us,
                utc_offset_s: utc_offset_s(),
            })));
            let profile_text = plan.profile_text.clone();
            entries.push(Entry::Decoding { decoding_id, line_id, profile_text, utc_us });
            let opening = Opening {
                line: profile.wire.line,
                must_exist: self.options.ports_must_exist,
                simulator: self.options.simulator,
            };
            let handle = open(port.clone(), opening, cancel.clone());
            let write = forward(index, handle, to_lane.clone());
            lines.push(Line::new(line_id, decoding_id, Arc::clone(profile), write));
        }
        drop(to_lane);
        self.writer.write_and_go_on(entries).await;
        let bench = Arc::new(bench.clone());
        let instruments: Vec<&str> = parts.iter().map(|(_, profile, _)| profile.title.as_str()).collect();
        let ports: Vec<&str> = parts.iter().map(|(plan, _, _)| plan.port.as_str()).collect();
        let lane = LaneState {
            id,
            title: bench.bench.title.clone(),
            instrument: instruments.join(" + "),
            port: ports.join(" + "),
            keyed: matches!(bench.bench.volume, VolumeFrom::Keyed { .. }),
            health: Health::Opening,
            frames: VecDeque::new(),
            frames_total: 0,
            frames_not_understood: 0,
            latest: Vec::new(),
            run: None,
            warnings: VecDeque::new(),
        };
        self.tell(Event::Opened { lane: Box::new(lane) }).await;
        let lane = Lane::new(LaneParts {
            id,
            bench: Arc::clone(&bench),
            origin: origins.iter().copied().find(|o| !o.is_real()).unwrap_or(origins[0]),
            lines,
            sources,
            commands,
            writer: self.writer.clone(),
            hub: self.to_hub.clone(),
            numbers: Arc::clone(&self.numbers),
            cancel,
        });
        self.tracker.spawn(lane.run());
        self.lanes.insert(id, LaneHandle { commands: commands_in, bench, busy: false, over: false });
        Ok(id)
    }
}

/// Offset of the local time from UTC now, in seconds.
fn utc_offset_s() -> i32 {
    jiff::ZonedDateTime::now().offset().seconds()
}

fn origin_of(port: &Port) -> Origin {
    match port {
        Port::Serial { .. } | Port::Usb { .. } => Origin::Serial,
        Port::Tcp { .. } => Origin::Network,
        Port::File { .. } | Port::Stdin => Origin::File,
        Port::Capture { .. } => Origin::Capture,
        Port::Simulator { .. } => Origin::Simulator,
    }
}

async fn sleep_until(when: Option<tokio::time::Instant>) {
    match when {
        Some(when) => tokio::time::sleep_until(when).await,
        None => std::future::pending().await,
    }
}
