//! Hand or scanner: tells keys pressed by a person from characters that come faster than a hand.
//!
//! A printable key is held back for a moment: when the next one comes within [`FAST`], both belong
//! to a burst. Keys that print nothing pass at once. Pure: the time comes with each key.

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use std::time::Duration;

/// Characters closer together than this were not pressed one by one.
pub(super) const FAST: Duration = Duration::from_millis(30);
/// Longest burst that is kept; the rest is dropped (a bar code holds far less).
const LONGEST: usize = 1_000;

/// What came in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Gesture {
    /// A key that a hand pressed.
    Key(KeyEvent),
    /// Characters faster than a hand.
    Burst {
        /// The characters.
        text: String,
        /// Whether they ended with Enter: one scan.
        entered: bool,
    },
}

/// Holds printable keys back until it is known whether a hand pressed them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Keyboard {
    held: String,
    last: Duration,
    /// When a scan ended: a second line ending right behind it belongs to it.
    ended: Option<Duration>,
}

impl Keyboard {
    /// Takes a key pressed at `now`; gives what is known so far.
    pub(super) fn press(&mut self, now: Duration, key: KeyEvent) -> Vec<Gesture> {
        let mut out = self.pass(now);
        if is_line_end(key) {
            if self.ended.is_some_and(|at| now.saturating_sub(at) < FAST) {
                return out;
            }
            if self.held.is_empty() {
                out.push(Gesture::Key(KeyEvent::new(KeyCode::Enter, KeyModifiers::NONE)));
            } else {
                self.ended = Some(now);
                out.push(Gesture::Burst { text: std::mem::take(&mut self.held), entered: true });
            }
            return out;
        }
        match printable(key) {
            Some(c) => {
                if self.held.len() < LONGEST {
                    self.held.push(c);
                }
                self.last = now;
            }
            None => {
                out.extend(self.release());
                out.push(Gesture::Key(key));
            }
        }
        out
    }

    /// Gives what has been held long enough by `now`.
    pub(super) fn pass(&mut self, now: Duration) -> Vec<Gesture> {
        match self.deadline() {
            Some(at) if now >= at => self.release().into_iter().collect(),
            _ => Vec::new(),
        }
    }

    /// When [`Self::pass`] has something to give.
    pub(super) fn deadline(&self) -> Option<Duration> {
        (!self.held.is_empty()).then(|| self.last + FAST)
    }

    fn release(&mut self) -> Option<Gesture> {
        let text = std::mem::take(&mut self.held);
        let mut characters = text.chars();
        match (characters.next()?, characters.next()) {
            (only, None) => Some(Gesture::Key(KeyEvent::new(KeyCode::Char(only), KeyModifiers::NONE))),
            _ => Some(Gesture::Burst { text, entered: false }),
        }
    }
}

fn printable(key: KeyEvent) -> Option<char> {
    match key.code {
        KeyCode::Char(c) if (key.modifiers - KeyModifiers::SHIFT).is_empty() => Some(c),
        _ => None,
    }
}

/// Enter, or the line feed that some scanners send.
fn is_line_end(key: KeyEvent) -> bool {
    key.code == KeyCode::Enter || (key.code == KeyCode::Char('j') && key.modifiers == KeyModifiers::CONTROL)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(n: u64) -> Duration {
        Duration::from_millis(n)
    }

    fn key(c: char) -> KeyEvent {
        KeyEvent::new(KeyCode::Char(c), KeyModifiers::NONE)
    }

    fn enter() -> KeyEvent {
        KeyEvent::new(KeyCode::Enter, KeyModifiers::NONE)
    }

    #[test]
    fn a_hand_is_a_hand() {
        let mut board = Keyboard::default();
        assert_eq!(board.press(ms(0), key('n')), []);
        assert_eq!(board.pass(ms(29)), []);
        assert_eq!(board.pass(ms(30)), [Gesture::Key(key('n'))]);
        assert_eq!(board.press(ms(100), key('a')), []);
        assert_eq!(board.press(ms(180), key('b')), [Gesture::Key(key('a'))]);
        assert_eq!(board.press(ms(300), enter()), [Gesture::Key(key('b')), Gesture::Key(enter())]);
    }

    #[test]
    fn a_scan_is_one_thing_and_swallows_its_second_line_end() {
        let mut board = Keyboard::default();
        for (at, c) in "n F8?".chars().enumerate() {
            assert_eq!(board.press(ms(at as u64 * 2), key(c)), []);
        }
        let scan = Gesture::Burst { text: "n F8?".into(), entered: true };
        assert_eq!(board.press(ms(12), enter()), [scan]);
        assert_eq!(board.press(ms(13), enter()), []);
        assert_eq!(board.press(ms(500), enter()), [Gesture::Key(enter())]);
    }

    #[test]
    fn a_burst_is_bounded() {
        let mut board = Keyboard::default();
        for _ in 0..100_000 {
            assert_eq!(board.press(ms(0), key('x')), []);
            assert_eq!(board.press(ms(0), key('y')), []);
        }
        assert!(board.held.len() <= LONGEST);
    }
}
