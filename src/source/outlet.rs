//! The source's side of its channels: stamping, telling, waiting, stopping.

use super::{Clock, SourceError, SourceEvent};
use crate::reading::Stamp;
use bytes::Bytes;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

/// A queue that was full for longer than this is told: a serial port may have overrun meanwhile.
const HELD_UP: Duration = Duration::from_secs(1);

/// Nobody listens any more.
#[derive(Debug)]
pub(super) struct NobodyListens;

/// Where events go.
#[derive(Debug)]
pub(super) struct Outlet {
    events: mpsc::Sender<SourceEvent>,
    clock: Mutex<Clock>,
    /// Whether bytes that are not taken in time are lost.
    lossy: bool,
}

/// Everything a source task holds towards its user.
#[derive(Debug)]
pub(super) struct Wiring {
    pub(super) outlet: Outlet,
    pub(super) write: mpsc::Receiver<Bytes>,
    pub(super) cancel: CancellationToken,
}

impl Outlet {
    fn clock(&self) -> MutexGuard<'_, Clock> {
        self.clock.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The time now.
    pub(super) fn stamp(&self) -> Stamp {
        self.clock().stamp()
    }

    /// Hands on bytes that have just been read.
    pub(super) async fn bytes(&self, bytes: &[u8]) -> Result<(), NobodyListens> {
        let at = self.stamp();
        let moved = self.clock().moved(at);
        if let Some(moved_s) = moved {
            let text = format!("the computer's clock was moved by {moved_s:+.1} s, or the computer slept");
            self.send(SourceEvent::Warning { at, text }).await?;
        }
        let began = Instant::now();
        self.send(SourceEvent::Bytes { at, bytes: Bytes::copy_from_slice(bytes) }).await?;
        let held = began.elapsed();
        if self.lossy && held > HELD_UP {
            let text = format!(
                "nobody took the data for {:.1} s; what did not fit the buffer of the system is lost",
                held.as_secs_f64()
            );
            self.send(SourceEvent::Warning { at: self.stamp(), text }).await?;
        }
        Ok(())
    }

    /// Hands on any event, waiting for room.
    pub(super) async fn send(&self, event: SourceEvent) -> Result<(), NobodyListens> {
        self.events.send(event).await.map_err(|_| NobodyListens)
    }

    pub(super) async fn opened(&self, what: String, remarks: Vec<String>) -> Result<(), NobodyListens> {
        self.send(SourceEvent::Opened { at: self.stamp(), what, remarks }).await
    }

    pub(super) async fn gone(&self, why: impl Into<String>) -> Result<(), NobodyListens> {
        self.send(SourceEvent::Gone { at: self.stamp(), why: why.into() }).await
    }

    pub(super) async fn not_sent(&self, bytes: Bytes, why: impl Into<String>) -> Result<(), NobodyListens> {
        self.send(SourceEvent::NotSent { at: self.stamp(), bytes, why: why.into() }).await
    }

    /// Waits until nobody listens.
    pub(super) async fn closed(&self) {
        self.events.closed().await;
    }
}

impl Wiring {
    pub(super) fn new(
        events: mpsc::Sender<SourceEvent>,
        write: mpsc::Receiver<Bytes>,
        cancel: CancellationToken,
        lossy: bool,
    ) -> Self {
        Self { outlet: Outlet { events, clock: Mutex::new(Clock::start()), lossy }, write, cancel }
    }

    /// Waits until the source is to stop.
    pub(super) async fn stopped(&self) {
        tokio::select! {
            () = self.cancel.cancelled() => {}
            () = self.outlet.closed() => {}
        }
    }

    /// Waits, giving back every write with `why`; `false` when the source is to stop.
    pub(super) async fn pause(&mut self, wait: Duration, why: &str) -> bool {
        let mut end = std::pin::pin!(tokio::time::sleep(wait));
        loop {
            tokio::select! {
                biased;
                () = self.cancel.cancelled() => return false,
                () = self.outlet.closed() => return false,
                () = &mut end => return true,
                Some(bytes) = self.write.recv() => {
                    if self.outlet.not_sent(bytes, why).await.is_err() {
                        return false;
                    }
                }
            }
        }
    }

    /// Takes the next item, giving back every write with `why`; `None` when the source is to stop,
    /// `Some(None)` when there are no more items.
    pub(super) async fn take<T>(&mut self, items: &mut mpsc::Receiver<T>, why: &str) -> Option<Option<T>> {
        loop {
            tokio::select! {
                biased;
                () = self.cancel.cancelled() => return None,
                () = self.outlet.closed() => return None,
                Some(bytes) = self.write.recv() => self.outlet.not_sent(bytes, why).await.ok()?,
                item = items.recv() => return Some(item),
            }
        }
    }

    /// Says that the source is at its end.
    pub(super) async fn over(self, why: impl Into<String>) {
        let at = self.outlet.stamp();
        self.last(SourceEvent::Over { at, why: why.into() }).await;
    }

    /// Says that the source cannot be used.
    pub(super) async fn fail(self, error: &SourceError) {
        let at = self.outlet.stamp();
        self.last(SourceEvent::Failed { at, why: error.to_string() }).await;
    }

    /// The last event; if nobody listens there is nobody to tell.
    pub(super) async fn last(self, event: SourceEvent) {
        if self.outlet.send(event).await.is_err() {
            tracing::debug!("the source ended and nobody listened");
        }
    }
}
