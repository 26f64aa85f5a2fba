//! The cover of an unattended screen: it shows that recording goes on, and takes no command until
//! somebody says who sits there, by the rule of the bench.

use super::desk::{Question, Secret};
use super::entry::{LONGEST_TEXT, insert};
use super::keyboard::Gesture;
use super::keys::{Action, action};
use super::state::State;
use super::text;
use super::update::{Effect, ask, tell};
use crate::work::{Command, Identity, how_known};
use crossterm::event::{Event as TerminalEvent, KeyCode, KeyEvent};
use std::time::Duration;
use tui_input::Input;
use tui_input::backend::crossterm::to_input_request;

/// What lies over a screen that nobody may command from.
#[derive(Debug, Clone, Default)]
pub(super) struct Cover {
    /// Nobody has said yet who sits here; it may be laid aside to look on.
    pub(super) first: bool,
    /// What is typed: a name, then the pass-phrase of its key.
    pub(super) input: Input,
    /// Whose key is being opened.
    pub(super) name: Option<String>,
    /// An answer is waited for.
    pub(super) waits: bool,
    /// Why it did not open.
    pub(super) wrong: Option<String>,
}

/// The strictest rule by which a lane of the recorder knows people.
pub(super) fn rule(state: &State) -> Identity {
    let known = |identity| state.bench.lanes.iter().any(|lane| lane.people.identity == identity);
    match () {
        () if known(Identity::Key) => Identity::Key,
        () if known(Identity::Named) => Identity::Named,
        () => Identity::Account,
    }
}

/// How long the screen may lie untouched; none: as long as it likes.
fn lock_after(state: &State) -> Option<Duration> {
    let all = state.bench.lanes.iter().filter_map(|lane| lane.people.lock_after_s);
    all.min().map(Duration::from_secs)
}

/// Covers a screen that was left alone for too long.
pub(super) fn settle(state: &mut State) -> Vec<Effect> {
    let idle = state.now.saturating_sub(state.touched);
    let due = state.cover.is_none() && lock_after(state).is_some_and(|after| idle >= after);
    if due { cover(state) } else { Vec::new() }
}

/// Covers the screen; what was open under it stays as it is.
pub(super) fn cover(state: &mut State) -> Vec<Effect> {
    state.cover = Some(Cover::default());
    state.armed = None;
    state.help = None;
    if rule(state) == Identity::Account {
        return Vec::new();
    }
    // The recorder forgets who sat here, too: the cover is no curtain of this screen alone.
    vec![ask(state, Command::Name { name: String::new(), proof: None })]
}

/// The recorder says how it knows whoever sits here.
pub(super) fn known(state: &mut State, who: &str, challenge: &str) {
    let first = state.who.is_none();
    state.who = Some(who.to_owned());
    challenge.clone_into(&mut state.challenge);
    let wanted = match rule(state) {
        Identity::Account => false,
        Identity::Named => how_known(who) == "account",
        Identity::Key => how_known(who) != "key",
    };
    if first && wanted && state.cover.is_none() {
        state.cover = Some(Cover { first: true, ..Cover::default() });
    }
}

/// What a key or a scan does while the screen is covered.
pub(super) fn gesture(state: &mut State, gesture: Gesture) -> Vec<Effect> {
    match gesture {
        Gesture::Burst { text, entered } => {
            if let Some(cover) = &mut state.cover {
                insert(&mut cover.input, &text, LONGEST_TEXT);
            }
            if entered { submit(state) } else { Vec::new() }
        }
        Gesture::Key(key) => press(state, key),
    }
}

fn press(state: &mut State, key: KeyEvent) -> Vec<Effect> {
    let Some(cover) = &mut state.cover else { return Vec::new() };
    match action(key) {
        Some(Action::Redraw) => return vec![Effect::Redraw],
        Some(Action::Open) => return submit(state),
        Some(Action::Back) => {
            cover.input.reset();
            cover.wrong = None;
            if cover.name.take().is_none() && cover.first {
                state.cover = None;
                tell(state, "looking on: F11 says who you are, so that you can command");
            }
            return Vec::new();
        }
        _ => {}
    }
    match key.code {
        KeyCode::Char(c) if (key.modifiers - crossterm::event::KeyModifiers::SHIFT).is_empty() => {
            insert(&mut cover.input, &c.to_string(), LONGEST_TEXT);
        }
        _ => {
            if let Some(request) = to_input_request(&TerminalEvent::Key(key))
                && !matches!(request, tui_input::InputRequest::InsertChar(_) | tui_input::InputRequest::Yank)
            {
                cover.input.handle(request);
            }
        }
    }
    Vec::new()
}

fn submit(state: &mut State) -> Vec<Effect> {
    let rule = rule(state);
    let account = state.who.clone();
    let challenge = state.challenge.clone();
    let Some(cover) = &mut state.cover else { return Vec::new() };
    let typed = cover.input.value().to_owned();
    if cover.waits || typed.trim().is_empty() {
        return Vec::new();
    }
    cover.input.reset();
    cover.wrong = None;
    let typed_name = typed.trim().to_owned();
    match (rule, cover.name.clone()) {
        (Identity::Account, _) => {
            if account.as_deref().is_none_or(|who| is_of(who, &typed_name)) {
                open(state);
            } else {
                cover.wrong = Some("that is not the account or the name of this screen".to_owned());
            }
            Vec::new()
        }
        (Identity::Named, _) => {
            cover.waits = true;
            vec![ask(state, Command::Name { name: typed_name, proof: None })]
        }
        (Identity::Key, None) => {
            cover.name = Some(typed_name);
            Vec::new()
        }
        (Identity::Key, Some(name)) => {
            cover.waits = true;
            vec![Effect::Consult(Box::new(Question::Prove { name, phrase: Secret(typed), challenge }))]
        }
    }
}

/// Whether a name or an account is that of `who`.
fn is_of(who: &str, typed: &str) -> bool {
    let parts = who.strip_suffix(')').and_then(|rest| rest.rsplit_once(" (account "));
    parts.map_or(who == typed, |(name, account)| typed == name || typed == account)
}

/// A key was opened, or not.
pub(super) fn proved(state: &mut State, name: String, proof: Result<String, String>) -> Vec<Effect> {
    match proof {
        Ok(proof) => vec![ask(state, Command::Name { name, proof: Some(proof) })],
        Err(why) => {
            refused(state, &why);
            Vec::new()
        }
    }
}

/// The recorder took the name, or not.
pub(super) fn answered(state: &mut State, name: &str, refused_because: Option<&str>) {
    match refused_because {
        Some(why) => refused(state, why),
        // That it forgot somebody opens nothing.
        None if name.is_empty() => {}
        None => open(state),
    }
}

fn refused(state: &mut State, why: &str) {
    if let Some(cover) = &mut state.cover {
        cover.waits = false;
        cover.name = None;
        cover.wrong = Some(text::visible(why));
    }
}

fn open(state: &mut State) {
    state.cover = None;
    state.touched = state.now;
    let who = state.who.clone().unwrap_or_default();
    tell(state, format!("open: {}", text::visible(&who)));
}

#[cfg(test)]
mod tests {
    use super::is_of;

    #[test]
    fn an_account_is_known_by_its_name() {
        assert!(is_of("rosa", "rosa") && !is_of("rosa", "ivo") && !is_of("rosa", ""));
        let shared = "Rosa Lind (account bench7)";
        assert!(is_of(shared, "Rosa Lind") && is_of(shared, "bench7") && !is_of(shared, "Ivo"));
    }
}
