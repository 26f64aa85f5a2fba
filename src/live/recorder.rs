//! The recorder as others hold it: start, attach, ask, stop.

use super::Session;
use super::hub::{COMMANDS, Hub, Wish};
use crate::source::Chunks;
use crate::store::{Error as StoreError, Reader, proves, short};
use crate::work::{Caller, Command, Event};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

/// How a recorder behaves.
#[derive(Debug, Clone, Default)]
pub struct RecorderOptions {
    /// Leave after so long without a run and without a screen; `None`: never.
    pub leave_after: Option<Duration>,
    /// A port that is not there at first ends its lane instead of being waited for.
    pub ports_must_exist: bool,
    /// Folder for what cannot be saved to the end; `None`: beside the record, or the system's temporary folder.
    pub unsaved_to: Option<PathBuf>,
    /// What stands behind the simulated instrument.
    pub simulator: Option<fn(seed: u64, beaker: Option<&str>) -> Chunks>,
}

/// A running recorder; cheap to clone.
#[derive(Debug, Clone)]
pub struct Recorder {
    record: Arc<Path>,
    wishes: mpsc::Sender<Wish>,
    cancel: CancellationToken,
    done: CancellationToken,
}

impl Recorder {
    /// Opens the record and starts the hub; must be called within a tokio runtime.
    ///
    /// The caller must hold the lock of the record.
    ///
    /// # Errors
    /// When the record cannot be opened for writing.
    pub fn start(record: &Path, options: RecorderOptions) -> Result<Self, StoreError> {
        let (wishes, inbox) = mpsc::channel(COMMANDS);
        let cancel = CancellationToken::new();
        let done = CancellationToken::new();
        let (hub, from_lanes) = Hub::new(record, options, cancel.clone())?;
        let ended = done.clone();
        tokio::spawn(async move {
            hub.run(inbox, from_lanes).await;
            ended.cancel();
        });
        Ok(Self { record: Arc::from(record), wishes, cancel, done })
    }

    /// Attaches a screen in this process: it is waited for, so that it misses nothing.
    pub async fn attach(&self, caller: Caller) -> Session {
        let (to_recorder, mut commands) = mpsc::channel::<(u64, Command)>(COMMANDS);
        let (to_screen, events) = mpsc::channel(COMMANDS);
        let connection = self.connect(true).await;
        let recorder = self.clone();
        if let Some((screen, mut from_hub)) = connection {
            // Two tasks, so that a screen that waits for the hub never keeps the hub waiting.
            tokio::spawn(async move {
                while let Some((id, command)) = commands.recv().await {
                    recorder.command(screen, id, command, caller.clone()).await;
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

    /// The caller as the key of a name proves it.
    ///
    /// # Errors
    /// In words, when no such key is enrolled, or it made no such proof.
    pub async fn proved(
        &self,
        caller: Caller,
        name: String,
        proof: String,
        challenge: String,
    ) -> Result<Caller, String> {
        let record = Arc::clone(&self.record);
        let checked = tokio::task::spawn_blocking(move || {
            let enrolled = Reader::open(&record).and_then(|reader| reader.enrolled_key(&name));
            let public = enrolled
                .map_err(|e| e.to_string())?
                .ok_or_else(|| format!("no key of {name} is enrolled in this record"))?;
            if !proves(&public, &challenge, &proof) {
                return Err(format!("that was not the key of {name} that is enrolled in this record"));
            }
            Ok(Caller { name: Some(name), key: Some(short(&public).to_owned()), ..caller })
        });
        checked.await.unwrap_or_else(|failure| Err(failure.to_string()))
    }

    /// Whether somebody may look on; `None`: the recorder has gone.
    pub async fn lets_look(&self, caller: Caller) -> Option<bool> {
        let (reply, answer) = oneshot::channel();
        self.wishes.send(Wish::MayLook { caller, reply }).await.ok()?;
        answer.await.ok()
    }

    /// Asks something on behalf of a screen.
    pub async fn command(&self, screen: u64, id: u64, command: Command, caller: Caller) {
        // A recorder that has gone has told its screens so.
        let _gone = self.wishes.send(Wish::Command { from: screen, id, command, caller }).await;
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
