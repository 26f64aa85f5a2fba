//! One line of the wire, marked by what was understood.

use super::super::options::Options;
use super::super::text::{cut, visible};
use super::super::theme::Tone;
use crate::reading::Stamp;
use crate::work::{FrameFate, FrameLine};
use ratatui::text::{Line, Span};

/// Time of day in the zone of the screen, or seconds where a capture has no date.
pub(super) fn time_of_day(options: &Options, at: Stamp) -> String {
    if at.utc_us == 0 {
        return format!("{:8.1}", at.seconds());
    }
    match jiff::Timestamp::from_microsecond(at.utc_us) {
        Ok(stamp) => {
            let local = options.zone.to_datetime(stamp);
            format!("{:02}:{:02}:{:02}", local.hour(), local.minute(), local.second())
        }
        Err(_) => "--:--:--".to_owned(),
    }
}

/// Date and time of day, as far as they are known.
pub(super) fn date_and_time(options: &Options, at: Stamp) -> String {
    match jiff::Timestamp::from_microsecond(at.utc_us) {
        Ok(stamp) if at.utc_us != 0 => {
            let local = options.zone.to_datetime(stamp);
            format!("{} {:02}:{:02}", local.date(), local.hour(), local.minute())
        }
        _ => "no date".to_owned(),
    }
}

/// The mark and the tone of a fate.
pub(super) const fn mark(fate: &FrameFate) -> (&'static str, Tone) {
    match fate {
        FrameFate::Understood { .. } => ("✓", Tone::Good),
        FrameFate::Ignored { .. } => ("·", Tone::Faint),
        FrameFate::Damaged { .. } => ("!", Tone::Warn),
        FrameFate::NotUnderstood => ("✗", Tone::Warn),
    }
}

/// The fate in words.
pub(super) fn words(fate: &FrameFate) -> String {
    match fate {
        FrameFate::Understood { by } => format!("understood by {}", visible(by)),
        FrameFate::Ignored { by } => format!("carries nothing ({})", visible(by)),
        FrameFate::Damaged { why } => format!("damaged: {}", visible(why)),
        FrameFate::NotUnderstood => "not understood".to_owned(),
    }
}

/// Columns below which the time gives way to the text.
const TIME_FROM: usize = 36;

/// Mark, time (where there is room) and text in `columns`.
pub(super) fn short(options: &Options, line: &FrameLine, columns: usize) -> Line<'static> {
    let theme = options.theme;
    let (glyph, tone) = mark(&line.fate);
    let head =
        if columns < TIME_FROM { String::new() } else { format!("{} ", time_of_day(options, line.at)) };
    let room = columns.saturating_sub(head.len() + 3);
    let text_tone = if tone == Tone::Good { Tone::Plain } else { tone };
    Line::from(vec![
        Span::styled(format!(" {glyph} "), theme.style(tone)),
        Span::styled(head, theme.style(Tone::Faint)),
        Span::styled(cut(visible(&line.text).trim(), room, theme.more()), theme.style(text_tone)),
    ])
}
