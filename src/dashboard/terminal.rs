//! The terminal: entered, drawn to, left. The only part of the dashboard that waits.
//!
//! Frames are drawn into memory and written by a thread of their own, one at a time: while the
//! terminal is slow, frames are skipped, and keys are still read and timed as they come.

mod guard;
mod signals;
mod writer;

use super::desk::{Answer, Question};
use super::options::{Notify, Options};
use super::state::State;
use super::update::{Effect, Input, update};
use super::view;
use crate::work::{Command, Event};
use crossterm::event::{Event as TerminalEvent, EventStream, KeyEventKind, MouseEventKind};
use futures_util::StreamExt;
use guard::Guard;
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use signals::Signals;
use std::io::{self, IsTerminal};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;
use writer::{Sheet, Writer};

/// Least time between two frames: at most 20 a second.
const BETWEEN_FRAMES: Duration = Duration::from_millis(50);
/// Most events taken in before keys are looked at again.
const EVENTS_A_FRAME: usize = 1_000;
/// How long leaving waits for a terminal that does not take what is written.
const LAST_WRITE: Duration = Duration::from_millis(500);

/// Longest text that is told to the desktop.
const LONGEST_NOTICE: usize = 120;

/// Why the screen was closed. None of these ends a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Leave {
    /// The person asked for it.
    Asked,
    /// The recorder is gone; why, in words.
    RecorderLeft(String),
    /// The terminal hung up or cannot be written any more: the process must exit, because
    /// crossterm's reader spins on a terminal that is gone.
    TerminalGone,
    /// The process was told to end.
    Terminated,
}

/// Why the dashboard cannot be shown.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Standard input or output is no terminal.
    #[error("the dashboard needs a terminal for input and output; use --plain for pipes and files")]
    NoTerminal,
    /// The terminal refused to be set up.
    #[error("the terminal cannot be set up: {0}; use --plain to go on without the dashboard")]
    Setup(#[source] io::Error),
}

/// Shows the dashboard until the person leaves, the recorder does, or the terminal is gone.
///
/// The first event should be [`Event::Snapshot`]. Commands carry a number that comes back in
/// [`Event::Answer`]. A full command channel is told as a refusal, never waited for.
///
/// # Errors
/// [`Error`] when there is no terminal or it cannot be set up; nothing is changed then.
pub async fn show(
    commands: mpsc::Sender<(u64, Command)>,
    events: mpsc::Receiver<Event>,
    options: Options,
) -> Result<Leave, Error> {
    if !(io::stdin().is_terminal() && io::stdout().is_terminal()) {
        return Err(Error::NoTerminal);
    }
    let signals = Signals::new().map_err(Error::Setup)?;
    let mut guard = Guard::enter(options.mouse).map_err(Error::Setup)?;
    let mut screen = Screen::new(commands, events, options).map_err(Error::Setup)?;
    let leave = screen.run(signals).await;
    if leave == Leave::TerminalGone || !screen.last_frame_written().await {
        guard.abandon();
    }
    Ok(leave)
}

/// A question to the desk with its answer.
type Answered = (Box<Question>, Result<Answer, String>);

/// Answers that wait for the screen; when it is full the desk waits.
const ANSWERS: usize = 16;

/// What the loop wakes up for.
enum Wake {
    Key(Option<io::Result<TerminalEvent>>),
    Recorder(Option<Event>),
    Answer(Answered),
    Written(Option<io::Result<()>>),
    Signal(Leave),
    Time,
}

/// The state, its terminal and its channels.
struct Screen {
    state: State,
    terminal: Terminal<CrosstermBackend<Sheet>>,
    sheet: Sheet,
    writer: Writer,
    commands: mpsc::Sender<(u64, Command)>,
    events: mpsc::Receiver<Event>,
    answers: (mpsc::Sender<Answered>, mpsc::Receiver<Answered>),
    began: Instant,
    drawn: Instant,
    dirty: bool,
    bell: bool,
    notices: Vec<u8>,
    anew: bool,
    last_sheet: Vec<u8>,
    leave: Option<Leave>,
}

impl Screen {
    fn new(
        commands: mpsc::Sender<(u64, Command)>,
        events: mpsc::Receiver<Event>,
        options: Options,
    ) -> io::Result<Self> {
        let sheet = Sheet::default();
        let began = Instant::now();
        let mut state = State::new(options);
        state.size = crossterm::terminal::size()?;
        Ok(Self {
            state,
            terminal: Terminal::new(CrosstermBackend::new(sheet.clone()))?,
            sheet,
            writer: Writer::start()?,
            commands,
            events,
            answers: mpsc::channel(ANSWERS),
            began,
            drawn: began,
            dirty: true,
            bell: false,
            notices: Vec::new(),
            anew: true,
            last_sheet: Vec::new(),
            leave: None,
        })
    }

    async fn run(&mut self, mut signals: Signals) -> Leave {
        let mut keys = EventStream::new();
        loop {
            if self.draw().is_err() {
                return Leave::TerminalGone;
            }
            if let Some(leave) = self.leave.take() {
                return leave;
            }
            let tick = self.began + self.state.next_tick();
            let frame = (self.dirty && !self.writer.busy).then(|| self.drawn + BETWEEN_FRAMES);
            let until = frame.map_or(tick, |at| at.min(tick));
            let wake = tokio::select! {
                biased;
                leave = signals.next() => Wake::Signal(leave),
                key = keys.next() => Wake::Key(key),
                written = self.writer.written.recv() => Wake::Written(written),
                Some(answer) = self.answers.1.recv() => Wake::Answer(answer),
                event = self.events.recv() => Wake::Recorder(event),
                () = tokio::time::sleep_until(until) => Wake::Time,
            };
            match wake {
                Wake::Signal(leave) => return leave,
                Wake::Key(None | Some(Err(_))) | Wake::Written(None | Some(Err(_))) => {
                    return Leave::TerminalGone;
                }
                Wake::Key(Some(Ok(event))) => self.terminal_event(event),
                Wake::Written(Some(Ok(()))) => self.writer.busy = false,
                Wake::Answer((question, answer)) => self.take(Input::Answer(question, answer)),
                Wake::Recorder(Some(event)) => {
                    self.take(Input::Recorder(event));
                    // Whatever else waits goes into the same frame.
                    for _ in 0..EVENTS_A_FRAME {
                        let Ok(event) = self.events.try_recv() else { break };
                        self.take(Input::Recorder(event));
                    }
                }
                Wake::Recorder(None) => {
                    let why = self.state.left_because();
                    return Leave::RecorderLeft(why);
                }
                Wake::Time => {
                    if Instant::now() >= tick {
                        self.take(Input::Tick);
                    }
                }
            }
        }
    }

    fn terminal_event(&mut self, event: TerminalEvent) {
        match event {
            TerminalEvent::Key(key) if key.kind != KeyEventKind::Release => self.take(Input::Key(key)),
            TerminalEvent::Paste(text) => self.take(Input::Paste(text)),
            TerminalEvent::Mouse(mouse) if mouse.kind != MouseEventKind::Moved => {
                self.take(Input::Mouse(mouse))
            }
            TerminalEvent::Resize(columns, rows) => self.take(Input::Resize(columns, rows)),
            _ => {}
        }
    }

    fn take(&mut self, input: Input) {
        let now = self.began.elapsed();
        self.dirty = true;
        for effect in update(&mut self.state, now, input) {
            match effect {
                Effect::Bell => self.bell = self.state.options.bell,
                Effect::Notify(words) => self.notices.extend(notice(self.state.options.notify, &words)),
                Effect::Leave => self.leave = Some(Leave::Asked),
                Effect::Redraw => self.anew = true,
                Effect::ReadProfile(wish) => {
                    let text = (self.state.options.profiles.0)(&wish.name);
                    self.take(Input::Profile(wish, text));
                }
                Effect::Consult(question) => {
                    let desk = self.state.options.desk.clone();
                    let answers = self.answers.0.clone();
                    // Evaluations and pass-phrases take their time: the keys do not wait for them.
                    tokio::task::spawn_blocking(move || {
                        let answer = desk.0.answer(&question);
                        let _screen_gone = answers.blocking_send((question, answer));
                    });
                }
                Effect::Send(id, command) => {
                    if let Err(refused) = self.commands.try_send((id, command)) {
                        let why = match refused {
                            mpsc::error::TrySendError::Full(_) => "the recorder is busy: try again",
                            mpsc::error::TrySendError::Closed(_) => "the recorder is gone",
                        };
                        self.take(Input::Recorder(Event::Answer {
                            id,
                            refused: Some(why.to_owned()),
                            lane: None,
                        }));
                    }
                }
            }
        }
    }

    /// Draws a frame if there is something new, the last one has been written and it is time.
    fn draw(&mut self) -> io::Result<()> {
        if !self.dirty || self.writer.busy || self.drawn.elapsed() < BETWEEN_FRAMES {
            return Ok(());
        }
        self.dirty = false;
        self.drawn = Instant::now();
        if std::mem::take(&mut self.anew) {
            // Not `clear`, which asks the terminal where its cursor is and waits for the answer.
            let size = self.terminal.size()?;
            self.terminal.resize(size.into())?;
        }
        let state = &self.state;
        self.terminal.draw(|frame| view::draw(state, frame))?;
        let mut sheet = self.sheet.take();
        if sheet == self.last_sheet && !self.bell && self.notices.is_empty() {
            // Nothing but the same place of the cursor.
            return Ok(());
        }
        self.last_sheet.clone_from(&sheet);
        if std::mem::take(&mut self.bell) {
            sheet.push(0x07);
        }
        sheet.append(&mut self.notices);
        self.writer.busy = true;
        self.writer.sheets.try_send(sheet).map_err(|_| io::Error::from(io::ErrorKind::BrokenPipe))
    }

    /// Waits for the last frame, but not for ever; tells whether the terminal took it.
    async fn last_frame_written(&mut self) -> bool {
        if !self.writer.busy {
            return true;
        }
        let written = tokio::time::timeout(LAST_WRITE, self.writer.written.recv()).await;
        matches!(written, Ok(Some(Ok(()))))
    }
}

/// The sequence by which the terminal tells the desktop; a multiplexer is asked to hand it on.
fn notice(how: Notify, words: &str) -> Vec<u8> {
    // What parts the sequence, or could end it, is no text.
    let plain = |c: char| if c.is_control() || c == ';' { ' ' } else { c };
    let text: String = words.chars().map(plain).take(LONGEST_NOTICE).collect();
    let sequence = match how {
        Notify::Never => return Vec::new(),
        Notify::Osc9 => format!("\x1b]9;dropwise: {text}\x07"),
        Notify::Osc777 => format!("\x1b]777;notify;dropwise;{text}\x07"),
    };
    if std::env::var_os("TMUX").is_some_and(|v| !v.is_empty()) {
        return format!("\x1bPtmux;{}\x1b\\", sequence.replace('\x1b', "\x1b\x1b")).into_bytes();
    }
    sequence.into_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_ends_the_sequence_for_the_desktop() {
        assert!(notice(Notify::Never, "x").is_empty());
        let told = notice(Notify::Osc777, "bench 2: \x1b]0;title\x07 \u{9c}near");
        let text = String::from_utf8(told).unwrap();
        assert!(text.contains("777;notify;dropwise;bench 2:"), "{text:?}");
        let inner = text.trim_start_matches("\x1bPtmux;").trim_start_matches('\x1b');
        assert_eq!(inner.matches('\x07').count(), 1, "{text:?}");
        assert!(!inner.contains('\u{9c}') && !inner.contains("0;title"), "{text:?}");
    }
}
