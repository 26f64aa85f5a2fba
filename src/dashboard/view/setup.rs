//! The guide to a bench, step by step.

use super::super::setup::{Setup, Step};
use super::super::state::State;
use super::super::text::visible;
use super::super::theme::Tone;
use super::page::Lines;
use ratatui::Frame;
use ratatui::layout::Rect;

/// Draws the guide.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let mut lines = Lines::new(state, area);
    let setup = &state.setup;
    let title = match setup.step {
        Step::Place => {
            place(setup, &mut lines);
            "new bench, step 1 of 4: where does the instrument hang"
        }
        Step::Permission => {
            permission(setup, &mut lines);
            "new bench, step 2 of 4: listen"
        }
        Step::Listening => {
            let port = setup.port.as_deref().unwrap_or_default();
            lines.say(Tone::Figure, &format!("Listening at {}. Nothing is sent.", visible(port)));
            lines.gap();
            lines.say(
                Tone::Plain,
                "If the instrument sends only by its print key, press that key now, some ten times.",
            );
            lines.say(Tone::Plain, "This takes up to half a minute while no setting has given text.");
            "new bench, step 2 of 4: listen"
        }
        Step::Heard => {
            heard(setup, &mut lines);
            "new bench, step 3 of 4: what came in"
        }
        Step::Understood => {
            understood(setup, &mut lines);
            "new bench, step 4 of 4: what was understood"
        }
    };
    lines.draw(title, frame, area);
}

fn place(setup: &Setup, lines: &mut Lines<'_>) {
    lines.say(Tone::Plain, "Switch the instrument on and plug its cable in, then choose where it hangs. No instrument at hand? The practice bench is simulated.");
    lines.gap();
    for (at, place) in setup.places.iter().enumerate() {
        let words = visible(&format!("{}  {}", place.port, place.words));
        let words = if place.simulated { visible(&place.words) } else { words };
        lines.row(Tone::Plain, &words, at == setup.line);
    }
    lines.row(Tone::Plain, "another place: type a device or tcp:HOST:PORT", setup.line >= setup.places.len());
    lines.gap();
    lines.say(Tone::Figure, "Up and Down choose, Enter (or the pedal) takes it.");
    lines.say(
        Tone::Faint,
        "A cable plugged in now: Ctrl-L looks again. A bench file of your own: dropwise run --bench NAME.",
    );
}

fn permission(setup: &Setup, lines: &mut Lines<'_>) {
    let port = visible(setup.port.as_deref().unwrap_or_default());
    lines.say(Tone::Figure, &format!("May {port} be opened?"));
    lines.gap();
    lines.say(Tone::Plain, "Nothing is sent. On a serial port the wires DTR and RTS go on: an instrument that acts on these wires, or that another program uses, may be disturbed.");
    lines.gap();
    lines.say(Tone::Figure, "Enter (or the pedal): yes, open it and listen. Esc: choose another.");
}

fn heard(setup: &Setup, lines: &mut Lines<'_>) {
    let Some(heard) = &setup.heard else { return };
    lines.say(Tone::Plain, &format!("{} gave {} bytes, {}:", visible(&heard.port), heard.bytes, heard.line));
    lines.gap();
    for line in heard.sample.iter().take(12) {
        lines.row(Tone::Good, &visible(line), false);
    }
    lines.gap();
    lines.say(Tone::Figure, "Does it look like what the instrument shows? Enter goes on, Esc listens again.");
}

fn understood(setup: &Setup, lines: &mut Lines<'_>) {
    let Some(drafted) = &setup.drafted else { return };
    for column in &drafted.columns {
        lines.row(Tone::Plain, &visible(column), false);
    }
    lines.gap();
    match setup.question() {
        Some((number, words, choices)) => {
            let open = drafted.questions.len();
            lines.say(Tone::Warn, &format!("{open} not sure. Question {number}:"));
            for line in words {
                lines.row(Tone::Plain, &visible(line), false);
            }
            if let Some(guess) = choices.first() {
                lines.say(Tone::Plain, &format!("guess: {}", visible(guess)));
            }
            lines.say(Tone::Figure, "Enter answers it.");
        }
        None => {
            let volume = if drafted.sends_volume {
                "The volume of titrant comes from the line."
            } else {
                "No volume comes from the line: it is keyed by hand, reading by reading."
            };
            lines.say(Tone::Plain, volume);
            lines.say(Tone::Figure, "Nothing is left to ask. Enter names the bench and opens it.");
        }
    }
}
