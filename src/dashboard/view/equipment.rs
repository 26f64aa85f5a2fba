//! The page of the equipment: what the lab measures with.

use super::super::equipment;
use super::super::state::State;
use super::super::text::visible;
use super::super::theme::Tone;
use super::page::{Lines, age};
use crate::work::{Equipment, Kept};
use ratatui::Frame;
use ratatui::layout::Rect;

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let mut lines = Lines::new(state, area);
    let pieces = equipment::pieces(state);
    match &state.books.stock {
        None => lines.say(Tone::Faint, "the record is being asked"),
        Some(_) if pieces.is_empty() => lines.say(
            Tone::Plain,
            "Nothing is entered yet: a enters a burette, a balance, a buffer, a standard. Without them results carry no uncertainty of what measured them, and say so.",
        ),
        Some(_) => {}
    }
    for (at, kept) in pieces.iter().enumerate() {
        let (tone, words) = words(state, kept);
        lines.row(tone, &visible(&words), at == state.equipment_line);
    }
    if let Some(kept) = pieces.get(state.equipment_line) {
        let now = state.books.stock.as_ref().map_or(0, |(_, now)| *now);
        lines.gap();
        let certificate = kept.it.certificate.as_ref().map_or_else(String::new, |c| format!("{c}; "));
        let words = format!(
            "{certificate}entered {} ago by {}, document {}",
            age(now, kept.utc_us),
            kept.who,
            kept.datum
        );
        lines.say(Tone::Faint, &visible(&words));
    }
    lines.draw(&format!("equipment: {}", pieces.len()), frame, area);
}

fn words(state: &State, kept: &Kept<Equipment>) -> (Tone, String) {
    let it = &kept.it;
    let unit = if it.unit == "1" { String::new() } else { format!(" {}", it.unit) };
    let value = it.value.map_or_else(String::new, |value| format!("{value}{unit}"));
    // Two digits of an uncertainty are enough to know a certificate by.
    let u = it.u.filter(|u| *u > 0.0).map_or_else(String::new, |u| {
        let digits = usize::try_from(1 - crate::dashboard::text::magnitude(u)).unwrap_or(0);
        format!("u {u:.digits$}{unit}")
    });
    let what = it.what.clone().or_else(|| it.table.clone()).unwrap_or_default();
    let today = state.books.stock.as_ref().and_then(|(_, now)| jiff::Timestamp::from_microsecond(*now).ok());
    let today = today.map(|now| now.to_zoned_datetime(state.options.zone.clone()).date());
    let why_not = today.and_then(|today| it.why_not(today));
    let valid = match (&why_not, it.valid_to) {
        (Some(_), _) => "NOT VALID TODAY".to_owned(),
        (None, Some(day)) => format!("valid to {day}"),
        (None, None) => String::new(),
    };
    let tone = if why_not.is_some() { Tone::Warn } else { Tone::Plain };
    let words = [it.name.clone(), what, value, u, valid];
    let words: Vec<String> = words.into_iter().filter(|text| !text.is_empty()).collect();
    (tone, format!("{:<11} {}", it.kind.word(), words.join("  ")))
}
