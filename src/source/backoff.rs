//! How long to wait before a port is tried again.

use std::time::Duration;

/// The first wait: a plug that was only loose is back at once.
pub const FIRST_WAIT: Duration = Duration::from_millis(250);
/// The longest wait: nobody at the bench should wait longer for a port that is back.
pub const LONGEST_WAIT: Duration = Duration::from_secs(5);

/// Doubles the wait from [`FIRST_WAIT`] to [`LONGEST_WAIT`].
#[derive(Debug)]
pub(super) struct Backoff {
    next: Duration,
}

impl Backoff {
    pub(super) fn new() -> Self {
        Self { next: FIRST_WAIT }
    }

    /// The wait now; the next one is twice as long.
    pub(super) fn wait(&mut self) -> Duration {
        let wait = self.next;
        self.next = (wait * 2).min(LONGEST_WAIT);
        wait
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubles_up_to_five_seconds() {
        let mut backoff = Backoff::new();
        let waits: Vec<u128> = (0..7).map(|_| backoff.wait().as_millis()).collect();
        assert_eq!(waits, [250, 500, 1_000, 2_000, 4_000, 5_000, 5_000]);
    }
}
