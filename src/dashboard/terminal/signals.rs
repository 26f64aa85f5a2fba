//! Signals of the system that close the screen.

use super::Leave;
use std::io;

/// The signals that close the screen.
#[cfg(unix)]
pub(super) struct Signals {
    hangup: tokio::signal::unix::Signal,
    terminate: tokio::signal::unix::Signal,
    interrupt: tokio::signal::unix::Signal,
}

#[cfg(unix)]
impl Signals {
    /// Listens for them.
    pub(super) fn new() -> io::Result<Self> {
        use tokio::signal::unix::{SignalKind, signal};
        Ok(Self {
            hangup: signal(SignalKind::hangup())?,
            terminate: signal(SignalKind::terminate())?,
            interrupt: signal(SignalKind::interrupt())?,
        })
    }

    /// The next one.
    pub(super) async fn next(&mut self) -> Leave {
        tokio::select! {
            _ = self.hangup.recv() => Leave::TerminalGone,
            _ = self.terminate.recv() => Leave::Terminated,
            _ = self.interrupt.recv() => Leave::Terminated,
        }
    }
}

/// The signals that close the screen.
#[cfg(not(unix))]
pub(super) struct Signals;

#[cfg(not(unix))]
impl Signals {
    /// Listens for them.
    pub(super) fn new() -> io::Result<Self> {
        Ok(Self)
    }

    /// The next one.
    pub(super) async fn next(&mut self) -> Leave {
        match tokio::signal::ctrl_c().await {
            Ok(()) => Leave::Terminated,
            Err(_) => std::future::pending().await,
        }
    }
}
