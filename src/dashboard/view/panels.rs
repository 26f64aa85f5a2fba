//! The panels of the run page.

use super::super::alarm::to_go;
use super::super::electrode::origin_of;
use super::super::meter::Meter;
use super::super::state::State;
use super::super::text::{cut, duration, grouped, visible, width, with_uncertainty, wrap};
use super::super::theme::{Theme, Tone};
use super::{frame_line, panel};
use crate::detector::WatchState;
use crate::reading::{Quantity, Reading, Unit, Validity};
use crate::work::{Origin, RunEnd, RunState};
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;

/// What stands in the place of the curve before the first run.
pub(super) fn welcome(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let block = panel(theme, "no run", 0);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let columns = usize::from(inner.width).saturating_sub(2);
    let sentences: &[&str] = match state.lane() {
        None if !state.attached => &["Waiting for the recorder."],
        None => &[
            "No bench is set up: nothing is listened to.",
            "Press space, Enter or the pedal: a guide finds the instrument, listens, and asks what it needs to know.",
            "No instrument at hand? The guide offers a simulated practice bench.",
        ],
        Some(lane) if origin_of(lane) == Origin::Simulator => &[
            "A practice day; what is made here is marked SIMULATED for ever:",
            "e: check the electrode (space, a name, then it dips by itself; F12 F12 keeps the check)",
            "t: a enters a lot of sodium hydroxide, 0.1 mol/L; space standardises it, three times 0.37 g; F12 F12 accepts",
            "space here: type vinegar; first for: blank, then three portions of a sample, 1.6 g each",
            "p: the series, accepted with F12 F12; f writes its report",
        ],
        Some(lane) if lane.keyed => &[
            "No run has been started on this bench.",
            "Press space (or the pedal), or scan the label of the sample, to begin a portion.",
            "Volumes are keyed: the burette reading at the start (s) and now (v), or one step at a time (space).",
        ],
        Some(_) => &[
            "No run has been started on this bench.",
            "Press space (or the pedal), or scan the label of the sample, to begin a portion.",
            "e checks the electrode, t standardises the titrant; what the instrument sends is kept from now on, with or without a run.",
        ],
    };
    let mut lines = vec![Line::default()];
    for sentence in sentences {
        lines.extend(wrap(sentence, columns).into_iter().map(|line| Line::from(format!(" {line}"))));
        lines.push(Line::default());
    }
    frame.render_widget(Paragraph::new(lines), inner);
}

/// Lines of the panel of figures.
pub(super) fn now_lines(state: &State, columns: usize) -> Vec<Line<'static>> {
    let theme = state.options.theme;
    let Some(lane) = state.lane() else { return vec![Line::from(" nothing yet")] };
    let mut lines = Vec::new();
    let sends_volume = lane.latest.iter().any(|r| matches!(r.quantity, Quantity::Volume));
    if let Some(run) = state.run().filter(|_| lane.keyed || !sends_volume) {
        let unit = run.head.curve.titrant.unit();
        match run.points.last() {
            Some(point) => {
                let added = format!("{:.3} {unit}", point.titrant);
                lines.push(pair(theme, "added", &added, Tone::Figure, columns));
            }
            None if lane.keyed => lines.push(pair(theme, "added", "not keyed yet", Tone::Faint, columns)),
            None => {}
        }
    }
    if let Some(taken) = state.taken.get(&lane.id) {
        let unit = state.live_run().map_or("mL", |run| run.head.curve.titrant.unit().symbol());
        lines.push(pair(theme, "keyed", &format!("{taken:.2} {unit}, not steady"), Tone::Warn, columns));
    }
    let meters = state.lane_meters();
    let mut channels: Vec<&Reading> = lane.latest.iter().collect();
    channels.sort_by_key(|r| (rank(r.quantity), r.channel.clone()));
    for reading in channels {
        let meter = Meter::of(meters, &reading.channel);
        let name = label(theme, &lane.latest, reading);
        let (value, tone) = figure(theme, reading, meter);
        lines.push(pair(theme, &name, &value, tone, columns));
    }
    let signal = lane.latest.iter().filter(|r| is_signal(r.quantity)).min_by_key(|r| rank(r.quantity));
    if let Some(silent) = state.silent_s() {
        lines.push(pair(theme, "last reading", &format!("{} ago", duration(silent)), Tone::Warn, columns));
    } else if let Some(signal) = signal {
        let (name, value) = match (signal.steady, Meter::of(meters, &signal.channel)) {
            (Some(true), _) => ("steady", "yes, by its mark".to_owned()),
            (Some(false), _) => ("steady", "not yet".to_owned()),
            (None, Some(meter)) => ("steady for", duration(meter.steady_s())),
            (None, None) => ("steady for", "not known".to_owned()),
        };
        lines.push(pair(theme, name, &value, Tone::Plain, columns));
    }
    if lines.is_empty() {
        lines.push(Line::from(" no reading yet"));
    }
    lines
}

/// Order of the channels: titrant, signal, the rest.
const fn rank(quantity: Quantity) -> u8 {
    match quantity {
        Quantity::Volume => 0,
        Quantity::Ph => 1,
        Quantity::Emf => 2,
        Quantity::Temperature => 7,
        Quantity::Mass => 8,
        Quantity::Time => 9,
        _ => 3,
    }
}

const fn is_signal(quantity: Quantity) -> bool {
    !matches!(quantity, Quantity::Volume | Quantity::Temperature | Quantity::Mass | Quantity::Time)
}

/// The name of a channel: its quantity, or its own name where a quantity comes twice.
fn label(theme: Theme, all: &[Reading], reading: &Reading) -> String {
    if all.iter().filter(|r| r.quantity == reading.quantity).count() > 1 {
        visible(&reading.channel)
    } else {
        theme.quantity(reading.quantity).to_owned()
    }
}

fn figure(theme: Theme, reading: &Reading, meter: Option<&Meter>) -> (String, Tone) {
    let places = meter.map_or(2, |m| m.decimals);
    let unit = if reading.unit == Unit::Ph { "" } else { theme.unit(reading.unit) };
    match (&reading.value, &reading.validity) {
        (Some(value), Validity::Valid)
            if is_signal(reading.quantity) || reading.quantity == Quantity::Volume =>
        {
            (format!("{value:.places$} {unit}"), Tone::Figure)
        }
        (Some(value), Validity::Valid) => (format!("{value:.places$} {unit}"), Tone::Plain),
        (Some(value), Validity::NotValid(why)) => {
            (format!("({value:.places$} {unit}) {}", visible(why)), Tone::Warn)
        }
        (None, Validity::NotValid(why)) => (visible(why), Tone::Warn),
        (None, Validity::Valid) => ("no number".to_owned(), Tone::Warn),
    }
}

/// A name on the left and a figure behind it.
fn pair(theme: Theme, name: &str, value: &str, tone: Tone, columns: usize) -> Line<'static> {
    let name = cut(name, 12, theme.more());
    let pad = 13_usize.saturating_sub(width(&name));
    let room = columns.saturating_sub(15);
    Line::from(vec![
        Span::raw(format!(" {name}{}", " ".repeat(pad))),
        Span::styled(cut(value.trim_end(), room, theme.more()), theme.style(tone)),
    ])
}

/// Draws the panel of figures.
pub(super) fn now(state: &State, lines: Vec<Line<'static>>, frame: &mut Frame<'_>, area: Rect, urgency: u8) {
    let block = panel(state.options.theme, "now", urgency);
    frame.render_widget(Paragraph::new(lines).block(block), area);
}

/// Lines of the watch, or of what came of the run.
pub(super) fn watch_lines(state: &State, columns: usize) -> Vec<Line<'static>> {
    match state.run() {
        None => vec![Line::from(" no run")],
        Some(run) => match &run.end {
            Some(end) => outcome_lines(state, run, end, columns),
            None => live_lines(state, run, columns),
        },
    }
}

fn live_lines(state: &State, run: &RunState, columns: usize) -> Vec<Line<'static>> {
    let theme = state.options.theme;
    let unit = run.head.curve.titrant.unit();
    let mut lines = vec![ladder(theme, run, columns)];
    let mut say = |tone: Tone, words: String| {
        for line in wrap(&words, columns.saturating_sub(2)) {
            lines.push(Line::from(Span::styled(format!(" {line}"), theme.style(tone))));
        }
    };
    for find in run.finds() {
        if let Some(at) = find.end_point {
            let figure = with_uncertainty(at, find.u, theme.plus_minus());
            say(Tone::Mark, format!("found {figure} {unit}"));
        }
    }
    if let Some(last) = run.changes.last().filter(|c| c.state == WatchState::Withdrawn) {
        say(Tone::Warn, format!("withdrawn at {:.3} {unit}: {}", last.titrant, visible(&last.because.what)));
    }
    let outlook = &run.outlook;
    match (outlook.expected, outlook.interval) {
        (Some(expected), Some((low, high))) => {
            let half = (high - low) / 2.0;
            let figure = with_uncertainty(expected, Some(half), theme.plus_minus());
            say(Tone::Plain, format!("expected {figure} {unit}"));
        }
        (Some(expected), None) => say(Tone::Plain, format!("expected {expected:.2} {unit}")),
        (None, _) if run.finds().is_empty() => say(Tone::Faint, "no forecast yet".to_owned()),
        (None, _) => {}
    }
    if let Some(left) = to_go(run).filter(|left| *left > 0.0) {
        say(Tone::Figure, format!("{left:.2} {unit} to go"));
    }
    if let Some(next) = outlook.next_addition {
        say(Tone::Plain, format!("next addition {next:.3} {unit}"));
    }
    if let Some(reached) = outlook.u_reached {
        let reachable = outlook.u_reachable.map_or(String::new(), |u| format!(", reachable {u:.3}"));
        say(Tone::Plain, format!("u {reached:.3} {unit}{reachable}"));
    }
    for advice in &outlook.advice {
        say(Tone::Warn, format!("! {}", visible(advice)));
    }
    lines
}

/// The states of the watch in a row, with a mark at the one that holds.
fn ladder(theme: Theme, run: &RunState, columns: usize) -> Line<'static> {
    let now = run.watch();
    let mark = if theme.ascii { ">" } else { "▶" };
    let link = if columns >= 34 { if theme.ascii { " - " } else { " ─ " } } else { " " };
    let mut spans = vec![Span::raw(" ")];
    for (at, state) in
        [WatchState::Far, WatchState::Closing, WatchState::Turning, WatchState::Found].into_iter().enumerate()
    {
        if at > 0 {
            spans.push(Span::styled(link, theme.style(Tone::Faint)));
        }
        if state == now {
            let tone = if now == WatchState::Far { Tone::Chosen } else { Tone::Alarm };
            spans.push(Span::styled(format!("{mark}{}", state.word()), theme.style(tone)));
        } else {
            spans.push(Span::styled(state.word(), theme.style(Tone::Faint)));
        }
    }
    Line::from(spans)
}

fn outcome_lines(state: &State, run: &RunState, end: &RunEnd, columns: usize) -> Vec<Line<'static>> {
    let theme = state.options.theme;
    let unit = run.head.curve.titrant.unit();
    let mut lines = Vec::new();
    let mut say = |tone: Tone, words: String, indent: usize| {
        for line in wrap(&words, columns.saturating_sub(1 + indent)) {
            lines.push(Line::from(Span::styled(format!("{}{line}", " ".repeat(indent)), theme.style(tone))));
        }
    };
    if let Some(result) = &run.result {
        for value in &result.results {
            say(Tone::Figure, visible(&value.name), 1);
            say(Tone::Figure, visible(&theme.text(&value.line())), 4);
        }
        for why in &result.missing {
            say(Tone::Warn, format!("no result: {}", visible(why)), 1);
        }
    }
    if end.end_points.is_empty() {
        say(Tone::Warn, "no end-point found".to_owned(), 1);
    }
    for (number, found) in end.end_points.iter().enumerate() {
        let figure = with_uncertainty(found.titrant, found.u, theme.plus_minus());
        say(Tone::Mark, format!("{}: {figure} {unit}", number + 1), 1);
        let signal = match (found.signal, run.head.curve.signal) {
            (Some(value), Some((_, Unit::Ph))) => format!("pH {value:.2}, "),
            (Some(value), Some((_, unit))) => format!("{value:.1} {}, ", theme.unit(unit)),
            (Some(value), None) => format!("{value:.3}, "),
            (None, _) => String::new(),
        };
        say(Tone::Plain, format!("{signal}{}", visible(&found.method)), 4);
    }
    let more = run.result.iter().flat_map(|result| &result.warnings);
    for warning in end.warnings.iter().chain(more) {
        say(Tone::Warn, format!("! {}", visible(warning)), 1);
    }
    say(Tone::Faint, format!("ended: {}", visible(&end.why)), 1);
    if !run.head.origin.is_real() {
        say(Tone::Warn, format!("data from {}: no result of a sample", run.head.origin.word()), 1);
    }
    say(Tone::Plain, "space: next portion".to_owned(), 1);
    lines
}

/// Draws the watch.
pub(super) fn watch(
    state: &State,
    lines: Vec<Line<'static>>,
    frame: &mut Frame<'_>,
    area: Rect,
    urgency: u8,
) {
    let title = match state.run() {
        Some(run) if run.end.is_some() => format!("run {} ended", run.head.run),
        _ => "watch".to_owned(),
    };
    let block = panel(state.options.theme, title, urgency);
    frame.render_widget(Paragraph::new(lines).block(block), area);
}

/// Draws the last lines of the wire.
pub(super) fn wire(state: &State, frame: &mut Frame<'_>, area: Rect, urgency: u8) {
    let theme = state.options.theme;
    let title = match state.lane() {
        Some(lane) if lane.frames_not_understood > 0 => {
            format!("wire: {} not understood", grouped(lane.frames_not_understood))
        }
        _ => "wire".to_owned(),
    };
    let block = panel(theme, title, urgency);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let Some(lane) = state.lane() else { return };
    let rows = usize::from(inner.height);
    let skip = lane.frames.len().saturating_sub(rows);
    // Blanks that all lines begin with carry nothing; what is left keeps figures under figures.
    let blanks = |text: &str| text.len() - text.trim_start_matches(' ').len();
    let indent = lane.frames.iter().skip(skip).map(|line| blanks(&line.text)).min().unwrap_or(0);
    let lines: Vec<Line<'_>> = lane
        .frames
        .iter()
        .skip(skip)
        .map(|line| frame_line::short(&state.options, line, indent, usize::from(inner.width)))
        .collect();
    frame.render_widget(Paragraph::new(lines), inner);
}

/// Draws the last notes and warnings.
pub(super) fn notes(state: &State, frame: &mut Frame<'_>, area: Rect, urgency: u8) {
    let theme = state.options.theme;
    let block = panel(theme, "notes and warnings", urgency);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let columns = usize::from(inner.width).saturating_sub(1);
    let mut lines = Vec::new();
    let mut say = |tone: Tone, words: String| {
        for line in wrap(&words, columns) {
            lines.push(Line::from(Span::styled(format!(" {line}"), theme.style(tone))));
        }
    };
    let rows = usize::from(inner.height);
    if let Some(lane) = state.lane() {
        let warnings = lane.warnings.len().saturating_sub(rows / 2);
        for warning in lane.warnings.iter().skip(warnings) {
            say(Tone::Warn, format!("! {}", visible(warning)));
        }
    }
    if let Some(run) = state.run() {
        for (at, note) in run.notes.iter().skip(run.notes.len().saturating_sub(rows)) {
            say(Tone::Plain, format!("{} {}", frame_line::time_of_day(&state.options, *at), visible(note)));
        }
    }
    if lines.is_empty() {
        lines.push(Line::from(Span::styled(" none; n writes one", theme.style(Tone::Faint))));
    }
    let skip = lines.len().saturating_sub(rows);
    frame.render_widget(Paragraph::new(lines.split_off(skip)), inner);
}
