//! Fields that lie over the page: one field, or the form for the next portion.

use super::super::entry::{Asks, Entry, Form, FormLine};
use super::super::state::State;
use super::super::text::{cut, visible, width, wrap};
use super::super::theme::Tone;
use super::{over, panel};
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;
use tui_input::Input;

/// Draws one field.
pub(super) fn entry(state: &State, entry: &Entry, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let place = over(frame, area, 64, 7);
    let block = panel(theme, entry.asks.heading(), 1);
    let inner = block.inner(place);
    frame.render_widget(block, place);
    let (tone, words) = judgement(state, entry);
    let mut lines = vec![Line::default(), Line::default(), Line::default()];
    lines.extend(
        wrap(&words, usize::from(inner.width).saturating_sub(2))
            .into_iter()
            .map(|line| Line::from(Span::styled(format!(" {line}"), theme.style(tone)))),
    );
    frame.render_widget(Paragraph::new(lines), inner);
    let unit = entry.asks.unit();
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
        Asks::TakeHand => {
            (Tone::Plain, "Enter takes it, half a minute after it was asked for; the ledger keeps why".to_owned())
        }
        Asks::Burette | Asks::BuretteStart | Asks::Correction => match entry.mark() {
            Ok(_) => {
                let last = state.live_run().and_then(|run| run.points.last());
                let so_far = last.map_or(String::new(), |p| format!("; added so far {:.3} mL", p.titrant));
                (Tone::Good, format!("Enter takes it{so_far}"))
            }
            Err(why) if entry.input.value().is_empty() => (Tone::Faint, why),
            Err(why) => (Tone::Warn, why),
        },
    }
}

/// A field with its text; the cursor of the terminal stands in it when it has the focus.
fn type_in(state: &State, input: &Input, frame: &mut Frame<'_>, field: Rect, focus: bool) {
    if field.width == 0 {
        return;
    }
    let theme = state.options.theme;
    let columns = usize::from(field.width);
    let scrolled = input.visual_scroll(columns.saturating_sub(1));
    // What was typed is kept as typed; what is shown of it cannot move the cursor of the terminal.
    let shown: String = input
        .value()
        .chars()
        .map(|c| if visible(&c.to_string()).chars().eq([c]) { c } else { '?' })
        .collect();
    let mut skipped = 0;
    let tail: String = shown
        .chars()
        .skip_while(|c| {
            let skip = skipped < scrolled;
            skipped += width(&c.to_string());
            skip
        })
        .collect();
    let text = cut(&tail, columns, "");
    let pad = " ".repeat(columns.saturating_sub(width(&text)));
    let style = theme.style(Tone::Figure);
    let style = if focus { style.add_modifier(ratatui::style::Modifier::UNDERLINED) } else { style };
    frame.buffer_mut().set_string(field.x, field.y, format!("{text}{pad}"), style);
    if focus {
        let at = input.visual_cursor().max(scrolled) - scrolled;
        let at = u16::try_from(at).unwrap_or(0).min(field.width - 1);
        frame.set_cursor_position((field.x + at, field.y));
    }
}

/// Draws the form for the next portion.
pub(super) fn form(state: &State, form: &Form, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let wide = 74.min(area.width);
    let columns = usize::from(wide).saturating_sub(4);
    let mut cautions = Vec::new();
    for caution in &form.cautions {
        cautions.extend(wrap(&format!("! {}", visible(caution)), columns));
    }
    let most = usize::from(area.height).saturating_sub(11);
    if cautions.len() > most {
        cautions.truncate(most.saturating_sub(1));
        cautions.push("! there is more: see the procedure".to_owned());
    }
    let high = u16::try_from(cautions.len()).unwrap_or(0) + 10;
    let place = over(frame, area, wide, high);
    let block = panel(theme, "next portion", 1);
    let inner = block.inner(place);
    frame.render_widget(block, place);
    let mut y = inner.y;
    for caution in &cautions {
        frame.buffer_mut().set_string(inner.x + 1, y, caution, theme.style(Tone::Warn));
        y += 1;
    }
    y += 1;
    for line in FormLine::ALL {
        let focus = line == form.line;
        let tone = if focus { Tone::Figure } else { Tone::Plain };
        let pointer = if focus { "▸" } else { " " };
        frame.buffer_mut().set_string(inner.x + 1, y, format!("{pointer} {}", name(line)), theme.style(tone));
        let field = Rect { x: inner.x + 14, y, width: inner.width.saturating_sub(16), height: 1 };
        match line {
            FormLine::Procedure => {
                let title = cut(&visible(&form.title), usize::from(field.width), theme.more());
                frame.buffer_mut().set_string(field.x, y, title, theme.style(tone));
            }
            FormLine::Sample => type_in(state, &form.sample, frame, field, focus),
            FormLine::Portion => {
                let words = format!("{} of {}", form.portion.0, form.portion.1);
                frame.buffer_mut().set_string(field.x, y, words, theme.style(tone));
            }
            FormLine::Mass => {
                type_in(state, &form.mass, frame, Rect { width: field.width.min(14), ..field }, focus);
                frame.buffer_mut().set_string(field.x + 15, y, "g", theme.style(Tone::Figure));
            }
            FormLine::Ready => {
                let words = if focus { "space, the pedal or Enter starts" } else { "" };
                frame.buffer_mut().set_string(field.x, y, words, theme.style(Tone::Figure));
            }
        }
        y += 1;
    }
    let (tone, words) = advice(state, form);
    frame.buffer_mut().set_string(
        inner.x + 1,
        y + 1,
        cut(&words, usize::from(inner.width) - 2, theme.more()),
        theme.style(tone),
    );
}

const fn name(line: FormLine) -> &'static str {
    match line {
        FormLine::Procedure => "procedure",
        FormLine::Sample => "sample",
        FormLine::Portion => "portion",
        FormLine::Mass => "mass",
        FormLine::Ready => "start",
    }
}

fn advice(state: &State, form: &Form) -> (Tone, String) {
    match form.line {
        FormLine::Procedure if state.options.procedures.is_empty() => {
            (Tone::Faint, "no other procedure to choose from".to_owned())
        }
        FormLine::Procedure => (Tone::Faint, "Left and Right choose".to_owned()),
        FormLine::Sample => (Tone::Faint, "scan the label or type it".to_owned()),
        FormLine::Portion => (Tone::Faint, "Left and Right change the number".to_owned()),
        FormLine::Mass => match form.mass_g() {
            Err(why) => (Tone::Warn, why),
            Ok(None) => (Tone::Faint, "empty: the mass is not known yet".to_owned()),
            Ok(Some(_)) => (Tone::Good, "Enter takes it".to_owned()),
        },
        FormLine::Ready => {
            (Tone::Faint, "nothing is sent to the instrument but what its profile says".to_owned())
        }
    }
}
