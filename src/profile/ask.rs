//! Requests and answers: what is to be sent when, which request an answer belongs to, and which came too late.

use super::Profile;
use super::form::ModbusForm;
use crate::frame::CheckKind;
use std::collections::VecDeque;
use std::sync::Arc;

/// A request.
#[derive(Debug, Clone)]
pub(crate) struct Ask {
    pub name: Arc<str>,
    pub bytes: Vec<u8>,
    /// How often; once when `None`.
    pub every_ns: Option<u64>,
    pub within_ns: u64,
    pub retries: u8,
    /// Lines that may answer it; any when empty.
    pub answers: Vec<usize>,
    /// The registers that it reads, where it is a Modbus request.
    pub modbus: Option<ModbusForm>,
}

/// The characters of a hand-shake.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Handshake {
    pub call: u8,
    pub accept: u8,
    pub refuse: u8,
    pub over: u8,
    pub numbered: bool,
}

/// A Modbus ASCII request with its LRC.
pub(crate) fn modbus_request(form: &ModbusForm) -> Vec<u8> {
    let [first_high, first_low] = form.first.to_be_bytes();
    let [count_high, count_low] = form.count.to_be_bytes();
    let fields = [form.address, form.function, first_high, first_low, count_high, count_low];
    let text: String = fields.iter().map(|byte| format!("{byte:02X}")).collect();
    let lrc = CheckKind::Lrc.value(text.as_bytes()).unwrap_or(0);
    format!(":{text}{lrc:02X}\r\n").into_bytes()
}

/// Everything that a profile sends, with the occasion.
pub(crate) fn everything_sent(profile: &Profile) -> Vec<(String, Vec<u8>)> {
    let mut sent: Vec<(String, Vec<u8>)> = profile
        .asks
        .iter()
        .map(|ask| {
            let often =
                ask.every_ns.map_or("once after opening".to_owned(), |ns| format!("every {}", seconds(ns)));
            let again = if ask.retries == 0 {
                String::new()
            } else {
                format!(", up to {} more times without an answer", ask.retries)
            };
            (
                format!("request `{}`, {often}, answer within {}{again}", ask.name, seconds(ask.within_ns)),
                ask.bytes.clone(),
            )
        })
        .collect();
    if let Some(handshake) = profile.handshake {
        sent.push(("hand-shake: after a call and after each sound frame".to_owned(), vec![handshake.accept]));
        sent.push(("hand-shake: after each damaged frame".to_owned(), vec![handshake.refuse]));
    }
    sent
}

/// Nanoseconds for people.
pub(crate) fn seconds(ns: u64) -> String {
    if ns < 1_000_000_000 { format!("{} ms", ns / 1_000_000) } else { format!("{} s", ns as f64 / 1e9) }
}

#[derive(Debug, Clone, Copy)]
struct Pending {
    ask: usize,
    deadline: u64,
    tries: u8,
    /// It has an answer; as many may still come as requests of the same kind were overdue.
    answered: bool,
    /// A frame that nobody understood came in its time: most likely the answer, damaged. The true answer may
    /// still come before the deadline, but none is expected behind it.
    used_up: bool,
}

impl Pending {
    /// An answer that has begun in time may take as long again to end.
    fn last_moment(&self, asks: &[Ask], arriving: Option<u64>) -> u64 {
        let has_begun = arriving.is_some_and(|began| began <= self.deadline);
        self.deadline.saturating_add(if has_begun { asks[self.ask].within_ns } else { 0 })
    }
}

/// What an answer is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Answer {
    /// It belongs to the request that waits.
    Timely,
    /// It came after its deadline.
    Late,
    /// It may as well be the late answer to an earlier request.
    Doubtful,
    /// Several requests exist, and none was seen.
    Unasked,
}

impl Answer {
    /// Why its readings are not valid.
    pub(crate) const fn reason(self) -> Option<&'static str> {
        match self {
            Self::Timely => None,
            Self::Late => Some("the answer came after its deadline or without a request"),
            Self::Doubtful => Some("this may be the late answer to an earlier request"),
            Self::Unasked => Some("no request was seen, so nobody knows what this answers"),
        }
    }
}

/// How long a request that got no answer is remembered, in deadlines: its answer may still come.
const REMEMBERED: u64 = 10;
/// Requests without an answer that are remembered at once.
const MOST_OWED: usize = 16;
/// After so many requests in a row without any answer nothing is expected of them any more: an instrument that
/// lacks one probe must not make the answers about the others doubtful for ever.
const SILENT: u8 = 6;
/// Hand-shake answers that wait to be sent; more are only possible when nobody fetches them.
const MOST_REPLIES: usize = 4;

/// The state of asking on one wire.
#[derive(Debug, Clone, Default)]
pub(crate) struct Asking {
    due: Vec<Option<u64>>,
    pending: Option<Pending>,
    /// Requests whose answers are overdue, and until when they are remembered.
    owed: Vec<(usize, u64)>,
    any_sent: bool,
    /// For each request: how often in a row it got no answer at all.
    silent: Vec<u8>,
    /// A request that is to be repeated: which, and how often it was sent already.
    again: Option<(usize, u8)>,
    /// Before this time nothing is asked, so that a late answer comes alone.
    quiet_until: u64,
    replies: VecDeque<u8>,
    warnings: VecDeque<String>,
}

impl Asking {
    pub(crate) fn new(asks: &[Ask]) -> Self {
        Self { due: vec![Some(0); asks.len()], silent: vec![0; asks.len()], ..Self::default() }
    }

    pub(crate) fn reply(&mut self, byte: u8) {
        if self.replies.len() == MOST_REPLIES {
            self.replies.pop_front();
        }
        self.replies.push_back(byte);
    }

    pub(crate) fn take_warnings(&mut self) -> Vec<String> {
        self.warnings.drain(..).collect()
    }

    /// Bytes went out.
    pub(crate) fn sent(&mut self, asks: &[Ask], at: u64, bytes: &[u8]) {
        let Some(index) = asks.iter().position(|ask| ask.bytes == bytes) else { return };
        self.any_sent = true;
        self.expire(asks, at, None);
        if let Some(open) = self.pending.take().filter(|open| !open.answered && !open.used_up) {
            self.owe(asks, open.ask, at);
        }
        let tries = self.again.take().filter(|(ask, _)| *ask == index).map_or(0, |(_, tries)| tries);
        let ask = &asks[index];
        let deadline = at.saturating_add(ask.within_ns);
        self.pending = Some(Pending { ask: index, deadline, tries, answered: false, used_up: false });
        self.due[index] = ask.every_ns.map(|every| at.saturating_add(every));
    }

    fn owe(&mut self, asks: &[Ask], ask: usize, at: u64) {
        self.silent[ask] = self.silent[ask].saturating_add(1);
        if self.silent[ask] > SILENT {
            return;
        }
        if self.owed.len() == MOST_OWED {
            self.owed.remove(0);
        }
        self.owed.push((ask, at.saturating_add(REMEMBERED * asks[ask].within_ns)));
    }

    /// Gives up what is past its deadline; tells the request that may be repeated. `arriving`: when the first
    /// byte of a frame came that has not ended yet.
    fn expire(&mut self, asks: &[Ask], now: u64, arriving: Option<u64>) {
        self.owed.retain(|(_, until)| *until >= now);
        let Some(open) = self.pending.filter(|open| now > open.last_moment(asks, arriving)) else { return };
        self.pending = None;
        if open.answered {
            return;
        }
        if !open.used_up {
            self.owe(asks, open.ask, open.deadline);
        }
        let ask = &asks[open.ask];
        if open.tries < ask.retries {
            self.again = Some((open.ask, open.tries + 1));
        } else {
            if !open.used_up {
                self.quiet_until = open.deadline.saturating_add(ask.within_ns);
            }
            if self.warnings.len() == MOST_OWED {
                self.warnings.pop_front();
            }
            let times = u32::from(open.tries) + 1;
            let asked = if times == 1 { "asked once".to_owned() } else { format!("asked {times} times") };
            let what = if open.used_up { "no answer that was understood" } else { "no answer" };
            let within = seconds(ask.within_ns);
            self.warnings.push_back(format!("{what} to `{}` within {within} ({asked})", ask.name));
        }
    }

    /// The request that waits for an answer at this time.
    pub(crate) fn waiting(&mut self, asks: &[Ask], at: u64) -> Option<usize> {
        if asks.is_empty() {
            return None;
        }
        self.expire(asks, at, None);
        self.pending.map(|open| open.ask)
    }

    /// Requests whose answers may still come.
    pub(crate) fn owed(&self) -> impl Iterator<Item = usize> + '_ {
        self.owed.iter().map(|(ask, _)| *ask)
    }

    /// The request that waits has its answer. Where the same was asked before and that answer is overdue, two may
    /// come: both say the same thing, and nobody can tell which is which.
    pub(crate) fn answered(&mut self) {
        self.again = None;
        let Some(open) = &mut self.pending else { return };
        self.silent[open.ask] = 0;
        match self.owed.iter().position(|(owed, _)| *owed == open.ask) {
            Some(at) => {
                self.owed.remove(at);
                open.answered = true;
            }
            None => self.pending = None,
        }
    }

    /// A frame that began at this time and that nobody understood uses up the request that waits.
    pub(crate) fn not_understood(&mut self, asks: &[Ask], began: u64) {
        if asks.is_empty() {
            return;
        }
        self.expire(asks, began, None);
        if let Some(open) = &mut self.pending {
            self.silent[open.ask] = 0;
            open.used_up = true;
        }
    }

    /// An overdue answer came, or what may be one; `surely` when it cannot be anything else.
    pub(crate) fn paid(&mut self, ask: usize, surely: bool) {
        if surely {
            self.silent[ask] = 0;
        }
        if let Some(at) = self.owed.iter().position(|(owed, _)| *owed == ask) {
            self.owed.remove(at);
        }
    }

    pub(crate) const fn any_sent(&self) -> bool {
        self.any_sent
    }

    /// What is to be sent now.
    pub(crate) fn tick(&mut self, asks: &[Ask], now: u64, arriving: Option<u64>) -> Option<Vec<u8>> {
        if let Some(reply) = self.replies.pop_front() {
            return Some(vec![reply]);
        }
        self.expire(asks, now, arriving);
        if self.pending.is_some_and(|open| !open.answered) {
            return None;
        }
        if let Some((ask, _)) = self.again {
            return Some(asks[ask].bytes.clone());
        }
        if now < self.quiet_until {
            return None;
        }
        let (index, _) = self.next_due().filter(|(_, due)| *due <= now)?;
        // The caller says by `sent` when it went out; until then it is not offered a second time at once.
        self.due[index] = Some(now.saturating_add(asks[index].within_ns));
        Some(asks[index].bytes.clone())
    }

    fn next_due(&self) -> Option<(usize, u64)> {
        let due = self.due.iter().enumerate().filter_map(|(index, due)| due.map(|due| (index, due)));
        due.min_by_key(|(_, due)| *due)
    }

    pub(crate) fn wake_at(&self, asks: &[Ask], arriving: Option<u64>) -> Option<u64> {
        if !self.replies.is_empty() || self.again.is_some() {
            return Some(0);
        }
        match self.pending {
            Some(open) if !open.answered => Some(open.last_moment(asks, arriving).saturating_add(1)),
            _ => self.next_due().map(|(_, due)| due.max(self.quiet_until)),
        }
    }
}
