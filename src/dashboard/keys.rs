//! Every key and what it does: the table that is obeyed is the table that is printed as help.

use super::state::{Over, Page, State};
use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

/// What a key asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Action {
    /// Shows or hides the help.
    Help,
    /// Goes back; loses nothing.
    Back,
    /// Starts a portion or marks a volume.
    Pedal,
    /// Takes what is chosen.
    Open,
    /// Opens a note.
    Note,
    /// Opens the burette reading now.
    Burette,
    /// Opens the burette reading at the start.
    BuretteStart,
    /// Opens the correction of the last burette reading.
    Correct,
    /// Ends the run (twice).
    EndRun,
    /// Sets a stored run aside (with a reason, twice).
    SetAside,
    /// Accepts, keeps or signs (twice).
    Accept,
    /// Searches the stored runs.
    Search,
    /// Lays a curve over the others.
    Lay,
    /// Writes a file of what the page shows.
    File,
    /// Enters something new: a lot, an electrode, a bench.
    Add,
    /// Makes a key for signing.
    NewKey,
    /// Reads the profile files again, and the latest lines with them.
    Reread,
    /// Leaves the screen (twice).
    LeaveScreen,
    /// Goes to a page.
    Go(Page),
    /// Goes to the next page.
    NextPage,
    /// Goes to the page before.
    PreviousPage,
    /// Looks at the next lane.
    NextLane,
    /// A line up.
    Up,
    /// A line down.
    Down,
    /// A screenful up.
    PageUp,
    /// A screenful down.
    PageDown,
    /// To the beginning; on the run page the whole curve.
    First,
    /// To the newest.
    Last,
    /// Cursor to the left.
    Left,
    /// Cursor to the right.
    Right,
    /// A closer look.
    ZoomIn,
    /// A wider look.
    ZoomOut,
    /// Opens what was seen.
    Seen,
    /// Asks for the hand on the run, or answers who asks.
    Hand,
    /// Covers the screen, and asks who sits there.
    Cover,
    /// Silences the alarms that sound.
    Silence,
    /// Looks at the lane that needs a person.
    Jump,
    /// Draws everything anew.
    Redraw,
}

/// One line of the table.
pub(super) struct Binding {
    keys: &'static [(KeyCode, KeyModifiers)],
    /// The keys as people call them.
    pub(super) shown: &'static str,
    /// What they do.
    pub(super) action: Action,
    /// What they do, in words.
    pub(super) words: &'static str,
}

const PLAIN: KeyModifiers = KeyModifiers::NONE;
const CONTROL: KeyModifiers = KeyModifiers::CONTROL;

const fn bind(
    keys: &'static [(KeyCode, KeyModifiers)],
    shown: &'static str,
    action: Action,
    words: &'static str,
) -> Binding {
    Binding { keys, shown, action, words }
}

#[rustfmt::skip]
pub(super) const TABLE: &[Binding] = &[
    bind(&[(KeyCode::Char(' '), PLAIN)], "space", Action::Pedal, "the pedal: starts a portion, marks a volume; never ends"),
    bind(&[(KeyCode::Char('v'), PLAIN)], "v", Action::Burette, "key the burette reading now (a digit does so too)"),
    bind(&[(KeyCode::Char('s'), PLAIN)], "s", Action::BuretteStart, "key the burette reading at the start; on the steps: skip one, with a reason"),
    bind(&[(KeyCode::Char('c'), PLAIN)], "c", Action::Correct, "correct the last burette reading; on a run looked through: choose what is reported"),
    bind(&[(KeyCode::Char('i'), PLAIN)], "i", Action::Seen, "titration by eye: the burette reading and what was seen"),
    bind(&[(KeyCode::Char('n'), PLAIN)], "n", Action::Note, "write a note (on series and titrant: a remark with the acceptance); a scanned label becomes a note by itself"),
    bind(&[(KeyCode::F(8), PLAIN)], "F8 F8", Action::EndRun, "end the run: twice, a moment apart, within 3 s"),
    bind(&[(KeyCode::F(7), PLAIN)], "F7", Action::Reread, "on the wire page: read the profile file again, and the latest lines with it"),
    bind(&[(KeyCode::F(9), PLAIN)], "F9", Action::SetAside, "set the chosen portion or run aside: reason, then F9 F9"),
    bind(&[(KeyCode::F(12), PLAIN), (KeyCode::Char('y'), CONTROL)], "F12 Ctrl-Y", Action::Accept, "F12 F12: accept a factor or a result, keep a check, sign: twice, a moment apart, within 3 s; Ctrl-Y where the terminal takes F12 for itself"),
    bind(&[(KeyCode::Char('/'), PLAIN)], "/", Action::Search, "search the stored runs"),
    bind(&[(KeyCode::Char('o'), PLAIN)], "o", Action::Lay, "lay the curve of the run over the others, or take it away"),
    bind(&[(KeyCode::Char('f'), PLAIN)], "f", Action::File, "write a file of what the page shows: a report, a picture, tables"),
    bind(&[(KeyCode::Char('a'), PLAIN)], "a", Action::Add, "add: a titrant lot, an electrode, a bench, equipment, another evaluation, by the page"),
    bind(&[(KeyCode::Char('k'), PLAIN)], "k", Action::NewKey, "make a key for signing, behind a pass-phrase"),
    bind(&[(KeyCode::Char('m'), PLAIN)], "m", Action::Silence, "silence what sounds now: bell and border; it is still told in words"),
    bind(&[(KeyCode::Char('j'), PLAIN)], "j", Action::Jump, "to the lane that needs a person"),
    bind(&[(KeyCode::Char('h'), PLAIN)], "h", Action::Hand, "the hand on the run: ask for it, give or keep it, take it with a reason"),
    bind(&[(KeyCode::F(11), PLAIN), (KeyCode::Char('o'), CONTROL)], "F11 Ctrl-O", Action::Cover, "cover this screen; say who sits here; recording goes on"),
    bind(&[(KeyCode::F(1), PLAIN), (KeyCode::Char('?'), PLAIN)], "? F1", Action::Help, "all keys"),
    bind(&[(KeyCode::Esc, PLAIN)], "Esc", Action::Back, "back; what was typed is kept"),
    bind(&[(KeyCode::F(2), PLAIN)], "F2", Action::Go(Page::Run), "the run"),
    bind(&[(KeyCode::F(3), PLAIN), (KeyCode::Char('w'), PLAIN)], "F3 w", Action::Go(Page::Wire), "the wire: what came in, what was understood"),
    bind(&[(KeyCode::F(4), PLAIN), (KeyCode::Char('b'), PLAIN)], "F4 b", Action::Go(Page::Bench), "the bench: instruments and lanes"),
    bind(&[(KeyCode::F(5), PLAIN), (KeyCode::Char('r'), PLAIN)], "F5 r", Action::Go(Page::Runs), "stored runs"),
    bind(&[(KeyCode::Char('p'), PLAIN)], "p", Action::Go(Page::Series), "the series: portions side by side"),
    bind(&[(KeyCode::Char('e'), PLAIN)], "e", Action::Go(Page::Electrode), "electrodes and their checks"),
    bind(&[(KeyCode::Char('t'), PLAIN)], "t", Action::Go(Page::Titrant), "titrants and their factors"),
    bind(&[(KeyCode::Char('x'), PLAIN)], "x", Action::Go(Page::Steps), "steps of preparation and care: tick or skip them"),
    bind(&[(KeyCode::Char('q'), PLAIN)], "q", Action::Go(Page::Equipment), "equipment: burettes, balances, buffers, standards, all that is measured with"),
    bind(&[(KeyCode::Char('g'), PLAIN)], "g", Action::Go(Page::Charts), "graphs: control samples, trends of electrode and solutions"),
    bind(&[(KeyCode::Char('d'), PLAIN)], "d", Action::Go(Page::Decisions), "decisions: the ledger since the last review, signed with F12"),
    bind(&[(KeyCode::Tab, PLAIN)], "Tab", Action::NextPage, "next page"),
    bind(&[(KeyCode::BackTab, KeyModifiers::SHIFT), (KeyCode::BackTab, PLAIN)], "Shift-Tab", Action::PreviousPage, "page before"),
    bind(&[(KeyCode::F(6), PLAIN), (KeyCode::Char('l'), PLAIN)], "F6 l", Action::NextLane, "next lane"),
    bind(&[(KeyCode::Enter, PLAIN)], "Enter", Action::Open, "take what is chosen"),
    bind(&[(KeyCode::Left, PLAIN)], "Left", Action::Left, "cursor on the curve, to the left"),
    bind(&[(KeyCode::Right, PLAIN)], "Right", Action::Right, "cursor on the curve, to the right"),
    bind(&[(KeyCode::Char('+'), PLAIN), (KeyCode::Char('='), PLAIN)], "+", Action::ZoomIn, "look closer at the curve"),
    bind(&[(KeyCode::Char('-'), PLAIN)], "-", Action::ZoomOut, "look wider"),
    bind(&[(KeyCode::Home, PLAIN)], "Home", Action::First, "whole curve; first line"),
    bind(&[(KeyCode::End, PLAIN)], "End", Action::Last, "newest point or line"),
    bind(&[(KeyCode::Up, PLAIN)], "Up", Action::Up, "a line up"),
    bind(&[(KeyCode::Down, PLAIN)], "Down", Action::Down, "a line down"),
    bind(&[(KeyCode::PageUp, PLAIN)], "PgUp", Action::PageUp, "many lines up"),
    bind(&[(KeyCode::PageDown, PLAIN)], "PgDn", Action::PageDown, "many lines down"),
    bind(&[(KeyCode::Char('l'), CONTROL)], "Ctrl-L", Action::Redraw, "draw the screen anew, and read again what it shows"),
    bind(&[(KeyCode::F(10), PLAIN), (KeyCode::Char('c'), CONTROL)], "Ctrl-C F10", Action::LeaveScreen, "twice: leave the screen; ends nothing, the recorder goes on"),
];

/// What a key asks for.
pub(super) fn action(key: KeyEvent) -> Option<Action> {
    // Terminals differ in whether they report Shift with a printed character.
    let modifiers = match key.code {
        KeyCode::Char(_) => key.modifiers - KeyModifiers::SHIFT,
        _ => key.modifiers,
    };
    TABLE.iter().find(|b| b.keys.contains(&(key.code, modifiers))).map(|b| b.action)
}

/// The keys that matter now, each with a word or two.
pub(super) fn hints(state: &State) -> Vec<(&'static str, &'static str)> {
    if let Some(cover) = &state.cover {
        let back = if cover.first { "look on" } else { "clear" };
        return vec![("Enter", "open"), ("Esc", back), ("Ctrl-C", "close the screen")];
    }
    if state.help.is_some() {
        return vec![("Esc", "back"), ("Up Down", "scroll")];
    }
    match &state.over {
        Over::Entry(entry) if entry.asks.is_volume() => {
            vec![
                ("Enter", "take it"),
                ("Up Down", "now / start / correct"),
                ("Esc", "back"),
                ("F1", "all keys"),
            ]
        }
        Over::Entry(entry) => match entry.asks {
            super::entry::Asks::Reason(_) => {
                vec![("F9 F9", "set aside"), ("Esc", "back"), ("F1", "all keys")]
            }
            super::entry::Asks::NewProfile => {
                vec![("F7", "read it again"), ("Esc", "back"), ("F1", "all keys")]
            }
            super::entry::Asks::Seen | super::entry::Asks::GiveHand | super::entry::Asks::TakeHand => {
                vec![("Enter", "take it"), ("Esc", "back"), ("F1", "all keys")]
            }
            _ => vec![("Enter", "keep the note"), ("Esc", "back"), ("F1", "all keys")],
        },
        Over::Form(form) if form.line == super::form::FormLine::Ready => vec![
            ("space", "start"),
            ("x", "steps"),
            ("e", "electrode"),
            ("t", "titrant"),
            ("Esc", "back"),
            ("Up", "lines"),
            ("F1", "all keys"),
        ],
        Over::Form(_) => {
            vec![("Enter", "next line"), ("Esc", "back"), ("Up Down", "lines"), ("F1", "all keys")]
        }
        Over::Sheet(sheet) => {
            let mut hints = vec![match (sheet.purpose.is_decision(), sheet.is_last()) {
                (true, _) => ("F12 F12", "decide"),
                (false, true) => ("Enter", "take it"),
                (false, false) => ("Enter", "next line"),
            }];
            if sheet.lines.len() > 1 {
                hints.push(("Up Down", "lines"));
            }
            if sheet.lines.get(sheet.at).is_some_and(|line| !line.known.is_empty()) {
                hints.push(("Left Right", "choose"));
            }
            hints.extend([("Esc", "back"), ("F1", "all keys")]);
            hints
        }
        Over::Nothing => page_hints(state),
    }
}

pub(super) fn page_hints(state: &State) -> Vec<(&'static str, &'static str)> {
    let mut hints = match state.page {
        Page::Run => match (state.live_run(), state.lane()) {
            (Some(_), Some(lane)) if lane.keyed => vec![
                ("space", "step added"),
                ("v", "burette"),
                ("c", "correct"),
                ("n", "note"),
                ("F8 F8", "end run"),
            ],
            (Some(_), _) => vec![("space", "mark"), ("n", "note"), ("F8 F8", "end run"), ("w", "wire")],
            (None, Some(lane)) if lane.run.is_some() => {
                vec![
                    ("space", "next portion"),
                    ("F9", "set aside"),
                    ("f", "file"),
                    ("p", "series"),
                    ("t", "titrant"),
                    ("e", "electrode"),
                    ("r", "runs"),
                    ("x", "steps"),
                ]
            }
            (None, None) => vec![("space", "set up a bench"), ("r", "runs"), ("b", "bench")],
            (None, _) => {
                vec![
                    ("space", "new portion"),
                    ("e", "electrode"),
                    ("t", "titrant"),
                    ("p", "series"),
                    ("r", "runs"),
                    ("q", "equipment"),
                ]
            }
        },
        Page::Wire => {
            vec![("Up Down PgUp", "scroll"), ("End", "newest"), ("F7", "profile again"), ("Esc", "run")]
        }
        Page::Bench => vec![
            ("Up Down", "choose"),
            ("Enter", "look at it"),
            ("j", "who needs me"),
            ("Esc", "run"),
            ("a", "new bench"),
        ],
        Page::Runs if state.review.opened.is_some() => vec![
            ("Left Right", "reckoning"),
            ("F12", "sign"),
            ("a", "evaluate"),
            ("c", "choose"),
            ("f", "file"),
            ("Esc", "list"),
            ("Up Down", "scroll"),
            ("F9", "set aside"),
            ("o", "overlay"),
        ],
        Page::Runs => vec![
            ("Up Down", "choose"),
            ("Enter", "open"),
            ("/", "search"),
            ("f", "file"),
            ("o", "overlay"),
            ("Esc", "run"),
        ],
        Page::Series => vec![
            ("space", "next"),
            ("F12 F12", "accept"),
            ("F9", "set aside"),
            ("n", "remark"),
            ("f", "file"),
            ("Enter", "open"),
            ("Esc", "run"),
            ("Left Right", "series"),
        ],
        Page::Steps => vec![("space", "done"), ("s", "skip"), ("Up Down", "choose"), ("Esc", "back")],
        Page::Equipment => {
            vec![("a", "add"), ("Enter", "a further version"), ("Up Down", "choose"), ("Esc", "run")]
        }
        Page::Charts => vec![("Left Right", "chart"), ("Up Down", "point"), ("f", "file"), ("Esc", "run")],
        Page::Decisions => {
            vec![("Up Down", "row"), ("Left Right", "all / since review"), ("F12", "sign"), ("Esc", "run")]
        }
        Page::Electrode => {
            vec![
                ("space", "begin a check"),
                ("F12 F12", "keep it"),
                ("a", "add"),
                ("f", "file"),
                ("Esc", "run"),
            ]
        }
        Page::Titrant => {
            vec![
                ("space", "standardise"),
                ("F12 F12", "accept factor"),
                ("a", "add a lot"),
                ("f", "file"),
                ("Esc", "run"),
            ]
        }
        Page::Setup => vec![("Up Down", "choose"), ("Enter", "on"), ("Esc", "a step back")],
    };
    if state.page == Page::Run && (state.lens.zoom > 0 || state.lens.cursor.is_some()) {
        hints.push(("Esc", "whole curve"));
    }
    hints.push(("?", "all keys"));
    hints
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_key_means_two_things() {
        let mut seen = Vec::new();
        for binding in TABLE {
            for key in binding.keys {
                assert!(!seen.contains(key), "{}", binding.shown);
                seen.push(*key);
            }
        }
    }

    #[test]
    fn what_takes_two_presses_is_no_printable_key() {
        for binding in TABLE {
            if matches!(
                binding.action,
                Action::EndRun | Action::SetAside | Action::Accept | Action::LeaveScreen
            ) {
                for (code, modifiers) in binding.keys {
                    assert!(!matches!(code, KeyCode::Char(_)) || *modifiers == CONTROL, "{}", binding.shown);
                }
            }
        }
    }
}
