//! Commands in, events out: what a screen holds of the recorder.

use crate::work::{Command, Event};
use tokio::sync::mpsc;

/// The two ends that a screen, the plain printer or a connection holds.
///
/// The first event is the snapshot. Each command is answered by one `Event::Answer` with its number.
#[derive(Debug)]
pub struct Session {
    /// Wishes, each with a number of the asker's choice.
    pub commands: mpsc::Sender<(u64, Command)>,
    /// What happens, from the snapshot on.
    pub events: mpsc::Receiver<Event>,
}
