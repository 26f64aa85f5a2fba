//! Deeds that take two presses.

use crate::work::LaneId;
use std::time::Duration;

/// A first press that waits for its second.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::dashboard) struct Armed {
    /// What the second press will do.
    pub(in crate::dashboard) deed: Deed,
    /// When the key was last down.
    pub(in crate::dashboard) at: Duration,
}

impl Armed {
    /// Within this time the second press must come.
    const WAITS: Duration = Duration::from_secs(3);

    /// When it is let go.
    pub(in crate::dashboard) fn deadline(&self) -> Duration {
        self.at + Self::WAITS
    }
}

/// What takes two presses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::dashboard) enum Deed {
    /// Ends the run of the lane.
    EndRun(LaneId),
    /// Sets a stored run aside, for the reason in the open field.
    SetAside,
    /// Drops the check that is under way.
    DropCheck,
    /// Accepts, keeps or signs what the page shows.
    Accept,
    /// Decides the open sheet: signs, enters.
    Sheet,
    /// Leaves the screen.
    LeaveScreen,
}

impl Deed {
    /// How long after the first press the second counts.
    ///
    /// A key held down repeats itself: keyboards wait up to about 0.66 s before they begin (common
    /// practice, no source), so that a press sooner than this may be no press at all. Leaving the
    /// screen ends nothing and has to be told from a bouncing contact only.
    pub(in crate::dashboard) const fn apart(self) -> Duration {
        match self {
            Self::EndRun(_) | Self::SetAside | Self::DropCheck | Self::Accept | Self::Sheet => {
                Duration::from_millis(700)
            }
            Self::LeaveScreen => Duration::from_millis(40),
        }
    }
}
