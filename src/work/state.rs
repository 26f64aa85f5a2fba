//! The state of the recorder as it follows from its events.
//!
//! Recorder and screens apply the same events to the same type, so that a screen that attaches in
//! the middle of a run sees what one sees that was there from the start.

use super::result::PortionResult;
use super::{Event, FrameFate, FrameLine, Health, LaneEvent, LaneId, Posted, RunEnd, RunHead, StoreHealth};
use crate::detector::{Change, Outlook, WatchState};
use crate::reading::{Point, Reading, Stamp};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Frames kept for the wire screen.
const FRAMES_KEPT: usize = 1_000;
/// Notes and warnings kept per lane for the screen; the record keeps all.
const TEXTS_KEPT: usize = 200;

/// Everything a screen shows.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct BenchState {
    /// The lanes, one for each bench.
    pub lanes: Vec<LaneState>,
    /// How far the record is safe.
    pub store: StoreHealth,
    /// The record, as people name it.
    pub record: String,
    /// Why the recorder left, once it did.
    pub leaving: Option<String>,
}

/// One bench.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LaneState {
    /// Its number.
    pub id: LaneId,
    /// Title of the bench.
    pub title: String,
    /// Title of the instrument's profile.
    pub instrument: String,
    /// The profiles of its instruments, as they were named: a shipped name or a file.
    pub profiles: Vec<String>,
    /// Where the bytes come from, as people name it.
    pub port: String,
    /// Whether volumes are told by a person.
    pub keyed: bool,
    /// How the line is.
    pub health: Health,
    /// The latest frames, oldest first.
    pub frames: VecDeque<FrameLine>,
    /// Frames so far.
    pub frames_total: u64,
    /// Frames that no pattern took, or that were damaged.
    pub frames_not_understood: u64,
    /// The latest reading of each channel.
    pub latest: Vec<Reading>,
    /// The run that goes on, or the last one.
    pub run: Option<RunState>,
    /// The latest warnings with their times.
    pub warnings: VecDeque<String>,
    /// Who has the hand on the run, and how people are known here.
    #[serde(default)]
    pub people: Posted,
}

/// A run as it stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunState {
    /// What it is.
    pub head: RunHead,
    /// Its points.
    pub points: Vec<Point>,
    /// The changes of its watch.
    pub changes: Vec<Change>,
    /// What the watch expects.
    pub outlook: Outlook,
    /// Notes with their times.
    pub notes: Vec<(Stamp, String)>,
    /// How it ended, once it has.
    pub end: Option<RunEnd>,
    /// What it came to, once that is known.
    #[serde(default)]
    pub result: Option<PortionResult>,
    /// The curve of the final fit, as titrant and signal.
    #[serde(default)]
    pub fit: Vec<(f64, f64)>,
}

impl RunState {
    /// The state of the watch after the last change; a withdrawn find leaves the watch far.
    #[must_use]
    pub fn watch(&self) -> WatchState {
        match self.changes.last().map(|c| c.state) {
            None | Some(WatchState::Withdrawn) => WatchState::Far,
            Some(state) => state,
        }
    }

    /// Finds that were not withdrawn, in order.
    #[must_use]
    pub fn finds(&self) -> Vec<&Change> {
        let withdrawn =
            |find| self.changes.iter().any(|c| c.state == WatchState::Withdrawn && c.find == find);
        self.changes.iter().filter(|c| c.state == WatchState::Found && !withdrawn(c.find)).collect()
    }
}

impl BenchState {
    /// The lane with this number.
    #[must_use]
    pub fn lane(&self, id: LaneId) -> Option<&LaneState> {
        self.lanes.iter().find(|lane| lane.id == id)
    }

    /// Takes one event in.
    pub fn apply(&mut self, event: &Event) {
        match event {
            Event::Snapshot { state } => *self = (**state).clone(),
            Event::Opened { lane } => self.lanes.push((**lane).clone()),
            Event::Closed { lane } => self.lanes.retain(|l| l.id != *lane),
            Event::Lane { lane, what } => {
                if let Some(lane) = self.lanes.iter_mut().find(|l| l.id == *lane) {
                    lane.apply(what);
                }
            }
            Event::Store { health } => self.store = health.clone(),
            Event::Answer { .. } | Event::You { .. } => {}
            Event::Leaving { why } => self.leaving = Some(why.clone()),
        }
    }
}

impl LaneState {
    fn apply(&mut self, event: &LaneEvent) {
        match event {
            LaneEvent::Line { health } => self.health = health.clone(),
            LaneEvent::Frame { frame } => self.take_frame(frame),
            LaneEvent::Readings { readings } => self.take_readings(readings),
            LaneEvent::Reread { instrument, frames } => {
                self.instrument.clone_from(instrument);
                self.frames.clear();
                self.frames_total = 0;
                self.frames_not_understood = 0;
                // What the old profile made of the line no longer stands beside what the new one makes.
                self.latest.clear();
                for frame in frames {
                    self.take_frame(frame);
                }
            }
            LaneEvent::Started { head } => {
                self.run = Some(RunState {
                    head: (**head).clone(),
                    points: Vec::new(),
                    changes: Vec::new(),
                    outlook: Outlook::default(),
                    notes: Vec::new(),
                    end: None,
                    result: None,
                    fit: Vec::new(),
                });
            }
            LaneEvent::Hand { holder, asks } => {
                self.people.hand.clone_from(holder);
                self.people.asks.clone_from(asks);
            }
            LaneEvent::Warning { text } => {
                keep(&mut self.warnings, text.clone(), TEXTS_KEPT);
            }
            LaneEvent::Point { .. }
            | LaneEvent::Redrawn { .. }
            | LaneEvent::Watch { .. }
            | LaneEvent::Outlook { .. }
            | LaneEvent::Note { .. }
            | LaneEvent::Fit { .. }
            | LaneEvent::Ended { .. }
            | LaneEvent::Result { .. } => {
                if let Some(run) = &mut self.run {
                    run.apply(event);
                }
            }
        }
    }

    fn take_frame(&mut self, frame: &FrameLine) {
        self.frames_total += 1;
        if matches!(frame.fate, FrameFate::NotUnderstood | FrameFate::Damaged { .. }) {
            self.frames_not_understood += 1;
        }
        keep(&mut self.frames, frame.clone(), FRAMES_KEPT);
    }

    fn take_readings(&mut self, readings: &[Reading]) {
        for reading in readings {
            match self.latest.iter_mut().find(|r| r.channel == reading.channel) {
                Some(slot) => *slot = reading.clone(),
                None => self.latest.push(reading.clone()),
            }
        }
    }
}

impl RunState {
    fn apply(&mut self, event: &LaneEvent) {
        match event {
            LaneEvent::Point { point } => self.points.push(*point),
            LaneEvent::Redrawn { points, changes } => {
                self.points.clone_from(points);
                self.changes.clone_from(changes);
            }
            LaneEvent::Watch { change } => self.changes.push(change.clone()),
            LaneEvent::Outlook { outlook } => self.outlook = outlook.clone(),
            LaneEvent::Note { at, text } => self.notes.push((*at, text.clone())),
            LaneEvent::Fit { points } => self.fit.clone_from(points),
            LaneEvent::Ended { end } => self.end = Some((**end).clone()),
            LaneEvent::Result { result, .. } => self.result = Some((**result).clone()),
            LaneEvent::Line { .. }
            | LaneEvent::Frame { .. }
            | LaneEvent::Readings { .. }
            | LaneEvent::Reread { .. }
            | LaneEvent::Started { .. }
            | LaneEvent::Hand { .. }
            | LaneEvent::Warning { .. } => {}
        }
    }
}

fn keep<T>(queue: &mut VecDeque<T>, item: T, most: usize) {
    if queue.len() == most {
        queue.pop_front();
    }
    queue.push_back(item);
}
