//! A run without a dashboard: one line a point and a line for each change of the watch.

use super::command::run::Signal;
use super::output::{Output, complain};
use super::{Exit, Fault};
use crate::live::Session;
use crate::reading::{CurveHead, Point};
use crate::work::{Command, Event, Health, LaneEvent, LaneId, Origin, RunEnd, VolumeMark};
use std::io::BufRead;
use std::time::Duration;
use tokio::sync::mpsc;

/// How a plain run is printed.
#[derive(Debug, Clone, Copy, Default)]
pub struct Plain {
    /// One JSON object a line instead of text.
    pub json: bool,
    /// Take commands from standard input.
    pub obey_stdin: bool,
}

/// So long without an event after the end of a line, no run begins any more.
const AFTER_THE_END: Duration = Duration::from_secs(5);

/// Follows a lane until its run ends; gives the exit code.
///
/// Each signal that comes by `interrupted` ends the run, cleanly.
///
/// # Errors
/// When standard output cannot be written.
pub async fn follow(
    session: &mut Session,
    lane: LaneId,
    seen: Vec<Event>,
    how: Plain,
    interrupted: &mut mpsc::Receiver<Signal>,
    output: &mut Output,
) -> Result<Exit, Fault> {
    let mut printer =
        Printer { lane, how, head: None, points: 0, failed: None, ended: false, over: false, refused: false };
    for event in seen {
        printer.event(&event, output)?;
    }
    let mut wishes = if how.obey_stdin { read_wishes() } else { mpsc::channel(1).1 };
    let mut id = 1_000;
    while !printer.ended {
        if printer.refused && printer.head.is_none() {
            return Ok(Exit::Misuse);
        }
        tokio::select! {
            event = session.events.recv() => match event {
                Some(event) => printer.event(&event, output)?,
                None => break,
            },
            Some(line) = wishes.recv() => match wish(&line, lane) {
                Ok(Some(command)) => {
                    id += 1;
                    // A recorder that has gone shows as the end of the events.
                    let _gone = session.commands.send((id, command)).await;
                }
                Ok(None) => {}
                Err(why) => complain(&format!("dropwise: {why}")),
            },
            // What was received before the end may still be on its way through the record; then nothing more begins.
            () = tokio::time::sleep(AFTER_THE_END), if printer.over && printer.head.is_none() => {
                return Ok(Exit::Instrument);
            }
            Some(_) = interrupted.recv() => {
                id += 1;
                let end = Command::End { lane, reason: Some("ended by a signal".to_owned()) };
                let _gone = session.commands.send((id, end)).await;
                if printer.head.is_none() {
                    // It waited for its balance: nothing began, so nothing will end.
                    return Ok(Exit::Instrument);
                }
            }
        }
    }
    if let Some(why) = printer.failed {
        return Err(Fault { text: why, exit: Exit::Instrument });
    }
    Ok(Exit::Done)
}

/// Lines of standard input, read on a thread of their own: a blocked read must not hold the program.
fn read_wishes() -> mpsc::Receiver<String> {
    let (lines, inbox) = mpsc::channel(16);
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else { break };
            if lines.blocking_send(line).is_err() {
                break;
            }
        }
    });
    inbox
}

/// What may be typed during a plain run.
const WISHES: &str = "type `start 0.35`, `volume 11.35`, `correct 11.35` (burette readings in mL, or in g where the titrant is weighed), `step`, `seen 11.35 WHAT`, `note TEXT` or `end`";

fn wish(line: &str, lane: LaneId) -> Result<Option<Command>, String> {
    let (word, rest) = line.trim().split_once(char::is_whitespace).unwrap_or((line.trim(), ""));
    let reading_ml = || {
        let value = rest.trim().parse::<f64>().ok().filter(|v| v.is_finite());
        value.ok_or_else(|| format!("\"{rest}\" is no burette reading; {WISHES}"))
    };
    let mark = |mark| Ok(Some(Command::Mark { lane, mark }));
    match word {
        "" => Ok(None),
        "start" => mark(VolumeMark::BuretteStart { reading_ml: reading_ml()? }),
        "volume" => mark(VolumeMark::Burette { reading_ml: reading_ml()? }),
        "correct" => mark(VolumeMark::Correction { reading_ml: reading_ml()? }),
        "step" => mark(VolumeMark::Step),
        "seen" => {
            let (number, what) = rest.trim().split_once(char::is_whitespace).unwrap_or((rest.trim(), ""));
            let reading_ml = number.parse::<f64>().ok().filter(|v| v.is_finite());
            let reading_ml =
                reading_ml.ok_or_else(|| format!("\"{number}\" is no burette reading; {WISHES}"))?;
            Ok(Some(Command::Seen { lane, reading_ml, what: what.trim().to_owned() }))
        }
        "note" => Ok(Some(Command::Note { lane, text: rest.trim().to_owned() })),
        "end" => {
            let reason = (!rest.trim().is_empty()).then(|| rest.trim().to_owned());
            Ok(Some(Command::End { lane, reason }))
        }
        _ => Err(format!("\"{word}\" is not known here; {WISHES}")),
    }
}

struct Printer {
    lane: LaneId,
    how: Plain,
    head: Option<CurveHead>,
    points: usize,
    failed: Option<String>,
    ended: bool,
    /// The line is at its end.
    over: bool,
    /// A command was refused; without a run there is nothing to wait for.
    refused: bool,
}

impl Printer {
    fn event(&mut self, event: &Event, output: &mut Output) -> Result<(), Fault> {
        let text = match event {
            Event::Lane { lane, what } if *lane == self.lane => {
                let text = self.lane_event(what);
                if self.how.json { self.json(what) } else { text }
            }
            Event::Answer { refused: Some(why), .. } => {
                complain(&format!("dropwise: {why}"));
                self.refused = true;
                None
            }
            Event::Leaving { why } => {
                self.ended = true;
                (!self.how.json).then(|| format!("recorder  {why}"))
            }
            Event::Store { health } if health.trouble.is_some() => {
                let words = health.trouble.as_deref().unwrap_or_default();
                complain(&format!("dropwise: not saved yet ({} bytes wait): {words}", health.unsaved_bytes));
                None
            }
            _ => None,
        };
        let Some(text) = text else { return Ok(()) };
        let written = output.line(&text).and_then(|()| output.flush());
        written.map_err(|e| Fault {
            text: format!("standard output cannot be written: {e}; the run is kept in the record"),
            exit: Exit::OwnFault,
        })
    }

    /// Points, changes, beginning, end and warnings as they are; frames and readings are for `replay --json`.
    fn json(&self, what: &LaneEvent) -> Option<String> {
        match what {
            LaneEvent::Frame { .. }
            | LaneEvent::Readings { .. }
            | LaneEvent::Outlook { .. }
            | LaneEvent::Hand { .. }
            | LaneEvent::Fit { .. } => None,
            _ => serde_json::to_string(what).ok(),
        }
    }

    fn lane_event(&mut self, what: &LaneEvent) -> Option<String> {
        let unit = self.head.map_or("mL", |head| head.titrant.unit().symbol());
        match what {
            LaneEvent::Started { head } => {
                self.head = Some(head.curve);
                let mut lines = vec![format!(
                    "run {}  {}  sample {}  portion {} of {}  origin {}",
                    head.run,
                    head.title,
                    if head.plan.sample.is_empty() { "not named" } else { &head.plan.sample },
                    head.plan.portion,
                    head.plan.portions,
                    head.origin.word()
                )];
                if head.origin == Origin::Simulator {
                    lines.push("SIMULATED: these are no measurements".to_owned());
                }
                lines.extend(head.cautions.iter().map(|caution| format!("caution   {caution}")));
                Some(lines.join("\n"))
            }
            LaneEvent::Point { point } => {
                self.points += 1;
                Some(self.point(point))
            }
            LaneEvent::Redrawn { points, .. } => {
                self.points = points.len();
                Some(format!("corrected {} points watched again from the start", points.len()))
            }
            LaneEvent::Watch { change } => {
                let mut text = format!("watch     {} at {:.4} {unit}", change.state.word(), change.titrant);
                if let Some(end_point) = change.end_point {
                    text += &format!(": end-point {end_point:.4} {unit}");
                    text += &change.u.map_or_else(String::new, |u| format!(" \u{b1} {u:.4} {unit}"));
                }
                Some(format!("{text}  ({})", change.because))
            }
            LaneEvent::Hand { .. } | LaneEvent::Fit { .. } => None,
            LaneEvent::Warning { text } => Some(format!("warning   {text}")),
            LaneEvent::Note { text, .. } => Some(format!("note      {text}")),
            LaneEvent::Line { health } => self.line(health),
            LaneEvent::Ended { end } => {
                self.ended = true;
                Some(ended(end, unit))
            }
            LaneEvent::Result { result, .. } => {
                let lines = super::outcome::portion_lines(result);
                (!lines.is_empty()).then(|| lines.join("\n"))
            }
            LaneEvent::Reread { instrument, .. } => Some(format!("profile   changed: {instrument}")),
            LaneEvent::Frame { .. } | LaneEvent::Readings { .. } | LaneEvent::Outlook { .. } => None,
        }
    }

    fn line(&mut self, health: &Health) -> Option<String> {
        match health {
            Health::Opening => None,
            Health::Open { remarks } if remarks.is_empty() => Some("line      open".to_owned()),
            Health::Open { remarks } => Some(format!("line      open; {}", remarks.join("; "))),
            Health::Gone { why } => Some(format!("line      gone, tried again by itself: {why}")),
            Health::Over { why } => {
                self.over = true;
                Some(format!("line      over: {why}"))
            }
            Health::Failed { why } => {
                self.failed = Some(why.clone());
                None
            }
        }
    }

    fn point(&self, point: &Point) -> String {
        let Some(head) = self.head else { return String::new() };
        let signal = head.signal.map_or("", |(_, unit)| unit.symbol());
        let unit = head.titrant.unit();
        let mut text = format!(
            "point     {:>4}  {:>10.4} {unit}  {:>10.4} {signal}",
            self.points, point.titrant, point.signal
        );
        if let Some(temperature) = point.temperature_c {
            text += &format!("  {temperature:.1} degC");
        }
        text
    }
}

fn ended(end: &RunEnd, unit: &str) -> String {
    let mut lines = vec![format!("ended     {}", end.why)];
    for end_point in &end.end_points {
        let u = end_point.u.map_or_else(|| "not known".to_owned(), |u| format!("{u:.4} {unit}"));
        lines.push(format!(
            "end-point {:.4} {unit}  standard uncertainty {u}  ({})",
            end_point.titrant, end_point.method
        ));
    }
    if end.end_points.is_empty() {
        lines.push("end-point none".to_owned());
    }
    lines.extend(end.warnings.iter().map(|warning| format!("warning   {warning}")));
    lines.join("\n")
}
