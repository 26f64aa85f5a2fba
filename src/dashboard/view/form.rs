//! The form for the next portion, over the page, with its cautions and its checklist.

use super::super::desk::Readied;
use super::super::fields::{balance, cautions_read, form_wants_reason};
use super::super::form::{Form, FormLine};
use super::super::state::State;
use super::super::text::{cut, visible, wrap};
use super::super::theme::Tone;
use super::field::{WIDE, boxed, pointed, type_in, words_at};
use crate::work::{Health, Readiness, Role};
use ratatui::Frame;
use ratatui::layout::Rect;

/// Columns for the names of the lines.
const NAMES: u16 = 17;

/// Draws the form for the next portion.
pub(super) fn draw(state: &State, form: &Form, frame: &mut Frame<'_>, area: Rect) {
    let wide = WIDE.min(area.width);
    let room = usize::from(wide).saturating_sub(4);
    let lines = form.lines(form_wants_reason(state));
    let read = form.cautions.is_empty() || cautions_read(state, &form.cautions_key());
    let mut cautions: Vec<String> = Vec::new();
    if !read {
        cautions = form.cautions.iter().flat_map(|c| wrap(&format!("! {}", visible(c)), room)).collect();
    }
    if !read && form.line == FormLine::Ready {
        return to_be_read(state, form, &cautions, frame, area);
    }
    let checks = checklist(state, form, room);
    let free = usize::from(area.height).saturating_sub(lines.len() + 4);
    // Cautions come first; the points of the checklist that ask for something come before those that are fine.
    let most = if read { 0 } else { (free / 2).max(3).min(cautions.len()) };
    if cautions.len() > most {
        cautions.truncate(most.saturating_sub(1));
        cautions.push("! there is more: all of them stand on the line start".to_owned());
    }
    let left = free.saturating_sub(cautions.len());
    let shown = checks.len().min(left);
    let high = cautions.len() + lines.len() + shown + 4;
    let heading =
        if read && !form.cautions.is_empty() { "next portion (cautions were read)" } else { "next portion" };
    let inner = boxed(state, heading, (wide, high), frame, area);
    let mut y = inner.y;
    for caution in &cautions {
        words_at(state, (Tone::Warn, caution), y, frame, inner);
        y += 1;
    }
    for line in lines {
        row(state, form, line, read, frame, Rect { y, height: 1, ..inner });
        y += 1;
    }
    let (tone, words) = advice(state, form);
    words_at(state, (tone, &words), y, frame, inner);
    y += 1;
    let hidden = checks.len() - shown;
    for (at, (tone, words)) in checks.into_iter().take(shown).enumerate() {
        let words = if hidden > 0 && at + 1 == shown { format!("and {} more", hidden + 1) } else { words };
        words_at(state, (tone, &words), y, frame, inner);
        y += 1;
    }
}

/// The cautions whole, before the start of the first portion of a series.
fn to_be_read(state: &State, form: &Form, cautions: &[String], frame: &mut Frame<'_>, area: Rect) {
    let wide = WIDE.min(area.width);
    let inner = boxed(
        state,
        "next portion: cautions, read once for each series",
        (wide, cautions.len() + 6),
        frame,
        area,
    );
    let room = usize::from(inner.height).saturating_sub(3);
    let mut y = inner.y;
    for caution in cautions.iter().take(room) {
        words_at(state, (Tone::Warn, caution), y, frame, inner);
        y += 1;
    }
    if cautions.len() > room {
        let words = "! there is more than this window holds: make it larger, or read the procedure";
        words_at(state, (Tone::Alarm, words), y, frame, inner);
    }
    y += 1;
    row(state, form, FormLine::Ready, false, frame, Rect { y, height: 1, ..inner });
    words_at(state, (Tone::Faint, "Up: back to the lines of the portion"), y + 1, frame, inner);
}

fn row(state: &State, form: &Form, line: FormLine, read: bool, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let focus = line == form.line;
    let tone = if focus { Tone::Figure } else { Tone::Plain };
    let name = cut(&name(form, line), usize::from(NAMES) - 3, theme.more());
    pointed(state, frame, (area.x + 1, area.y), focus, &name);
    let field =
        Rect { x: area.x + 1 + NAMES, y: area.y, width: area.width.saturating_sub(NAMES + 2), height: 1 };
    let say = |frame: &mut Frame<'_>, words: &str| {
        let words = cut(words, usize::from(field.width), theme.more());
        frame.buffer_mut().set_string(field.x, field.y, words, theme.style(tone));
    };
    match line {
        FormLine::Procedure => say(frame, &visible(&form.title)),
        FormLine::Role => say(frame, form.role.word()),
        FormLine::Series => {
            type_in(state, &form.series, frame, field, focus);
            if form.series.value().is_empty() && !focus {
                frame.buffer_mut().set_string(
                    field.x,
                    field.y,
                    "by procedure and date",
                    theme.style(Tone::Faint),
                );
            }
        }
        FormLine::Sample => type_in(state, &form.sample, frame, field, focus),
        FormLine::Portion => say(frame, &format!("{} of {}", form.portion.0, form.portion.1)),
        FormLine::Lot => type_in(state, &form.lot, frame, field, focus),
        FormLine::Mass => {
            let narrow = Rect { width: field.width.min(14), ..field };
            type_in(state, &form.mass, frame, narrow, focus);
            frame.buffer_mut().set_string(field.x + 15, field.y, "g", theme.style(Tone::Figure));
        }
        FormLine::Asked(n) => {
            if let Some(asked) = form.asked.get(n) {
                let narrow = Rect { width: field.width.min(22), ..field };
                type_in(state, &asked.input, frame, narrow, focus);
                let unit = cut(&asked.unit, 12, theme.more());
                frame.buffer_mut().set_string(field.x + 23, field.y, unit, theme.style(Tone::Figure));
            }
        }
        FormLine::Reason => type_in(state, &form.reason, frame, field, focus),
        FormLine::Ready if focus && !read => {
            say(frame, "space, the pedal or Enter: I have read the cautions");
        }
        FormLine::Ready if focus => say(frame, "space, the pedal or Enter starts"),
        FormLine::Ready => {}
    }
}

fn name(form: &Form, line: FormLine) -> String {
    match line {
        FormLine::Procedure => "procedure".to_owned(),
        FormLine::Role => "for".to_owned(),
        FormLine::Series => "series".to_owned(),
        FormLine::Sample if form.role == Role::Standardisation => "standard".to_owned(),
        FormLine::Sample => "sample".to_owned(),
        FormLine::Portion => "portion".to_owned(),
        FormLine::Lot => "lot of titrant".to_owned(),
        FormLine::Mass => "mass".to_owned(),
        FormLine::Asked(n) => form.asked.get(n).map_or(String::new(), |asked| asked.name.clone()),
        FormLine::Reason => "reason".to_owned(),
        FormLine::Ready => "start".to_owned(),
    }
}

/// The checklist: what asks for something first, each with what to do about it.
fn checklist(state: &State, form: &Form, columns: usize) -> Vec<(Tone, String)> {
    let mut points: Vec<(Readiness, String)> = Vec::new();
    let mut add = |is, words: String| points.push((is, words));
    if let Some(lane) = state.lane() {
        match &lane.health {
            Health::Open { .. } => match state.silent_s() {
                _ if !state.heard.contains_key(&lane.id) => {
                    add(
                        Readiness::Warn,
                        "nothing was heard from the instrument yet; F3 shows the wire".to_owned(),
                    );
                }
                Some(s) => add(
                    Readiness::Warn,
                    format!("the instrument has been silent for {s} s; F3 shows the wire"),
                ),
                None => add(Readiness::Fine, "the instrument is alive".to_owned()),
            },
            Health::Over { .. }
                if super::super::electrode::origin_of(lane) == crate::work::Origin::Simulator =>
            {
                add(
                    Readiness::Fine,
                    "the practice bench puts the next beaker under the electrode".to_owned(),
                );
            }
            Health::Opening => add(Readiness::Warn, "the line is being opened".to_owned()),
            Health::Gone { .. } | Health::Over { .. } | Health::Failed { .. } => {
                add(Readiness::Refuse, "the line is not open; F4 says why".to_owned());
            }
        }
        if lane.frames_total > 0 && lane.frames_not_understood * 5 > lane.frames_total {
            let words = format!(
                "{} of {} lines were not understood: is it the right profile? F3 shows them",
                lane.frames_not_understood, lane.frames_total
            );
            add(Readiness::Warn, words);
        }
    }
    let plan = form.plan_so_far();
    match &state.books.ready {
        Some((of, ready)) if *of == plan || same_but_figures(of, &plan) => {
            for point in &ready.points {
                add(point.is, format!("{}{}", visible(&point.words), what_to_do(point.is, &point.words)));
            }
            let (is, words) = titrant_words(ready, state.options.theme.plus_minus());
            add(is, words);
        }
        _ if form.procedure().is_empty() => {}
        _ => add(Readiness::Fine, "checklist: the record is being asked".to_owned()),
    }
    points.sort_by_key(|(is, _)| std::cmp::Reverse(*is));
    let mut lines = Vec::new();
    for (is, words) in points {
        let (tone, word) = match is {
            Readiness::Fine => (Tone::Good, "ok    "),
            Readiness::Warn => (Tone::Warn, "LOOK  "),
            Readiness::NeedsReason => (Tone::Warn, "REASON"),
            Readiness::Refuse => (Tone::Alarm, "STOPS "),
        };
        for (at, line) in wrap(&words, columns.saturating_sub(8)).into_iter().enumerate() {
            let word = if at == 0 { word } else { "      " };
            lines.push((tone, format!("{word} {line}")));
        }
    }
    lines
}

/// Whether there is titrant enough in the burette for what is expected.
fn titrant_words(ready: &Readied, pm: &str) -> (Readiness, String) {
    let Some((expected, u)) = ready.expected else {
        let words = match &ready.holds {
            Some((name, most)) => {
                format!("end-point not known beforehand: fill the burette ({}, {most} mL)", visible(name))
            }
            None => "end-point not known beforehand: fill the burette".to_owned(),
        };
        return (Readiness::Fine, words);
    };
    let unit = if ready.by_mass { "g" } else { "mL" };
    let words = format!("expected end-point about {expected:.2} {pm} {u:.2} {unit}");
    match &ready.holds {
        // Two standard uncertainties more are needed in one portion of forty.
        Some((name, most)) if expected + 2.0 * u > *most => {
            let less = 100.0 * (most - 2.0 * u).max(0.0) / expected;
            let name = visible(name);
            (
                Readiness::Warn,
                format!(
                    "{words}; the burette {name} holds {most} mL: weigh at most {less:.0} % of this, or have it refilled"
                ),
            )
        }
        Some((name, most)) => {
            (Readiness::Fine, format!("{words} of the {most} mL of burette {}: is it filled?", visible(name)))
        }
        None => (Readiness::Fine, format!("{words}: is there enough titrant for it?")),
    }
}

/// Figures that are being typed do not change what the record says.
fn same_but_figures(a: &crate::work::RunPlan, b: &crate::work::RunPlan) -> bool {
    a.procedure == b.procedure && a.role == b.role && a.uses == b.uses && a.series == b.series
}

/// Where to mend it.
fn what_to_do(is: Readiness, words: &str) -> &'static str {
    match is {
        Readiness::Fine => "",
        _ if words.contains("checked") || words.contains("check") => "; e on the line start: check it",
        _ if words.starts_with("step") => "; x on the line start: tick or skip them",
        _ if words.contains("standardised") => "; t on the line start: standardise it",
        _ => "",
    }
}

/// What the balance shows now, in words.
fn shown(state: &State) -> String {
    balance(state).map_or_else(String::new, |(mass_g, rests)| {
        format!(": {mass_g:.4} g, {}", if rests { "at rest" } else { "not at rest" })
    })
}

fn advice(state: &State, form: &Form) -> (Tone, String) {
    match form.line {
        FormLine::Procedure if state.options.procedures.is_empty() => {
            (Tone::Faint, "no other procedure to choose from".to_owned())
        }
        FormLine::Procedure => {
            let count = form.matching(&state.options.procedures).len();
            let words = if form.search.is_empty() {
                format!("Left and Right choose among {count}; or type a part of its name")
            } else {
                format!(
                    "\"{}\": {count} fit; Left and Right choose, Backspace takes back",
                    visible(&form.search)
                )
            };
            (if count == 0 { Tone::Warn } else { Tone::Faint }, words)
        }
        FormLine::Role => (Tone::Faint, "Left and Right: sample, standardisation, blank, control".to_owned()),
        FormLine::Series => (Tone::Faint, "what is worked together; empty: procedure and date".to_owned()),
        FormLine::Sample => (Tone::Faint, "scan the label or type it".to_owned()),
        FormLine::Portion => (Tone::Faint, "Left and Right change the number".to_owned()),
        FormLine::Lot => {
            (Tone::Faint, "Left and Right turn through the lots in the record, or type it".to_owned())
        }
        FormLine::Mass => match form.mass_g() {
            Err(why) => (Tone::Warn, why),
            Ok(None) if form.is_weighed() => (
                Tone::Good,
                format!("the balance gives it when it rests{}; a digit types it instead", shown(state)),
            ),
            Ok(None) if balance(state).is_some() => {
                let what = form.mass_words().map_or(String::new(), |what| format!("{what}; "));
                (Tone::Figure, format!("{what}b takes it from the balance{}", shown(state)))
            }
            Ok(None) => {
                let what = form.mass_words().map_or(String::new(), |what| format!("{what}; "));
                (Tone::Faint, format!("{what}empty: not known yet"))
            }
            Ok(Some(mass)) if form.mass_is_odd(mass) => {
                let what = form.mass_words().unwrap_or_default();
                (Tone::Warn, format!("outside of what the procedure says: {what}"))
            }
            Ok(Some(_)) => (Tone::Good, "Enter takes it".to_owned()),
        },
        FormLine::Asked(n) => {
            let what = form.asked.get(n).map_or(String::new(), |asked| asked.what.clone());
            (Tone::Faint, visible(&what))
        }
        FormLine::Reason => {
            (Tone::Faint, "why it starts although something is overdue; it is kept".to_owned())
        }
        FormLine::Ready if form.role == Role::Blank && form.portion.0 > 1 => {
            (Tone::Faint, "one more blank; for a sample: Up to the line for, then Left and Right".to_owned())
        }
        FormLine::Ready => {
            (Tone::Faint, "nothing is sent to the instrument but what its profile says".to_owned())
        }
    }
}
