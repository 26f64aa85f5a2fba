//! The page of electrodes: the check that goes on, what it came to, the checks before.

use super::super::state::State;
use super::super::text::{duration, visible};
use super::super::theme::Tone;
use super::page::{Lines, age};
use super::sharing;
use crate::reading::{Quantity, Unit};
use crate::work::{CheckRecord, Checking, EquipmentKind};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let history = (area.height / 3).clamp(5, 14);
    let [top, bottom] =
        sharing(Layout::vertical([Constraint::Min(8), Constraint::Length(history)])).areas(area);
    let mut lines = Lines::new(state, top);
    match &state.electrode.checking {
        None => idle(state, &mut lines),
        Some((_, checking)) => going(state, checking, &mut lines),
    }
    let title = state.electrode.checking.as_ref().map_or("electrode check".to_owned(), |(_, c)| {
        format!("check of electrode {}", visible(&c.electrode))
    });
    lines.draw(&title, frame, top);
    checks(state, frame, bottom);
}

fn idle(state: &State, lines: &mut Lines<'_>) {
    lines.say(
        Tone::Plain,
        "An electrode is checked by dipping it from buffer to buffer: what rests is taken, no key is needed.",
    );
    lines.gap();
    let known = state.books.stock.as_ref().map(|(stock, _)| stock.of(EquipmentKind::Electrode).count());
    if known == Some(0) {
        lines.say(
            Tone::Plain,
            "No electrode is entered yet: a enters one (kind: glass), or type a name at the start.",
        );
    }
    lines.say(Tone::Figure, "space, the pedal: name electrode and buffers, then dip.");
    lines.gap();
    now(state, lines);
}

/// What the line gives now.
fn now(state: &State, lines: &mut Lines<'_>) {
    let theme = state.options.theme;
    let Some(lane) = state.lane() else {
        lines.say(Tone::Warn, "no bench here: b, then a sets one up");
        return;
    };
    let of = [Quantity::Emf, Quantity::Ph, Quantity::Temperature];
    for reading in lane.latest.iter().filter(|r| of.contains(&r.quantity)) {
        if let Some(value) = reading.value {
            let unit = if reading.unit == Unit::Ph { "" } else { theme.unit(reading.unit) };
            let words = format!("{}: {value} {unit}", theme.quantity(reading.quantity));
            lines.say(Tone::Plain, &words);
        }
    }
    if let Some(seconds) = state.silent_s() {
        lines.say(
            Tone::Warn,
            &format!("nothing was heard for {}: is the meter on and sending?", duration(seconds)),
        );
    } else if lane.latest.is_empty() {
        lines.say(Tone::Warn, "nothing was heard yet: is the meter on and sending?");
    }
}

fn going(state: &State, checking: &Checking, lines: &mut Lines<'_>) {
    let theme = state.options.theme;
    let unit = checking.unit();
    let buffers: Vec<String> = checking.buffers().map(visible).collect();
    for (at, buffer) in buffers.iter().enumerate() {
        match checking.dips().get(at) {
            Some(dip) => {
                let words = format!(
                    "{}. {buffer}: taken, {:.2} {unit}, at rest after {:.0} s, drift {:+.2} {unit}/min",
                    at + 1,
                    dip.settled.mean,
                    dip.settled.settle_s,
                    dip.settled.drift_min
                );
                lines.say(Tone::Good, &words);
            }
            None if at == checking.dips().len() => waits(checking, at, buffer, lines),
            None => lines.say(Tone::Faint, &format!("{}. {buffer}: later", at + 1)),
        }
    }
    lines.gap();
    match checking.temperature() {
        Some(c) => lines
            .say(Tone::Plain, &format!("temperature {c:.1} {}", theme.unit(crate::reading::Unit::Celsius))),
        None => lines.say(Tone::Warn, "no temperature: the line sends none, and none was typed at the start"),
    }
    match &state.electrode.record {
        None => {
            if let Some(seconds) = state.silent_s() {
                lines.say(
                    Tone::Warn,
                    &format!("nothing was heard for {}: is the meter on and sending?", duration(seconds)),
                );
            }
            lines
                .say(Tone::Faint, "F9 F9 drops the check and begins anew; leaving the page does not stop it");
        }
        Some(Err(why)) => {
            lines.say(Tone::Warn, &format!("no verdict: {}", visible(why)));
            lines.say(Tone::Figure, "F9 F9 drops the check and begins anew");
        }
        Some(Ok(record)) => verdict(state, record, lines),
    }
}

fn waits(checking: &Checking, at: usize, buffer: &str, lines: &mut Lines<'_>) {
    let unit = checking.unit();
    let what = match checking.wait() {
        None => "waiting for the signal".to_owned(),
        Some(wait) if wait.still_there => format!("{:.2} {unit}, still the last buffer", wait.signal),
        Some(wait) if wait.rests_s < 2.0_f64.min(wait.window_s / 2.0) => {
            format!("{:.2} {unit}, drifting", wait.signal)
        }
        Some(wait) => {
            format!("{:.2} {unit}, steady for {:.0} of {:.0} s", wait.signal, wait.rests_s, wait.window_s)
        }
    };
    lines.say(Tone::Figure, &format!("{}. {buffer}: rinse the electrode and dip it in", at + 1));
    lines.say(Tone::Figure, &format!("   {what}"));
}

fn verdict(state: &State, record: &CheckRecord, lines: &mut Lines<'_>) {
    for words in &record.words {
        let tone = if words.starts_with("OUTSIDE") { Tone::Warn } else { Tone::Plain };
        lines.say(tone, &visible(words));
    }
    let (tone, words) = if record.accepted {
        (Tone::Good, "verdict: ACCEPTED by the limits")
    } else {
        (Tone::Alarm, "verdict: NOT ACCEPTED; clean or renew the electrode, take fresh buffers, check again")
    };
    lines.say(tone, words);
    if state.electrode.kept {
        lines.say(Tone::Good, "kept in the record; space begins another check, Esc goes on");
    } else {
        lines.say(Tone::Figure, "F12 F12 keeps it in the record; F9 F9 drops it and begins anew");
    }
}

/// The checks in the record, the newest first.
fn checks(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let mut lines = Lines::new(state, area);
    match &state.books.stock {
        None => lines.say(Tone::Faint, "the record is being asked"),
        Some((stock, _)) if stock.checks.is_empty() => lines.say(Tone::Plain, "no electrode was checked yet"),
        Some((stock, now)) => {
            for (at, kept) in stock.checks.iter().rev().enumerate() {
                let c = &kept.it;
                let verdict = if c.accepted { "accepted" } else { "NOT ACCEPTED" };
                let words = format!(
                    "{} ago  {}  slope {:.2} %  {:.1} mV at pH 7  {} buffers  {verdict}",
                    age(*now, kept.utc_us),
                    visible(&c.electrode),
                    c.slope_percent,
                    c.zero_mv,
                    c.buffers.len()
                );
                let tone = if c.accepted { Tone::Plain } else { Tone::Warn };
                lines.row(tone, &words, at == state.electrode.line);
            }
        }
    }
    lines.draw("checks so far", frame, area);
}
