//! The hub: owns the state, routes commands, tells the screens.

use super::hand::{Hand, Moved};
use super::lane::{FromLane, LaneCommand, Numbers};
use super::outcome::of_choice;
use super::reckon::{ReckonSettings, Reckoner};
use super::recorder::RecorderOptions;
use crate::source::Clock;
use crate::store::{
    Commit, Entry, Error as StoreError, NewDatum, NextIds, SIGNATURE, Writer, WriterState, WriterThread,
};
use crate::work::{
    BenchPlan, BenchState, Caller, Command, Document, Event, HandWish, Identity, LaneEvent, LaneId, RunId,
    StoreHealth, kind,
};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// Messages from lanes that wait for the hub; when it is full the lanes wait, and with them their sources.
pub(super) const LANE_MESSAGES: usize = 1_024;
/// Events that wait for one screen. A screen that lets so many pile up is dropped, never waited for.
pub(super) const SCREEN_EVENTS: usize = 4_096;
/// Chunks that wait for one lane; when it is full the sources are held up.
pub(super) const LANE_CHUNKS: usize = 256;
/// Commands that wait; when it is full the askers wait.
pub(super) const COMMANDS: usize = 64;

/// One wish to the hub.
pub(super) enum Wish {
    Attach { patient: bool, reply: oneshot::Sender<(u64, mpsc::Receiver<Arc<Event>>)> },
    Command { from: u64, id: u64, command: Command, caller: Caller },
    MayLook { caller: Caller, reply: oneshot::Sender<bool> },
    Detach { screen: u64 },
}

impl std::fmt::Debug for Wish {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Attach { .. } => "Attach",
            Self::Command { .. } => "Command",
            Self::MayLook { .. } => "MayLook",
            Self::Detach { .. } => "Detach",
        })
    }
}

pub(super) struct Screen {
    events: mpsc::Sender<Arc<Event>>,
    patient: bool,
}

pub(super) struct LaneHandle {
    pub(super) commands: mpsc::Sender<LaneCommand>,
    pub(super) bench: Arc<BenchPlan>,
    pub(super) busy: bool,
    pub(super) over: bool,
    pub(super) cancel: CancellationToken,
    pub(super) hand: Hand,
}

/// The hub.
pub(super) struct Hub {
    pub(super) state: BenchState,
    pub(super) options: RecorderOptions,
    pub(super) ids: NextIds,
    pub(super) numbers: Arc<Numbers>,
    pub(super) writer: Writer,
    pub(super) record: PathBuf,
    pub(super) thread: Option<WriterThread>,
    pub(super) lanes: BTreeMap<LaneId, LaneHandle>,
    pub(super) screens: BTreeMap<u64, Screen>,
    pub(super) next_lane: LaneId,
    pub(super) next_screen: u64,
    pub(super) saved_frames: u64,
    pub(super) waiting_frames: u64,
    pub(super) to_hub: mpsc::Sender<(LaneId, FromLane)>,
    pub(super) tracker: TaskTracker,
    pub(super) cancel: CancellationToken,
}

impl Hub {
    /// Opens the record.
    pub(super) fn new(
        record: &Path,
        options: RecorderOptions,
        cancel: CancellationToken,
    ) -> Result<(Self, mpsc::Receiver<(LaneId, FromLane)>), StoreError> {
        let (writer, thread, ids) = Writer::start_with(record, options.unsaved_to.as_deref())?;
        let (to_hub, from_lanes) = mpsc::channel(LANE_MESSAGES);
        let numbers = Numbers {
            decoding: AtomicI64::new(ids.decoding),
            run: AtomicI64::new(ids.run),
            reckoning: AtomicI64::new(ids.reckoning),
        };
        let hub = Self {
            state: BenchState { record: record.display().to_string(), ..BenchState::default() },
            options,
            ids,
            numbers: Arc::new(numbers),
            writer,
            record: record.to_owned(),
            thread: Some(thread),
            lanes: BTreeMap::new(),
            screens: BTreeMap::new(),
            next_lane: 1,
            next_screen: 1,
            saved_frames: 0,
            waiting_frames: 0,
            to_hub,
            tracker: TaskTracker::new(),
            cancel,
        };
        Ok((hub, from_lanes))
    }

    pub(super) async fn run(
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
    pub(super) async fn tell(&mut self, event: Event) {
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
            Wish::MayLook { caller, reply } => {
                let may =
                    caller.owner || self.lanes.values().any(|l| l.bench.bench.people.lets_look(&caller));
                // An asker that has gone needs no answer.
                let _gone = reply.send(may);
                false
            }
            Wish::Command { from, id, command, caller } => match self.refuses(&command, &caller) {
                Some(why) => {
                    self.tell_one(from, Event::Answer { id, refused: Some(why), lane: None }).await;
                    false
                }
                None => {
                    let leaves = self.command(from, id, command, caller.who(), answers).await;
                    self.tell_hands().await;
                    leaves
                }
            },
        }
    }

    /// Tells the screens where a hand has moved, or somebody asks for it.
    async fn tell_hands(&mut self) {
        let mut moved = Vec::new();
        for (lane, handle) in &self.lanes {
            let (holder, asks) = handle.hand.told();
            let shown =
                self.state.lane(*lane).map(|lane| (lane.people.hand.clone(), lane.people.asks.clone()));
            if shown.is_some_and(|shown| shown != (holder.clone(), asks.clone())) {
                moved.push(Event::Lane { lane: *lane, what: LaneEvent::Hand { holder, asks } });
            }
        }
        for event in moved {
            self.tell(event).await;
        }
    }

    /// Why somebody may not have that done, in words.
    fn refuses(&mut self, command: &Command, caller: &Caller) -> Option<String> {
        let who = caller.who();
        match command {
            Command::Start { lane, .. }
            | Command::Queue { lane, .. }
            | Command::Mark { lane, .. }
            | Command::Seen { lane, .. }
            | Command::Note { lane, .. }
            | Command::Reread { lane, .. }
            | Command::End { lane, .. } => {
                // A lane that is not there is told by whoever would obey.
                let handle = self.lanes.get_mut(lane)?;
                let people = &handle.bench.bench.people;
                people.refuses(caller).or_else(|| handle.hand.check(&who, command, handle.busy).err())
            }
            Command::Hand { lane, .. } => self.lanes.get(lane)?.bench.bench.people.refuses(caller),
            Command::Open { bench, start, confirms_sending } => {
                // Who may command stands in the bench file, and that is the owner's.
                if !caller.owner {
                    return Some("only the owner of the recorder opens benches".to_owned());
                }
                let people = &bench.bench.people;
                let open = self.lanes.values_mut().find(|l| l.bench.bench.title == bench.bench.title);
                // To open it decides nothing yet: its screens ask for the name or the key.
                let decides = start.is_some() || *confirms_sending;
                people
                    .refuses(caller)
                    .filter(|_| decides || people.identity == Identity::Account)
                    .or_else(|| open.and_then(|l| l.hand.check(&who, command, l.busy).err()))
            }
            Command::SetAside { .. } | Command::Reckon { .. } | Command::Enter { .. } => {
                let may =
                    caller.owner || self.lanes.values().any(|l| l.bench.bench.people.lets_command(caller));
                let people = self.lanes.values().map(|l| &l.bench.bench.people);
                let mut keyed = people.filter(|p| p.identity == Identity::Key);
                // A key has to be enrolled before anybody is known by it, and a signature proves itself.
                let own_proof = matches!(command, Command::Enter { document } if matches!(document.kind.as_str(), "key" | SIGNATURE));
                (!may)
                    .then(|| format!("{} may look on and not command here", caller.account))
                    .or_else(|| keyed.find_map(|people| people.refuses(caller)).filter(|_| !own_proof))
            }
            // Whoever holds the connection knows who sits at its other end.
            Command::Name { .. } => Some("only a screen of its own process names who sits there".to_owned()),
            Command::Leave => (!caller.owner).then(|| "only its owner ends the recorder".to_owned()),
        }
    }

    async fn hand(&mut self, lane: LaneId, wish: &HandWish, who: String) -> Result<(), String> {
        let run = self.state.lanes.iter().find(|l| l.id == lane).and_then(|l| l.run.as_ref());
        let run = run.filter(|run| run.end.is_none()).map(|run| run.head.run).ok_or("no run is going on")?;
        let handle = self.lanes.get_mut(&lane).ok_or("there is no such lane")?;
        let text = match handle.hand.wish(&who, wish, std::time::Instant::now())? {
            Moved::Asked(text) => text,
            Moved::To { verb, why, words } => {
                let decided =
                    Entry::Decided { who, verb: verb.to_owned(), subject: format!("run {run}"), why };
                // Saved, or kept in memory and told by the writer's state.
                let _told_elsewhere = self.writer.write(vec![decided]).await.await;
                words
            }
        };
        self.tell(Event::Lane { lane, what: LaneEvent::Warning { text } }).await;
        Ok(())
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
            | Command::Queue { lane, .. }
            | Command::Mark { lane, .. }
            | Command::Seen { lane, .. }
            | Command::Note { lane, .. }
            | Command::Reread { lane, .. }
            | Command::End { lane, .. } => *lane,
            Command::Open { bench, start, confirms_sending } => {
                let confirmed_by = confirms_sending.then(|| who.clone());
                let (reply, outcome) = oneshot::channel();
                let command = start.clone().map(|plan| Command::Start { lane: 0, plan });
                let first = command.map(|command| LaneCommand { command, who, reply });
                let waits = first.is_some();
                let opened = self.open(bench, first, confirmed_by).await;
                let lane = opened.as_ref().ok().copied();
                match opened {
                    Ok(_) if waits => answer_later(answers.clone(), (from, id, lane), outcome),
                    opened => {
                        let answer = Event::Answer { id, lane, refused: opened.err() };
                        self.tell_one(from, answer).await;
                    }
                }
                return false;
            }
            Command::SetAside { run, reason } => {
                let refused = self.set_aside(*run, reason, who).await.err();
                self.tell_one(from, Event::Answer { id, refused, lane: None }).await;
                return false;
            }
            Command::Hand { lane, wish } => {
                let refused = self.hand(*lane, wish, who).await.err();
                self.tell_one(from, Event::Answer { id, refused, lane: None }).await;
                return false;
            }
            Command::Reckon { run, profile, procedure, why } => {
                let settings = ReckonSettings {
                    profile: profile.clone(),
                    procedure: procedure.clone(),
                    who,
                    why: why.clone(),
                };
                self.reckon(*run, settings, answers.clone(), (from, id));
                return false;
            }
            Command::Enter { document } => {
                let refused = self.enter(document, who).await.err();
                self.tell_one(from, Event::Answer { id, refused, lane: None }).await;
                return false;
            }
            // Refused before it came so far.
            Command::Name { .. } => return false,
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
        let lane_commands = handle.commands.clone();
        // The lane may be busy with an evaluation; the hub does not wait for it. A lane that has ended
        // drops the reply, which is answered in words.
        tokio::spawn(async move {
            let _ended = lane_commands.send(LaneCommand { command, who, reply }).await;
        });
        answer_later(answers.clone(), (from, id, None), outcome);
        false
    }

    /// Enters a document; the answer comes when it is committed.
    async fn enter(&self, document: &Document, who: String) -> Result<(), String> {
        if crate::work::is_computed(&document.kind) {
            return Err(format!("a {} follows from runs; it is not entered", document.kind));
        }
        let utc_us = Clock::start().stamp().utc_us;
        let mut entries = vec![Entry::Datum(Box::new(NewDatum::new(document, who, utc_us)))];
        if document.kind == kind::REPORTED {
            // What follows from the choice stands in the same transaction.
            let (record, document) = (self.record.clone(), document.clone());
            let follows = tokio::task::spawn_blocking(move || of_choice(&record, &document, utc_us)).await;
            entries.extend(follows.map_err(|failure| failure.to_string())??);
        }
        write(&self.writer, entries).await
    }

    /// Evaluates a stored run again beside everything else; the answer comes when it is committed.
    fn reckon(
        &self,
        run: RunId,
        settings: ReckonSettings,
        answers: mpsc::Sender<(u64, Event)>,
        (from, id): (u64, u64),
    ) {
        let (record, writer, numbers) = (self.record.clone(), self.writer.clone(), Arc::clone(&self.numbers));
        let goes_on = self.goes_on(run);
        tokio::spawn(async move {
            let done = async {
                if goes_on {
                    return Err(format!("run {run} is going on; end it first"));
                }
                let made = tokio::task::spawn_blocking(move || {
                    let id = numbers.reckoning.fetch_add(1, Ordering::SeqCst);
                    let mut decoding = || numbers.decoding.fetch_add(1, Ordering::SeqCst);
                    let mut reckoner = Reckoner::open(&record)?;
                    reckoner.make(run, &settings, id, &mut decoding)
                });
                let entries = made.await.map_err(|failure| failure.to_string())?;
                write(&writer, entries.map_err(|e| e.to_string())?).await
            };
            let refused = done.await.err();
            let _hub_gone = answers.send((from, Event::Answer { id, refused, lane: None })).await;
        });
    }

    /// Whether a run of a lane goes on.
    fn goes_on(&self, run: RunId) -> bool {
        let mut runs = self.state.lanes.iter().filter_map(|l| l.run.as_ref());
        runs.any(|r| r.head.run == run && r.end.is_none())
    }

    async fn set_aside(&mut self, run: i64, reason: &str, who: String) -> Result<(), String> {
        if reason.trim().is_empty() {
            return Err("a run is set aside only with a reason".to_owned());
        }
        if self.goes_on(run) {
            return Err(format!("run {run} is going on; end it first"));
        }
        let utc_us = Clock::start().stamp().utc_us;
        write(&self.writer, vec![Entry::SetAside { run, reason: reason.to_owned(), utc_us, who }]).await
    }
}

/// Writes entries and waits until they are committed.
async fn write(writer: &Writer, entries: Vec<Entry>) -> Result<(), String> {
    match writer.write(entries).await.await {
        Ok(Commit::Saved) => Ok(()),
        Ok(Commit::Waiting(why)) => Err(format!("it is not saved yet: {why}")),
        Err(_) => Err("the writer of the record has gone".to_owned()),
    }
}

/// Tells the asker what the lane answers, once it does.
fn answer_later(
    answers: mpsc::Sender<(u64, Event)>,
    (from, id, lane): (u64, u64, Option<LaneId>),
    outcome: oneshot::Receiver<Result<(), String>>,
) {
    tokio::spawn(async move {
        let refused = outcome.await.unwrap_or_else(|_| Err("the lane has ended".to_owned())).err();
        let _hub_gone = answers.send((from, Event::Answer { id, refused, lane })).await;
    });
}

async fn sleep_until(when: Option<tokio::time::Instant>) {
    match when {
        Some(when) => tokio::time::sleep_until(when).await,
        None => std::future::pending().await,
    }
}
