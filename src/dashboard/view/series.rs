//! The page of a series: portions side by side, mean, scatter, limits, what comes next.

use super::super::desk::Group;
use super::super::series::{self, Row};
use super::super::state::State;
use super::super::text::{visible, with_uncertainty};
use super::super::theme::Tone;
use super::page::Lines;
use crate::work::result::{NextStep, SeriesPortion};
use crate::work::{Origin, Role};
use ratatui::Frame;
use ratatui::layout::Rect;

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let mut lines = Lines::new(state, area);
    let groups = series::groups(state);
    let chosen = series::row(state);
    for (at, group) in groups.iter().enumerate() {
        if at > 0 {
            lines.gap();
        }
        let name = if group.sample.is_empty() { "not named" } else { &group.sample };
        let heading = match group.role {
            Role::Blank => format!("blank: {}", visible(&group.title)),
            role => format!("{} {}: {}", role.word(), visible(name), visible(&group.title)),
        };
        lines.row(Tone::Figure, &heading, chosen == Some(Row::Group(at)));
        for (n, (portion, end_points)) in group.portions.iter().enumerate() {
            let (tone, words) = portion_words(state, portion, end_points);
            lines.row(tone, &words, chosen == Some(Row::Portion(at, n)));
        }
        outcome(group, &mut lines);
        let is_chosen = matches!(chosen, Some(Row::Group(of) | Row::Portion(of, _)) if of == at);
        accepted(state, group, is_chosen, &mut lines);
    }
    if groups.is_empty() {
        if state.series.name.is_some() {
            lines.say(Tone::Faint, "the record is being asked");
        } else {
            lines.say(Tone::Plain, "No series yet: space begins a portion. Portions of a day and a procedure are one series unless it is named otherwise.");
        }
    }
    let at = state.books.list.iter().position(|line| Some(&line.series) == state.series.name.as_ref());
    let title = match (&state.series.name, at) {
        (Some(name), Some(at)) => {
            format!("series {} ({} of {}, the latest first)", visible(name), at + 1, state.books.list.len())
        }
        (Some(name), None) => format!("series {}", visible(name)),
        (None, _) => "series".to_owned(),
    };
    lines.draw(&title, frame, area);
}

/// What F12 does here, with what is said then.
pub(super) fn accepting(state: &State, what: &str) -> String {
    let remark = &state.remark;
    if remark.is_empty() {
        format!("F12 F12 accepts {what}")
    } else {
        format!("F12 F12 accepts {what}, with the remark: {remark}")
    }
}

/// A portion in a line.
pub(super) fn portion_words(
    state: &State,
    p: &SeriesPortion,
    end_points: &[(f64, Option<f64>)],
) -> (Tone, String) {
    let theme = state.options.theme;
    let end_point = match end_points.first() {
        Some((at, u)) => format!("end-point {}", with_uncertainty(*at, *u, theme.plus_minus())),
        None if p.going_on => String::new(),
        None => "no end-point".to_owned(),
    };
    let result = match (p.result.results.first(), p.result.missing.first()) {
        (Some(first), _) => format!("{} {}", first.told, first.unit),
        (None, Some(why)) if p.role != Role::Blank && !p.going_on => format!("no result: {why}"),
        _ => String::new(),
    };
    let (tone, fate) = match (&p.set_aside, p.going_on) {
        (Some(why), _) => (Tone::Warn, format!("SET ASIDE: {why}")),
        (None, true) => (Tone::Plain, "goes on, or was cut off".to_owned()),
        (None, false) => (Tone::Plain, String::new()),
    };
    (tone, visible(&format!("portion {}  run {}  {end_point}  {result}  {fate}", p.portion, p.run)))
}

/// What a group comes to, and what comes next.
pub(super) fn outcome(group: &Group, lines: &mut Lines<'_>) {
    if let Some(why) = &group.trouble {
        lines.say(Tone::Warn, &format!("not computed: {}", visible(why)));
    }
    let Some(result) = &group.result else { return };
    for value in &result.results {
        let mut words = format!(
            "mean: {} {} ({} of {} count)",
            value.mean.name,
            value.mean.line(),
            result.counted,
            result.started
        );
        if let (Some(s), Some(rsd)) = (value.s, value.rsd) {
            words += &format!("; scatter s = {s:.5} {}, {:.3} %", value.mean.unit, rsd * 100.0);
        }
        lines.say(Tone::Figure, &visible(&words));
        if let Some(words) = &value.mean.incomplete {
            lines.say(Tone::Warn, &visible(&format!("budget: {words}")));
        }
    }
    for finding in &result.findings {
        let (tone, word) = if finding.passes { (Tone::Good, "ok") } else { (Tone::Alarm, "OUTSIDE") };
        lines.say(tone, &visible(&format!("{word}: {}", finding.words)));
    }
    for advice in &result.advice {
        lines.say(Tone::Warn, &visible(&format!("advice: {advice}")));
    }
    let (tone, words) = match &result.next {
        NextStep::Portion { portion, why } => {
            (Tone::Plain, format!("next: portion {portion} ({why}); space begins it"))
        }
        NextStep::Wait => (Tone::Plain, "next: a portion is going on".to_owned()),
        NextStep::Done => (Tone::Good, "complete, and passes".to_owned()),
        NextStep::Failed { why } => {
            (Tone::Alarm, format!("closed as failed, no further portion by the procedure's rule: {why}"))
        }
    };
    lines.say(tone, &visible(&words));
}

fn accepted(state: &State, group: &Group, is_chosen: bool, lines: &mut Lines<'_>) {
    // What F12 does is said where it would be done: at the sample that is chosen.
    let f12 = |what: &str| match is_chosen {
        true if group.sample.is_empty() => accepting(state, &format!("it{what}")),
        true => accepting(state, &format!("{}{what}", group.sample)),
        false => "choose a line of it with Up and Down: then F12 F12 accepts it".to_owned(),
    };
    let passes = group.result.as_ref().is_some_and(crate::work::result::SeriesResult::passes);
    let practised = group.origin == Origin::Simulator && group.role != Role::Standardisation;
    if practised && group.role != Role::Blank {
        lines.say(Tone::Warn, "SIMULATED: what is accepted here is practice, never the result of a sample");
    }
    match (&group.accepted, group.role) {
        (Some(who), _) if practised => {
            lines.say(Tone::Good, &visible(&format!("accepted by {who}, as practice")));
        }
        (Some(who), _) => lines.say(Tone::Good, &visible(&format!("accepted by {who}"))),
        (None, Role::Blank) => {}
        (None, _) if practised && passes => {
            lines.say(Tone::Figure, &visible(&f12(", as practice")));
        }
        (None, Role::Sample | Role::Control) if !practised && !group.origin.is_real() => {
            let words = format!(
                "{}: not real, cannot be accepted as the result of a sample",
                group.origin.word().to_uppercase()
            );
            lines.say(Tone::Warn, &words);
        }
        (None, _) if passes => lines.say(Tone::Figure, &visible(&f12(""))),
        _ => {}
    }
}
