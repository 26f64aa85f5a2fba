//! How far a long command is, on standard error, when somebody looks on.

use std::io::{IsTerminal, Write};
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// Pause between two drawings.
const PAUSE: Duration = Duration::from_millis(100);

/// A line that is drawn over and over; nothing where standard error is no terminal.
#[derive(Debug)]
pub struct Progress {
    what: &'static str,
    shown: bool,
    drawn: Mutex<Option<Instant>>,
}

impl Progress {
    /// A progress of `what`, such as "runs".
    #[must_use]
    pub fn new(what: &'static str) -> Self {
        Self { what, shown: std::io::stderr().is_terminal(), drawn: Mutex::new(None) }
    }

    /// So many of so many are done.
    pub fn tell(&self, done: u64, total: u64) {
        if !self.shown {
            return;
        }
        let mut drawn = self.drawn.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if drawn.is_none_or(|at| at.elapsed() >= PAUSE) || done == total {
            *drawn = Some(Instant::now());
            let percent = done.saturating_mul(100) / total.max(1);
            let filled = usize::try_from(percent / 5).unwrap_or(0).min(20);
            let bar = format!("{}{}", "#".repeat(filled), ".".repeat(20 - filled));
            let text = format!("\r[{bar}] {percent:>3} %  {} {done} of {total}", self.what);
            // Nobody is left to be told when standard error is closed.
            drop(std::io::stderr().write_all(text.as_bytes()));
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        let drawn = self.drawn.get_mut().unwrap_or_else(std::sync::PoisonError::into_inner);
        if drawn.is_some() {
            drop(std::io::stderr().write_all(b"\r\x1b[K"));
        }
    }
}
