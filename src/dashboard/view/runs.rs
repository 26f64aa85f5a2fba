//! The page of the stored runs: the list, one run looked through, curves over each other.

use super::super::desk::{Reckoned, RunFile};
use super::super::options::{RunFate, StoredRun};
use super::super::review;
use super::super::state::State;
use super::super::text::{cut, visible, width, with_uncertainty};
use super::super::theme::{Theme, Tone};
use super::page::Lines;
use super::{frame_line, panel, sharing};
use crate::work::RunId;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::Color;
use ratatui::symbols::Marker;
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;
use ratatui::widgets::canvas::{Canvas, Line as Stroke};

/// Columns from which a row shows the year.
const WIDE: usize = 96;
/// Letters of the curves that are laid over each other.
const LETTERS: [&str; review::MOST_LAID + 1] = ["a", "b", "c", "d", "e", "f", "g"];

/// Draws the page.
pub(super) fn draw(state: &State, frame: &mut Frame<'_>, area: Rect) {
    match (state.review.opened, review::file(state)) {
        (Some(run), file) => {
            let high = (area.height * 2 / 5).max(6);
            let [top, bottom] =
                sharing(Layout::vertical([Constraint::Length(high), Constraint::Min(6)])).areas(area);
            curves(state, frame, top);
            match file {
                Some(file) => looked_through(state, file, frame, bottom),
                None => {
                    let mut lines = Lines::new(state, bottom);
                    lines.say(Tone::Faint, "the record is being asked");
                    lines.draw(&format!("run {run}"), frame, bottom);
                }
            }
        }
        (None, _) if !state.review.laid.is_empty() && area.height >= 18 => {
            let high = (area.height * 2 / 5).max(7);
            let [top, bottom] =
                sharing(Layout::vertical([Constraint::Length(high), Constraint::Min(6)])).areas(area);
            curves(state, frame, top);
            list(state, frame, bottom);
        }
        (None, _) => {
            let [top, bottom] =
                sharing(Layout::vertical([Constraint::Min(5), Constraint::Length(7)])).areas(area);
            list(state, frame, top);
            details(state, review::chosen(state), frame, bottom);
        }
    }
}

fn list(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let runs = review::listed(state);
    let title = if state.review.search.is_empty() {
        format!("stored runs: {}", runs.len())
    } else {
        format!(
            "stored runs with \"{}\": {} of {}",
            visible(&state.review.search),
            runs.len(),
            state.options.runs.len()
        )
    };
    let block = panel(theme, title, 0);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let columns = usize::from(inner.width);
    let mut lines = vec![Line::from(Span::styled(
        row(state, ["run", "began", "sample", "end-point", "state"].map(str::to_owned), columns),
        theme.style(Tone::Faint),
    ))];
    let rows = usize::from(inner.height).saturating_sub(1).max(1);
    let start = (state.runs_line + 1).saturating_sub(rows);
    for (at, stored) in runs.iter().enumerate().skip(start).take(rows) {
        let tone = if at == state.runs_line { Tone::Chosen } else { Tone::Plain };
        lines.push(Line::from(Span::styled(
            row(state, cells(state, stored, columns), columns),
            theme.style(tone),
        )));
    }
    if runs.is_empty() {
        let words = if state.options.runs.is_empty() {
            " no run is stored yet"
        } else {
            " no run fits the search: / and Enter on an empty line shows all"
        };
        lines.push(Line::from(words));
    }
    frame.render_widget(Paragraph::new(lines), inner);
}

fn cells(state: &State, stored: &StoredRun, columns: usize) -> [String; 5] {
    let theme = state.options.theme;
    let laid = state.review.laid.iter().position(|run| *run == stored.run);
    let mark = laid.map_or(String::new(), |at| format!("[{}] ", LETTERS[at.min(LETTERS.len() - 1)]));
    let sample = format!("{mark}{} {}/{}", visible(&stored.sample), stored.portion.0, stored.portion.1);
    let first = stored.end_points.first();
    let end_point = first.map_or("none".to_owned(), |(at, u)| {
        format!("{} {}", with_uncertainty(*at, *u, theme.plus_minus()), stored.titrant.unit())
    });
    let began = frame_line::date_and_time(&state.options, stored.at, columns >= WIDE);
    let end_point = if matches!(stored.fate, RunFate::GoesOn) { String::new() } else { end_point };
    [
        stored.run.to_string(),
        began,
        sample.trim().to_owned(),
        end_point,
        format!("{}, {}", review::word(&stored.fate), stored.origin.word()),
    ]
}

fn row(state: &State, cells: [String; 5], columns: usize) -> String {
    let began = if columns < WIDE { 11 } else { 16 };
    let rest = columns.saturating_sub(4 + began + 22 + 22 + 6);
    let widths = [4, began, rest, 22, 22];
    let mut line = String::from(" ");
    for (cell, wide) in cells.iter().zip(widths) {
        let text = cut(cell, wide, state.options.theme.more());
        let pad = wide.saturating_sub(width(&text)) + 1;
        line.push_str(&text);
        line.push_str(&" ".repeat(pad));
    }
    line
}

fn details(state: &State, stored: Option<&StoredRun>, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let title = stored.map_or("run".to_owned(), |s| format!("run {}", s.run));
    let mut lines = Lines::new(state, area);
    if let Some(stored) = stored {
        let (portion, portions) = stored.portion;
        lines.say(
            Tone::Plain,
            &format!(
                "{}, sample {}, portion {portion} of {portions}, origin {}",
                visible(&stored.title),
                if stored.sample.is_empty() { "not named".to_owned() } else { visible(&stored.sample) },
                stored.origin.word()
            ),
        );
        for (number, (at, u)) in stored.end_points.iter().enumerate() {
            let figure = with_uncertainty(*at, *u, theme.plus_minus());
            lines.say(Tone::Mark, &format!("end-point {}: {figure} {}", number + 1, stored.titrant.unit()));
        }
        fate(&stored.fate, &mut lines);
    }
    lines.draw(&title, frame, area);
}

fn fate(fate: &RunFate, lines: &mut Lines<'_>) {
    match fate {
        RunFate::GoesOn => lines.say(Tone::Plain, "goes on"),
        RunFate::Ended(why) => lines.say(Tone::Plain, &format!("ended: {}", visible(why))),
        RunFate::Interrupted => lines.say(Tone::Warn, "the recorder was interrupted in this run"),
        RunFate::SetAside(why) => lines.say(Tone::Warn, &format!("set aside: {}", visible(why))),
    }
}

/// Evaluations side by side, who signed, result, notes.
fn looked_through(state: &State, file: &RunFile, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let unit = file.curve.titrant.unit();
    let mut lines = Lines::new(state, area);
    let stored = state.options.runs.iter().find(|stored| stored.run == file.run);
    if let Some(stored) = stored {
        let words = format!(
            "{}, sample {}, portion {} of {}, {}, by {}",
            visible(&stored.title),
            if stored.sample.is_empty() { "not named".to_owned() } else { visible(&stored.sample) },
            stored.portion.0,
            stored.portion.1,
            stored.origin.word(),
            visible(&file.who)
        );
        lines.say(Tone::Plain, &words);
        if !stored.origin.is_real() {
            let words = format!("{}: not the result of a sample", stored.origin.word().to_uppercase());
            lines.say(Tone::Warn, &words);
        }
        fate(&stored.fate, &mut lines);
    }
    for (at, reckoned) in file.reckonings.iter().enumerate() {
        let words = reckoned_words(theme, reckoned, unit.symbol());
        let mark = if file.reported == Some(reckoned.id) { "  REPORTED" } else { "" };
        lines.row(Tone::Mark, &format!("{words}{mark}"), at == state.review.reckoning);
    }
    if let Some((who, why)) = &file.choice {
        lines.say(Tone::Plain, &format!("  chosen by {}: {}", visible(who), visible(why)));
    }
    if let Some(reckoned) = file.reckonings.get(state.review.reckoning) {
        for signature in &reckoned.signatures {
            lines.say(Tone::Good, &format!("  signed: {}", visible(signature)));
        }
        match reckoned.signatures.is_empty() {
            true if stored.is_some_and(|stored| !stored.origin.is_real()) => {
                lines.say(Tone::Faint, "  not signed: only the runs of a real instrument are");
            }
            true => lines.say(Tone::Faint, "  not signed; F12 signs it (k makes a key)"),
            false => {}
        }
    }
    if let Some(result) = &file.result {
        for value in &result.results {
            lines.say(Tone::Figure, &visible(&format!("result: {} {}", value.name, value.line())));
        }
        for why in &result.missing {
            lines.say(Tone::Warn, &visible(&format!("no result: {why}")));
        }
        for warning in &result.warnings {
            lines.say(Tone::Warn, &visible(&format!("! {warning}")));
        }
    }
    side_by_side(state, file, unit.symbol(), &mut lines);
    for warning in &file.warnings {
        lines.say(Tone::Warn, &visible(&format!("! {warning}")));
    }
    for (at, note) in &file.notes {
        lines.say(Tone::Plain, &visible(&format!("note at {at:.0} s: {note}")));
    }
    lines.draw_from(state.review.scrolled, &format!("run {}", file.run), frame, area);
}

fn reckoned_words(theme: Theme, reckoned: &Reckoned, unit: &str) -> String {
    let figures: Vec<String> = reckoned
        .end_points
        .iter()
        .map(|end| format!("{} {unit}", with_uncertainty(end.titrant, end.u, theme.plus_minus())))
        .collect();
    let figures = if figures.is_empty() { "no end-point".to_owned() } else { figures.join("; ") };
    visible(&format!("reckoning {}: {figures}, {} points", reckoned.id, reckoned.points))
}

/// The reported evaluation beside the chosen one; where that is the reported one, beside the latest other.
fn side_by_side(state: &State, file: &RunFile, unit: &str, lines: &mut Lines<'_>) {
    let theme = state.options.theme;
    let Some(left) = file.reckonings.iter().find(|r| file.reported == Some(r.id)) else { return };
    let chosen = file.reckonings.get(state.review.reckoning).filter(|r| r.id != left.id);
    let Some(right) = chosen.or_else(|| file.reckonings.iter().rfind(|r| r.id != left.id)) else { return };
    let wide = (lines.columns().saturating_sub(14)) / 2;
    let mut line = |tone, name: &str, left: &str, right: &str| {
        if !(left.is_empty() && right.is_empty()) {
            let cell = |text: &str| {
                let text = cut(&visible(text), wide.saturating_sub(1), theme.more());
                let pad = wide.saturating_sub(width(&text));
                format!("{text}{}", " ".repeat(pad))
            };
            lines.line(tone, &format!("  {name:<12}{}{}", cell(left), cell(right)));
        }
    };
    let head = |r: &Reckoned, mark| format!("reckoning {}{mark}", r.id);
    line(Tone::Figure, "", &head(left, ", reported"), &head(right, ""));
    for n in 0..left.end_points.len().max(right.end_points.len()) {
        let figure = |r: &Reckoned| {
            r.end_points.get(n).map_or("none".to_owned(), |end| {
                format!("{} {unit}", with_uncertainty(end.titrant, end.u, theme.plus_minus()))
            })
        };
        let moved = left.end_points.get(n).zip(right.end_points.get(n));
        let moved = moved.map_or(String::new(), |(a, b)| format!(", {:+.4}", b.titrant - a.titrant));
        line(
            Tone::Plain,
            &format!("end-point {}", n + 1),
            &figure(left),
            &format!("{}{moved}", figure(right)),
        );
        let method = |r: &Reckoned| r.end_points.get(n).map_or(String::new(), |end| end.method.clone());
        line(Tone::Plain, "by", &method(left), &method(right));
    }
    line(Tone::Plain, "points", &left.points.to_string(), &right.points.to_string());
    line(Tone::Plain, "with", &left.differs.join("; "), &right.differs.join("; "));
    line(Tone::Plain, "program", &left.program, &right.program);
    let who = |r: &Reckoned| r.who_why.as_ref().map_or(String::new(), |(who, _)| who.clone());
    line(Tone::Plain, "made by", &who(left), &who(right));
    let why = |r: &Reckoned| r.who_why.as_ref().map_or(String::new(), |(_, why)| why.clone());
    line(Tone::Plain, "why", &why(left), &why(right));
}

/// The curves that are laid over each other, each with its letter.
fn curves(state: &State, frame: &mut Frame<'_>, area: Rect) {
    let theme = state.options.theme;
    let opened = state.review.opened.filter(|run| !state.review.laid.contains(run));
    let wanted: Vec<RunId> = state.review.laid.iter().copied().chain(opened).collect();
    let files: Vec<(&str, &RunFile)> = wanted
        .iter()
        .zip(LETTERS)
        .filter_map(|(run, letter)| Some((letter, state.books.files.get(run)?)))
        .collect();
    let legend: Vec<String> =
        files.iter().map(|(letter, file)| format!("{letter} run {}", file.run)).collect();
    let block = panel(theme, format!("curves: {}", legend.join(", ")), 0);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let points = || files.iter().flat_map(|(_, file)| file.points.iter()).filter(|p| p.signal.is_finite());
    let span = |of: fn(&crate::reading::Point) -> f64| {
        let low = points().map(of).fold(f64::INFINITY, f64::min);
        let high = points().map(of).fold(f64::NEG_INFINITY, f64::max);
        (low, if high > low { high } else { low + 1.0 })
    };
    let (x, y) = (span(|p| p.titrant), span(|p| p.signal));
    if !(x.0.is_finite() && y.0.is_finite()) || inner.width < 20 || inner.height < 4 {
        frame.render_widget(Paragraph::new(" no points to draw"), inner);
        return;
    }
    let plot = Rect { x: inner.x + 7, width: inner.width - 8, height: inner.height - 1, ..inner };
    let colour = theme.style(Tone::Curve).fg.unwrap_or(Color::Reset);
    for (letter, file) in &files {
        // Where no dots can be drawn, each of several curves is drawn with its letter.
        let sign = if files.len() > 1 { letter.chars().next().unwrap_or('*') } else { '*' };
        let marker = if theme.ascii { Marker::Custom(sign) } else { Marker::Braille };
        let canvas =
            Canvas::default().marker(marker).x_bounds([x.0, x.1]).y_bounds([y.0, y.1]).paint(|context| {
                for pair in file.points.windows(2) {
                    let (from, to) = (pair[0], pair[1]);
                    if from.signal.is_finite() && to.signal.is_finite() {
                        context.draw(&Stroke {
                            x1: from.titrant,
                            y1: from.signal,
                            x2: to.titrant,
                            y2: to.signal,
                            color: colour,
                        });
                    }
                }
            });
        frame.render_widget(canvas, plot);
    }
    let faint = theme.style(Tone::Faint);
    let buffer = frame.buffer_mut();
    buffer.set_string(inner.x, plot.y, format!("{:>6.1}", y.1), faint);
    buffer.set_string(inner.x, plot.y + plot.height - 1, format!("{:>6.1}", y.0), faint);
    let unit = files.first().map_or("mL", |(_, file)| file.curve.titrant.unit().symbol());
    let last = format!("{:.2} {unit}", x.1);
    let bottom = plot.y + plot.height;
    buffer.set_string(plot.x, bottom, format!("{:.2}", x.0), faint);
    let right = (plot.x + plot.width).saturating_sub(u16::try_from(last.len()).unwrap_or(0));
    buffer.set_string(right, bottom, last, faint);
    for (n, (letter, file)) in files.iter().enumerate() {
        let at = file.reckonings.first().and_then(|r| r.end_points.first()).map(|e| e.titrant);
        let Some(at) = at.filter(|at| (x.0..=x.1).contains(at)) else { continue };
        let column = plot.x + offset((at - x.0) / (x.1 - x.0), plot.width);
        let row = plot.y + u16::try_from(n).unwrap_or(0).min(plot.height - 1);
        buffer.set_string(column, row, *letter, theme.style(Tone::Mark));
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of a width, 0 to 1")]
fn offset(share: f64, wide: u16) -> u16 {
    ((share.clamp(0.0, 1.0) * f64::from(wide)) as u16).min(wide.saturating_sub(1))
}
