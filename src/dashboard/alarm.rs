//! How near the end-point is, and what to say about it.

use crate::detector::WatchState;
use crate::work::RunState;

/// How urgent it is for the hand on the stopcock. Each step up is told in words, by the bell and by the border.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Alarm {
    /// Nothing near, or no run.
    Calm,
    /// Within the warning distance of the run.
    Near,
    /// Within a third of the warning distance.
    Drops,
    /// The curve turns.
    Turning,
    /// The end-point lies behind.
    Found,
}

/// Part of the warning distance from which only single drops are advised (common practice, no source).
const DROPS: f64 = 1.0 / 3.0;

impl Alarm {
    /// What holds for a run as it stands.
    pub(super) fn of(run: Option<&RunState>) -> Self {
        let Some(run) = run.filter(|run| run.end.is_none()) else { return Self::Calm };
        match run.watch() {
            WatchState::Found => Self::Found,
            WatchState::Turning => Self::Turning,
            WatchState::Closing | WatchState::Far | WatchState::Withdrawn => {
                let near = run.watch() == WatchState::Closing;
                match to_go(run) {
                    Some(left) if left <= run.head.warn_before * DROPS => Self::Drops,
                    Some(left) if left <= run.head.warn_before => Self::Near,
                    _ if near => Self::Near,
                    _ => Self::Calm,
                }
            }
        }
    }

    /// The degree of the border, 0 to 2.
    pub(super) const fn urgency(self) -> u8 {
        match self {
            Self::Calm => 0,
            Self::Near | Self::Drops => 1,
            Self::Turning | Self::Found => 2,
        }
    }

    /// What is said, without the figure.
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Calm => "",
            Self::Near => "end-point near: slow down",
            Self::Drops => "end-point close: single drops",
            Self::Turning => "the curve turns: single drops, wait for each reading",
            Self::Found => "end-point found",
        }
    }
}

/// Titrant still to go to the expected end-point, in the unit of the curve; negative once it is passed.
pub(super) fn to_go(run: &RunState) -> Option<f64> {
    let expected = run.outlook.expected.filter(|v| v.is_finite())?;
    let last = run.points.last()?.titrant;
    Some(expected - last)
}
