//! The page of steps: what is due before and after a portion and its series, and what was said about it.

use super::super::state::State;
use super::super::steps;
use super::super::text::visible;
use super::super::theme::Tone;
use super::page::Lines;
use ratatui::Frame;
use ratatui::layout::Rect;

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let mut lines = Lines::new(state, area);
    let title = match &state.books.steps {
        Some((plan, _)) => format!("steps of series {}, portion {}", visible(&plan.series), plan.portion),
        None => "steps of preparation and care".to_owned(),
    };
    if steps::plan(state).is_none() {
        lines.say(Tone::Plain, "No portion is planned and none was titrated here: space on the run page opens the form; x on its last line comes back here.");
    } else if state.books.steps.is_none() {
        lines.say(Tone::Faint, "the record is being asked");
    } else if steps::lines(state).is_empty() {
        lines.say(Tone::Plain, "The procedure asks for no steps of preparation and care.");
    }
    let mut when = None;
    for (at, line) in steps::lines(state).iter().enumerate() {
        if when != Some(line.step.when) {
            when = Some(line.step.when);
            lines.line(Tone::Figure, line.step.when.words());
        }
        let (tone, mark) = match &line.said {
            None => (Tone::Plain, "[ ]"),
            Some(kept) if kept.it.done => (Tone::Good, "[x]"),
            Some(_) => (Tone::Warn, "[-]"),
        };
        lines.row(tone, &format!("{mark} {}", visible(&line.step.text)), at == state.steps_line);
        if let Some(kept) = line.said.as_ref() {
            let word = if kept.it.done { "done" } else { "SKIPPED" };
            let why = if kept.it.why.is_empty() { String::new() } else { format!(": {}", kept.it.why) };
            lines.line(Tone::Faint, &visible(&format!("      {word} by {}{why}", kept.who)));
        }
    }
    if let Some(line) = steps::lines(state).get(state.steps_line) {
        lines.gap();
        lines.say(Tone::Plain, &visible(&line.step.text));
        let source = line.step.source.as_ref().map_or_else(
            || "common practice; the laboratory's own rules come first".to_owned(),
            |source| format!("asked for by {source}"),
        );
        lines.say(Tone::Faint, &visible(&source));
    }
    lines.draw(&title, frame, area);
}
