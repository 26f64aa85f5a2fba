//! One field over the page, with what holds about the text as it stands.

use super::super::entry::{Asks, Entry};
use super::super::state::State;
use super::super::text::wrap;
use super::super::theme::Tone;
use super::field::{boxed, type_in};
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;

/// Draws one field.
pub(super) fn draw(state: &State, entry: &Entry, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let inner = boxed(state, &entry.asks.heading(), (64, 7), frame, area);
    let (tone, words) = judgement(state, entry);
    let mut lines = vec![Line::default(), Line::default(), Line::default()];
    lines.extend(
        wrap(&words, usize::from(inner.width).saturating_sub(2))
            .into_iter()
            .map(|line| Line::from(Span::styled(format!(" {line}"), theme.style(tone)))),
    );
    frame.render_widget(Paragraph::new(lines), inner);
    let unit = if entry.asks.is_volume() { titrant_unit(state) } else { "" };
    let unit_wide = u16::try_from(unit.len()).unwrap_or(0);
    let field = Rect {
        x: inner.x + 2,
        y: inner.y + 1,
        width: inner.width.saturating_sub(5 + unit_wide).min(if unit.is_empty() { 60 } else { 14 }),
        height: 1,
    };
    type_in(state, &entry.input, frame, field, true);
    frame.buffer_mut().set_string(field.x + field.width + 1, field.y, unit, theme.style(Tone::Figure));
}

/// The unit of amounts of titrant in the run that goes on.
fn titrant_unit(state: &State) -> &'static str {
    state.live_run().map_or("mL", |run| run.head.curve.titrant.unit().symbol())
}

/// What holds about the text as it stands.
fn judgement(state: &State, entry: &Entry) -> (Tone, String) {
    match entry.asks {
        Asks::Note => (Tone::Faint, "Enter keeps it with the time".to_owned()),
        Asks::NewProfile => {
            (Tone::Plain, "F7 reads the profile file again; the reason is kept with the run".to_owned())
        }
        Asks::Reason(_) if entry.input.value().trim().is_empty() => {
            (Tone::Warn, "a reason is needed; the run stays in the record".to_owned())
        }
        Asks::Reason(_) => (Tone::Plain, "F9 F9 sets the run aside; it stays in the record".to_owned()),
        Asks::Seen => match entry.seen() {
            Ok(_) => (Tone::Good, "Enter takes it; i again tells the last one anew".to_owned()),
            Err(why) if entry.input.value().is_empty() => (Tone::Faint, why),
            Err(why) => (Tone::Plain, why),
        },
        Asks::GiveHand => (Tone::Plain, "yes gives it, no keeps it; then Enter".to_owned()),
        Asks::TakeHand => (
            Tone::Plain,
            "Enter takes it, half a minute after it was asked for; the ledger keeps why".to_owned(),
        ),
        Asks::Burette | Asks::BuretteStart | Asks::Correction => match entry.mark() {
            Ok(_) => {
                let last = state.live_run().and_then(|run| run.points.last());
                let so_far = last.map_or(String::new(), |p| {
                    format!("; added so far {:.3} {}", p.titrant, titrant_unit(state))
                });
                (Tone::Good, format!("Enter takes it{so_far}"))
            }
            Err(why) if entry.input.value().is_empty() => (Tone::Faint, why),
            Err(why) => (Tone::Warn, why),
        },
    }
}
