//! Screens: each a pure function of the state.

mod banner;
mod bench;
mod charts;
mod cover;
mod curve;
mod decisions;
mod electrode;
mod entry;
mod equipment;
mod field;
mod form;
mod frame_line;
mod help;
mod lane_row;
mod page;
mod panels;
mod run;
mod runs;
mod series;
mod setup;
mod sheet;
mod steps;
mod titrant;
mod wire;

use super::alarm::{Alarm, to_go};
use super::holding;
use super::keys;
use super::state::{Over, Page, State};
use super::text::{cut, grouped, visible, width};
use super::theme::{Theme, Tone};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect, Spacing};
use ratatui::style::Style;
use ratatui::symbols::merge::MergeStrategy;
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Clear, Paragraph, Wrap};

/// The least window in which the screens can be read.
const LEAST: (u16, u16) = (60, 16);

/// Draws the state.
pub fn draw(state: &State, frame: &mut Frame<'_>) {
    let area = frame.area();
    if area.width < LEAST.0 || area.height < LEAST.1 {
        too_small(state, frame, area);
    } else {
        whole(state, frame, area);
    }
    state.options.theme.finish(frame.buffer_mut());
}

fn whole(state: &State, frame: &mut Frame<'_>, area: Rect) {
    // The banner keeps its place also when it is empty, so that nothing jumps when it speaks.
    let banner_rows = if area.height >= 30 { 3 } else { 2 };
    let told = banner::lines(state, usize::from(area.width).saturating_sub(2), usize::from(banner_rows));
    let [head, body, banner, hints] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Min(1),
        Constraint::Length(banner_rows),
        Constraint::Length(1),
    ])
    .areas(area);
    header(state, frame, head);
    if let Some(cover) = &state.cover {
        cover::draw(state, cover, frame, body);
        frame.render_widget(Paragraph::new(told), banner);
        footer(state, frame, hints);
        return;
    }
    match state.page {
        Page::Run => run::draw(state, frame, body),
        Page::Wire => wire::draw(state, frame, body),
        Page::Bench => bench::draw(state, frame, body),
        Page::Runs => runs::draw(state, frame, body),
        Page::Series => series::draw(state, frame, body),
        Page::Electrode => electrode::draw(state, frame, body),
        Page::Titrant => titrant::draw(state, frame, body),
        Page::Steps => steps::draw(state, frame, body),
        Page::Equipment => equipment::draw(state, frame, body),
        Page::Charts => charts::draw(state, frame, body),
        Page::Decisions => decisions::draw(state, frame, body),
        Page::Setup => setup::draw(state, frame, body),
    }
    match &state.over {
        Over::Nothing => {}
        Over::Entry(entry) => entry::draw(state, entry, frame, body),
        Over::Form(next) => form::draw(state, next, frame, body),
        Over::Sheet(open) => sheet::draw(state, open, frame, body),
    }
    if let Some(scrolled) = state.help {
        help::draw(state, scrolled, frame, body);
    }
    frame.render_widget(Paragraph::new(told), banner);
    footer(state, frame, hints);
}

/// Where the curve is drawn on the terminal; none where no curve is shown.
pub(super) fn plot(state: &State) -> Option<Rect> {
    let (columns, rows) = state.size;
    if columns < LEAST.0 || rows < LEAST.1 || state.page != Page::Run {
        return None;
    }
    let banner_rows = if rows >= 30 { 3 } else { 2 };
    let body = Rect { x: 0, y: 1, width: columns, height: rows.saturating_sub(2 + banner_rows) };
    curve::plot_in(run::curve_area(body))
}

/// The first line: where we are on the left, how safe the record is on the right.
fn header(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let (safe, tone) = safety(state, area.width);
    let safe_wide = width(&safe) + 1;
    let name = if state.is_simulated() { " SIMULATED " } else { " dropwise " };
    let name_tone = if state.is_simulated() { Tone::Alarm } else { Tone::Figure };
    let room = usize::from(area.width).saturating_sub(safe_wide + width(name) + 3);
    let left = vec![
        Span::styled(name, theme.style(name_tone)),
        Span::raw(format!(" {}", cut(&place(state).join(theme.dot()), room, theme.more()))),
    ];
    let [left_area, right_area] = Layout::horizontal([
        Constraint::Min(1),
        Constraint::Length(u16::try_from(safe_wide).unwrap_or(area.width)),
    ])
    .areas(area);
    frame.render_widget(Line::from(left), left_area);
    frame.render_widget(Span::styled(safe, theme.style(tone)), right_area);
}

/// Where we are: bench, and what is done there or which page is shown.
fn place(state: &State) -> Vec<String> {
    let Some(lane) = state.lane() else {
        return vec![state.page.name().to_owned()];
    };
    let mut parts = vec![visible(&lane.title)];
    match (state.page, &lane.run) {
        (Page::Run, Some(run)) => {
            // The title last: it is the one that may be long, and the one that can be cut.
            parts.push(format!("portion {} of {}", run.head.plan.portion, run.head.plan.portions));
            parts.extend(holding::words(state, lane));
            parts.push(visible(&run.head.title));
        }
        (Page::Run, None) => {}
        (page, _) => parts.push(page.name().to_owned()),
    }
    parts
}

/// How far the record is safe, in words.
fn safety(state: &State, columns: u16) -> (String, Tone) {
    let store = &state.bench.store;
    let age_s = store.oldest_unsaved_ms / 1_000;
    if !state.attached {
        ("waiting for the recorder".to_owned(), Tone::Faint)
    } else if store.trouble.is_some() {
        (format!("NOT SAVED: {} bytes, {age_s} s", grouped(store.unsaved_bytes)), Tone::Alarm)
    } else if age_s >= 1 {
        (format!("saved to line {}, oldest unsaved {age_s} s", grouped(store.saved_lines)), Tone::Warn)
    } else {
        let doing = if state.live_run().is_some() && columns >= 100 { "recording, " } else { "" };
        (format!("{doing}saved to line {}", grouped(store.saved_lines)), Tone::Plain)
    }
}

/// The last line: the keys that matter now.
fn footer(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let mut spans = vec![Span::raw(" ")];
    let mut used = 1;
    let hints = keys::hints(state);
    let last = hints.last().map_or(0, |(key, words)| width(key) + width(words) + 4);
    for (at, (key, words)) in hints.iter().enumerate() {
        let wide = width(key) + width(words) + 4;
        let is_last = at + 1 == hints.len();
        if !is_last && used + wide + last > usize::from(area.width) + 3 {
            continue;
        }
        used += wide;
        spans.push(Span::styled(*key, theme.style(Tone::Figure)));
        spans.push(Span::raw(format!(" {words}   ")));
    }
    frame.render_widget(Line::from(spans), area);
}

/// A window in which nothing can be drawn gets a sentence, and the figures that matter.
fn too_small(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let mut parts = Vec::new();
    if state.is_simulated() {
        parts.push("SIMULATED.".to_owned());
    }
    if let Some(trouble) = &state.bench.store.trouble {
        parts.push(format!("NOT SAVED: {}.", visible(trouble)));
    }
    if let Some(run) = state.live_run() {
        if let Some(point) = run.points.last() {
            let unit = run.head.curve.titrant.unit();
            parts.push(format!("{:.3} {unit}, {}.", point.titrant, run.watch().word()));
        }
        let alarm = Alarm::of(Some(run));
        if alarm > Alarm::Calm {
            parts.push(format!("{}.", alarm.words()));
        }
        if let (Some(left), Alarm::Near | Alarm::Drops) = (to_go(run), alarm) {
            parts.push(format!("{left:.2} to go."));
        }
    }
    parts.push(format!(
        "Window too small: {} x {} at least, this is {} x {}. Recording goes on.",
        LEAST.0, LEAST.1, area.width, area.height
    ));
    frame.render_widget(
        Paragraph::new(parts.join(" ")).wrap(Wrap { trim: true }).style(theme.style(Tone::Plain)),
        area,
    );
}

/// A panel with a title; neighbours share their borders.
fn panel(theme: Theme, title: impl Into<String>, urgency: u8) -> Block<'static> {
    let style = match urgency {
        0 => theme.style(Tone::Faint),
        _ => theme.style(Tone::Warn),
    };
    Block::bordered()
        .border_type(theme.border(urgency))
        .border_style(style)
        .merge_borders(MergeStrategy::Exact)
        .title(Span::styled(format!(" {} ", title.into()), Style::new()))
}

/// Panels in a row or column that share their borders.
fn sharing(layout: Layout) -> Layout {
    layout.spacing(Spacing::Overlap(1))
}

/// A box over the middle of an area, as large as asked where there is room; cleared.
fn over(frame: &mut Frame<'_>, area: Rect, wide: u16, high: u16) -> Rect {
    let wide = wide.min(area.width);
    let high = high.min(area.height);
    let place = Rect {
        x: area.x + (area.width - wide) / 2,
        y: area.y + (area.height - high) / 2,
        width: wide,
        height: high,
    };
    frame.render_widget(Clear, place);
    place
}
