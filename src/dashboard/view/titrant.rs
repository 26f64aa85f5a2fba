//! The page of titrants: lots with their factors, the standardisation that goes on, the factors before.

use super::super::desk::Lot;
use super::super::state::State;
use super::super::text::visible;
use super::super::theme::Tone;
use super::super::titrant;
use super::page::{Lines, age};
use super::{series, sharing};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let lots = titrant::lots(state);
    let rows = u16::try_from(lots.len().clamp(1, 6)).unwrap_or(3) + 2;
    let [top, bottom] = sharing(Layout::vertical([Constraint::Length(rows), Constraint::Min(6)])).areas(area);
    let mut lines = Lines::new(state, top);
    for (at, lot) in lots.iter().enumerate() {
        let (tone, words) = lot_words(state, lot);
        lines.row(tone, &words, at == state.titrant_line);
    }
    match &state.books.lots {
        None => lines.say(Tone::Faint, "the record is being asked"),
        Some((lots, _)) if lots.is_empty() => {
            lines.say(Tone::Plain, "no lot of titrant is entered yet: a enters one");
        }
        Some(_) => {}
    }
    lines.draw("lots of titrant", frame, top);
    let mut lines = Lines::new(state, bottom);
    if let Some(lot) = titrant::lot(state) {
        detail(state, lot, &mut lines);
    }
    let title = titrant::lot(state).map_or("lot".to_owned(), |lot| visible(&lot.name));
    lines.draw(&title, frame, bottom);
}

fn lot_words(state: &State, lot: &Lot) -> (Tone, String) {
    let now = state.books.lots.as_ref().map_or(0, |(_, now)| *now);
    let (tone, factor) = match (&lot.why_not, lot.factors.last()) {
        (Some(why), _) => (Tone::Warn, why.clone()),
        (None, None) => (Tone::Warn, "never standardised".to_owned()),
        (None, Some(kept)) => {
            let f = &kept.it;
            let factor = f.factor.map_or(String::new(), |f| format!(", factor {f:.5}"));
            (Tone::Plain, format!("{:.6} {}{factor}, {} ago", f.value, f.unit, age(now, kept.utc_us)))
        }
    };
    (tone, visible(&format!("{}  {}  {factor}", lot.name, lot.what)))
}

fn detail(state: &State, lot: &Lot, lines: &mut Lines<'_>) {
    let theme = state.options.theme;
    let now = state.books.lots.as_ref().map_or(0, |(_, now)| *now);
    if let Some((value, unit)) = &lot.nominal {
        lines.say(Tone::Plain, &format!("nominal {value} {unit}"));
    }
    match &lot.series {
        None if lot.procedure.is_some() => {
            lines.say(Tone::Plain, "Weigh a portion of the primary standard; space begins its titration.");
        }
        None => lines.say(Tone::Warn, "no procedure that is known here standardises this solution"),
        Some(group) => {
            let held = lot.factors.last().is_some_and(|kept| kept.it.series == group.series);
            let words = format!("standardisation {}, {}", visible(&group.series), group.origin.word());
            lines.say(Tone::Figure, &words);
            for (portion, end_points) in &group.portions {
                let (tone, words) = series::portion_words(state, portion, end_points);
                lines.row(tone, &words, false);
            }
            series::outcome(group, lines);
            if held {
                lines.say(Tone::Good, "the factor of this series is accepted; space begins a new series");
            } else if group.result.as_ref().is_some_and(crate::work::result::SeriesResult::passes) {
                let words = series::accepting(state, "the factor, which holds from then on");
                lines.say(Tone::Figure, &visible(&words));
            }
        }
    }
    if !lot.factors.is_empty() {
        lines.gap();
        lines.say(Tone::Faint, "factors so far, the newest first");
    }
    for kept in lot.factors.iter().rev() {
        let f = &kept.it;
        let factor = f.factor.map_or(String::new(), |f| format!("  factor {f:.5}"));
        lines.row(
            Tone::Plain,
            &visible(&format!(
                "{} ago  {:.6} {} {} {:.6} (u){factor}  n = {}  {}  {}",
                age(now, kept.utc_us),
                f.value,
                f.unit,
                theme.plus_minus(),
                f.u,
                f.n,
                f.series,
                f.origin.word()
            )),
            false,
        );
    }
}
