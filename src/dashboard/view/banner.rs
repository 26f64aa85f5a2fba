//! What must be said now, the gravest first.

use super::super::alarm::{Alarm, to_go};
use super::super::electrode::origin_of;
use super::super::holding;
use super::super::needs::{self, Silenced};
use super::super::series;
use super::super::state::{Deed, Page, State};
use super::super::text::{cut, visible, width, wrap};
use super::super::theme::Tone;
use crate::work::{Health, Origin};
use ratatui::text::{Line, Span};
use std::time::Duration;

/// So long a message stands right behind the gravest thing.
const FRESH: Duration = Duration::from_secs(3);

/// The lines of the banner, at most `most` (but always one for each kind of trouble that fits).
pub(super) fn lines(state: &State, columns: usize, most: usize) -> Vec<Line<'static>> {
    let theme = state.options.theme;
    let most = most.max(1);
    let mut lines = Vec::new();
    let sayings = sayings(state);
    let count = sayings.len();
    for (at, (tone, words)) in sayings.into_iter().enumerate() {
        if lines.len() >= most {
            break;
        }
        // Leave a line for each thing that still wants to be said.
        let room = (most - lines.len()).saturating_sub((count - at - 1).min(most - lines.len() - 1)).max(1);
        let mut wrapped = wrap(&theme.text(&words), columns);
        if wrapped.len() > room {
            wrapped.truncate(room);
            if let Some(last) = wrapped.last_mut() {
                let room = columns.saturating_sub(width(theme.more()));
                *last = format!("{}{}", cut(last, room, ""), theme.more());
            }
        }
        for words in wrapped {
            let filled = format!(" {words:<columns$} ");
            lines.push(Line::from(Span::styled(filled, theme.style(tone))));
        }
    }
    lines
}

fn sayings(state: &State) -> Vec<(Tone, String)> {
    let mut all = Vec::new();
    if let Some(armed) = state.armed {
        let words = match armed.deed {
            Deed::EndRun(_) => {
                "F8 again, not too fast, within 3 s ends the run; any other key: it goes on".to_owned()
            }
            Deed::SetAside => {
                "F9 again, not too fast, within 3 s sets the run aside; any other key: not".to_owned()
            }
            Deed::DropCheck => {
                "F9 again, not too fast, within 3 s drops this check; any other key: it stays".to_owned()
            }
            Deed::Accept => {
                let what = match (state.page, series::group(state)) {
                    (Page::Electrode, _) => "keeps this check in the record".to_owned(),
                    (Page::Titrant, _) => "accepts the factor".to_owned(),
                    (_, Some(group)) => format!("accepts {}", visible(&group.sample)),
                    (_, None) => "accepts what the portions came to".to_owned(),
                };
                format!("F12 again, not too fast, within 3 s {what}; any other key: not")
            }
            Deed::Sheet => "F12 again, not too fast, within 3 s does it; any other key: not".to_owned(),
            Deed::LeaveScreen => {
                "the same key again within 3 s closes this screen; the recorder and the run go on".to_owned()
            }
        };
        all.push((Tone::Alarm, words));
    }
    if let Some(trouble) = &state.bench.store.trouble {
        all.push((
            if needs::is_silenced(state, Silenced::Store) { Tone::Warn } else { Tone::Alarm },
            format!("the record cannot be written: {}. The run goes on in memory.", visible(trouble)),
        ));
    }
    if let Some(why) = &state.bench.leaving {
        all.push((
            Tone::Alarm,
            format!("the recorder has left: {}. Ctrl-C closes the screen.", visible(why)),
        ));
    }
    all.extend(line_trouble(state));
    all.extend(alarm(state));
    if let Some((presses, words)) = holding::saying(state) {
        all.push((if presses { Tone::Alarm } else { Tone::Plain }, words));
    }
    if let Some((_, title, need)) = needs::elsewhere(state).filter(|_| state.cover.is_none()) {
        all.push((Tone::Alarm, format!("{title}: {}; j goes there", need.words)));
    }
    if let Some(run) = state.live_run() {
        for advice in &run.outlook.advice {
            all.push((Tone::Warn, format!("advice: {}", visible(advice))));
        }
    }
    if let Some(waiting) = state.asked.iter().find(|a| state.now.saturating_sub(a.at).as_secs() >= 2) {
        let seconds = state.now.saturating_sub(waiting.at).as_secs();
        all.push((Tone::Warn, format!("the recorder has not answered for {seconds} s: {}", waiting.words())));
    }
    if let Some(message) = state.current_message() {
        let tone = if message.warns { Tone::Warn } else { Tone::Plain };
        // What a key has just done is seen before what has been said for a while.
        let fresh = state.now.saturating_sub(message.at) < FRESH;
        let at = if message.warns || fresh { all.len().min(1) } else { all.len() };
        all.insert(at, (tone, message.text.clone()));
    }
    all
}

fn line_trouble(state: &State) -> Option<(Tone, String)> {
    let lane = state.lane()?;
    let loud = if needs::is_silenced(state, Silenced::Line(lane.id)) { Tone::Warn } else { Tone::Alarm };
    match &lane.health {
        Health::Gone { why } => Some((
            loud,
            format!(
                "the line to {} is gone: {}. It is opened again by itself.",
                visible(&lane.port),
                visible(why)
            ),
        )),
        // The practice bench is at its end after each beaker; the next portion puts another one there.
        Health::Over { .. } if origin_of(lane) == Origin::Simulator => None,
        Health::Over { why } => Some((Tone::Warn, format!("nothing more will come: {}", visible(why)))),
        Health::Failed { why } => Some((loud, format!("the line cannot be used: {}", visible(why)))),
        Health::Opening => Some((Tone::Plain, format!("opening {}", visible(&lane.port)))),
        Health::Open { .. } => None,
    }
}

fn alarm(state: &State) -> Option<(Tone, String)> {
    let run = state.live_run()?;
    let alarm = Alarm::of(Some(run));
    let unit = run.head.curve.titrant.unit();
    let left = to_go(run).filter(|left| *left > 0.0);
    let silenced = state.lane().is_some_and(|lane| needs::loud(state, lane) < alarm);
    let loud = if silenced { Tone::Plain } else { Tone::Alarm };
    match (alarm, left) {
        (Alarm::Calm, _) => {
            let at = run.finds().last().and_then(|change| change.end_point)?;
            Some((Tone::Plain, format!("end-point found at {at:.3} {unit}; F8 F8 ends the run")))
        }
        (Alarm::Near | Alarm::Drops, Some(left)) => {
            let words = if alarm == Alarm::Near { "slow down" } else { "single drops" };
            Some((loud, format!("{left:.2} {unit} to go: {words}")))
        }
        (Alarm::Found, _) => {
            let found = run.finds().last().and_then(|change| change.end_point);
            let at = found.map_or(String::new(), |at| format!(" at {at:.3} {unit}"));
            Some((loud, format!("{}{at}", alarm.words())))
        }
        _ => Some((loud, alarm.words().to_owned())),
    }
}
