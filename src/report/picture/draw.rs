//! How a picture is drawn.
//!
//! Coordinates of the drawing library are whole numbers, in which a steep jump becomes a staircase: everything is drawn
//! ten times as large and shown in a view box of the usual size.

use super::{Drawn, Panel, Picture, Rule, Series, Style, range};
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::element::{DashedPathElement, EmptyElement};
use plotters::prelude::{
    BLACK, Cartesian2d, ChartBuilder, ChartContext, Circle, Color, Cross, DrawingArea, DrawingAreaErrorKind,
    DrawingBackend, IntoDrawingArea, PathElement, RGBColor, Ranged, Rectangle, SVGBackend, Text, TextStyle,
    TriangleMarker, WHITE,
};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{IntoFont, ShapeStyle};

/// How much larger everything is drawn.
const SCALE: i32 = 10;
/// Colours that colour-blind eyes tell apart (Okabe and Ito, from memory).
const COLOURS: [RGBColor; 7] = [
    RGBColor(0, 114, 178),
    RGBColor(213, 94, 0),
    RGBColor(0, 158, 115),
    RGBColor(204, 121, 167),
    RGBColor(86, 180, 233),
    RGBColor(230, 159, 0),
    RGBColor(0, 0, 0),
];
/// Dash and gap of lines in pixels; the first is whole.
const DASHES: [(i32, i32); 4] = [(0, 0), (7, 4), (2, 3), (12, 3)];
/// The letters of pictures: the font of the reports, or one as wide.
const FONT: &str = "DejaVu Sans, Verdana, sans-serif";
/// Sizes of letters in pixels.
const TITLE: i32 = 16;
const LABEL: i32 = 13;
/// Mean width of a letter by its size, on the safe side.
const LETTER: f64 = 0.62;
/// Half the width of a mark.
const MARK_SIZE: i32 = 3 * SCALE;
/// Colour of end-points and limits.
const MARK: RGBColor = RGBColor(0, 120, 90);

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;
type DrawError<'a> = DrawingAreaErrorKind<<SVGBackend<'a> as DrawingBackend>::ErrorType>;

impl Picture {
    /// Draws it.
    ///
    /// # Errors
    /// In words, when a panel has no extent.
    pub fn svg(&self) -> Result<Drawn, String> {
        let legend = Legend::of(self);
        let height = self.height + legend.height();
        let mut text = String::new();
        {
            let scale = SCALE.unsigned_abs();
            let whole =
                SVGBackend::with_string(&mut text, (self.width * scale, height * scale)).into_drawing_area();
            let drawn = self.draw(&whole, &legend).and_then(|()| whole.present());
            drawn.map_err(|e| format!("the picture cannot be drawn: {e}"))?;
        }
        let scale = SCALE.unsigned_abs();
        let large = format!("width=\"{}\" height=\"{}\"", self.width * scale, height * scale);
        let shown = format!("width=\"{}\" height=\"{height}\"", self.width);
        // The library writes `opacity="1"` and each circle's stroke in full; only the size has to change.
        Ok(Drawn { svg: text.replacen(&large, &shown, 1), width: self.width, height })
    }

    fn draw<'a>(&self, whole: &Area<'a>, legend: &Legend<'_>) -> Result<(), DrawError<'a>> {
        whole.fill(&WHITE)?;
        let (mut rest, below) = whole.split_vertically(pixels(self.height));
        let all: u32 = self.panels.iter().map(|p| p.height).sum();
        let mut left = all.max(1);
        let mut space = self.height;
        for panel in &self.panels {
            let own = space * panel.height / left.max(1);
            let (area, after) = rest.split_vertically(pixels(own));
            panel.draw(&area, self.beside())?;
            rest = after;
            left = left.saturating_sub(panel.height);
            space -= own;
        }
        legend.draw(&below)
    }

    /// Room for the numbers of the ordinates: the same for all panels, so that their axes stand below each other.
    fn beside(&self) -> i32 {
        let longest = self.panels.iter().map(|panel| panel.up_labels().1).max().unwrap_or(4);
        letters(longest, LABEL) + 3 * LABEL
    }
}

impl Panel {
    fn up_range(&self) -> (f64, f64) {
        let values = self.series.iter().flat_map(|s| s.values.iter().map(|v| v.1));
        let levels = self.level.iter().map(|rule| rule.at);
        self.span.or_else(|| range(values.chain(levels))).unwrap_or((-1.0, 1.0))
    }

    /// Decimals of the numbers of the ordinate, and how long the longest is.
    fn up_labels(&self) -> (usize, usize) {
        let (low, high) = self.up_range();
        let decimals = decimals(low, high, 6);
        let length = |v: f64| format!("{v:.decimals$}").chars().count();
        (decimals, length(low).max(length(high)))
    }

    fn draw<'a>(&self, area: &Area<'a>, beside: i32) -> Result<(), DrawError<'a>> {
        let up = self.up_range();
        let mut builder = ChartBuilder::on(area);
        builder.margin(8 * SCALE).margin_right(16 * SCALE);
        if !self.title.is_empty() {
            builder.caption(&self.title, style(TITLE));
        }
        let mut chart = builder
            .x_label_area_size((LABEL * 3 + 4) * SCALE)
            .y_label_area_size(beside * SCALE)
            .build_cartesian_2d(self.range.0..self.range.1, up.0..up.1)?;
        let across_decimals = if self.counted { 0 } else { decimals(self.range.0, self.range.1, 10) };
        let up_decimals = self.up_labels().0;
        let across_label = |v: &f64| {
            // Between two whole numbers nothing is counted.
            if self.counted && ((v - v.round()).abs() > 1e-6 || *v < 0.5) {
                String::new()
            } else {
                format!("{v:.across_decimals$}")
            }
        };
        // As many marks as there are whole numbers, where they count something.
        let whole = rounded(self.range.1 - self.range.0).unsigned_abs() as usize;
        let marks = if self.counted { (whole + 1).min(12) } else { 10 };
        // A plain space at the end would be dropped.
        let up_label = |v: &f64| format!("{v:.up_decimals$}\u{a0}");
        chart
            .configure_mesh()
            .x_desc(&self.across)
            .y_desc(&self.up)
            .x_labels(marks)
            .y_labels(6)
            .x_label_formatter(&across_label)
            .y_label_formatter(&up_label)
            .label_style(style(LABEL))
            .axis_desc_style(style(LABEL + 1))
            .bold_line_style(BLACK.mix(0.14).stroke_width(SCALE.unsigned_abs()))
            .light_line_style(WHITE.mix(0.0))
            .axis_style(BLACK.stroke_width(SCALE.unsigned_abs()))
            .draw()?;
        for (row, rule) in self.upright.iter().enumerate() {
            upright(&mut chart, rule, self.range, up, row)?;
        }
        for rule in &self.level {
            level(&mut chart, rule, self.range, up)?;
        }
        for series in &self.series {
            draw_series(&mut chart, series, up)?;
        }
        Ok(())
    }
}

fn upright<'a>(
    chart: &mut Chart<'_, 'a>,
    rule: &Rule,
    range: (f64, f64),
    up: (f64, f64),
    row: usize,
) -> Result<(), DrawError<'a>> {
    if !(range.0..=range.1).contains(&rule.at) {
        return Ok(());
    }
    let half = rule.half_width.max((range.1 - range.0) * 1e-4);
    let (left, right) = ((rule.at - half).max(range.0), (rule.at + half).min(range.1));
    chart.draw_series([Rectangle::new([(left, up.0), (right, up.1)], MARK.mix(0.2).filled())])?;
    dashed(chart, &[(rule.at, up.0), (rule.at, up.1)], rule.dashes, line_style(MARK, 1.0))?;
    if rule.words.is_empty() {
        return Ok(());
    }
    // The words stand on the side where there is more room, each rule's a line lower than the one before.
    let on_the_right = rule.at < f64::midpoint(range.0, range.1);
    let (dx, anchor) = if on_the_right { (5, HPos::Left) } else { (-5, HPos::Right) };
    let dy = 3 + (LABEL + 4) * i32::try_from(row % 4).unwrap_or(0);
    let text = style(LABEL).color(&MARK).pos(Pos::new(anchor, VPos::Top));
    label(chart, (rule.at, up.1), (dx, dy), &rule.words, text)
}

fn level<'a>(
    chart: &mut Chart<'_, 'a>,
    rule: &Rule,
    range: (f64, f64),
    up: (f64, f64),
) -> Result<(), DrawError<'a>> {
    if !(up.0..=up.1).contains(&rule.at) {
        return Ok(());
    }
    dashed(chart, &[(range.0, rule.at), (range.1, rule.at)], rule.dashes, line_style(MARK, 1.2))?;
    if rule.words.is_empty() {
        return Ok(());
    }
    let text = style(LABEL - 1).color(&MARK).pos(Pos::new(HPos::Right, VPos::Bottom));
    label(chart, (range.1, rule.at), (-3, -1), &rule.words, text)
}

/// Words on a white ground, so that no line runs through them.
fn label<'a>(
    chart: &mut Chart<'_, 'a>,
    at: (f64, f64),
    (dx, dy): (i32, i32),
    words: &str,
    text: TextStyle<'static>,
) -> Result<(), DrawError<'a>> {
    let wide = letters(words.chars().count(), LABEL);
    let (left, right) = match text.pos.h_pos {
        HPos::Left => (dx - 2, dx + wide),
        HPos::Center => (dx - wide / 2, dx + wide / 2),
        HPos::Right => (dx - wide, dx + 2),
    };
    let (top, bottom) =
        if matches!(text.pos.v_pos, VPos::Bottom) { (dy - LABEL, dy) } else { (dy, dy + LABEL + 2) };
    let ground = Rectangle::new(
        [(left * SCALE, top * SCALE), (right * SCALE, bottom * SCALE)],
        WHITE.mix(0.85).filled(),
    );
    let words = Text::new(words.to_owned(), (dx * SCALE, dy * SCALE), text);
    chart.draw_series([EmptyElement::at(at) + ground + words])?;
    Ok(())
}

fn draw_series<'a>(chart: &mut Chart<'_, 'a>, series: &Series, up: (f64, f64)) -> Result<(), DrawError<'a>> {
    let inside: Vec<(f64, f64)> = series
        .values
        .iter()
        .copied()
        .filter(|v| v.0.is_finite() && v.1.is_finite() && (up.0..=up.1).contains(&v.1))
        .collect();
    if let Style::Line(n) | Style::Both(n) = series.style {
        dashed(chart, &inside, n, line_style(colour(n), 1.4))?;
    }
    if let Style::Marks(n) | Style::Both(n) = series.style {
        for at in inside {
            mark(chart, at, n)?;
        }
    }
    Ok(())
}

fn mark<'a>(chart: &mut Chart<'_, 'a>, at: (f64, f64), n: usize) -> Result<(), DrawError<'a>> {
    let (own, size) = (colour(n), MARK_SIZE);
    let outline = own.stroke_width(SCALE.unsigned_abs());
    match n % 6 {
        0 => chart.draw_series([Circle::new(at, size, own.filled())]).map(drop),
        1 => chart.draw_series([TriangleMarker::new(at, size + 10, own.filled())]).map(drop),
        2 => chart.draw_series([Cross::new(at, size, outline)]).map(drop),
        3 => chart.draw_series([Circle::new(at, size, outline)]).map(drop),
        4 => {
            let square = Rectangle::new([(-size, -size), (size, size)], own.filled());
            chart.draw_series([EmptyElement::at(at) + square]).map(drop)
        }
        _ => chart.draw_series([TriangleMarker::new(at, size + 10, outline)]).map(drop),
    }
}

fn dashed<'a>(
    chart: &mut Chart<'_, 'a>,
    values: &[(f64, f64)],
    n: usize,
    line: ShapeStyle,
) -> Result<(), DrawError<'a>> {
    match DASHES[n % DASHES.len()] {
        (0, _) => chart.draw_series([PathElement::new(values.to_vec(), line)]).map(drop),
        (dash, gap) => chart
            .draw_series([DashedPathElement::new(values.to_vec(), dash * SCALE, gap * SCALE, line)])
            .map(drop),
    }
}

fn colour(n: usize) -> RGBColor {
    COLOURS[n % COLOURS.len()]
}

fn style(size: i32) -> TextStyle<'static> {
    // The library's sizes are those of a line; it divides by this to come to the size of letters.
    (FONT, f64::from(size * SCALE) * 1.24).into_font().into()
}

fn line_style(colour: RGBColor, width: f64) -> ShapeStyle {
    colour.stroke_width(rounded(width * f64::from(SCALE)).unsigned_abs())
}

/// What so many letters of a size need at most, in pixels.
fn letters(count: usize, size: i32) -> i32 {
    rounded(count as f64 * f64::from(size) * LETTER)
}

fn pixels(n: u32) -> i32 {
    i32::try_from(n).unwrap_or(i32::MAX / SCALE).saturating_mul(SCALE)
}

#[expect(clippy::cast_possible_truncation, reason = "a small number of pixels")]
fn rounded(width: f64) -> i32 {
    width.round() as i32
}

/// Decimals that tell the marks of an axis apart.
fn decimals(low: f64, high: f64, marks: usize) -> usize {
    let places = RangedCoordf64::from(low..high).key_points(marks);
    let step = places.windows(2).map(|w| (w[1] - w[0]).abs()).fold(f64::INFINITY, f64::min);
    (0..9)
        .find(|d| {
            let unit = step * 10_f64.powi(i32::try_from(*d).unwrap_or(0));
            step.is_infinite() || (unit - unit.round()).abs() < 1e-6 * unit.max(1.0) && unit >= 0.5
        })
        .unwrap_or(9)
}

/// The legend below the panels: a sample of each series with its name.
struct Legend<'a> {
    rows: Vec<Vec<(&'a Series, i32)>>,
}

/// Height of a row of the legend in pixels.
const ROW: i32 = LABEL + 8;
/// Room for the sample of a series.
const SAMPLE: i32 = 34;

impl<'a> Legend<'a> {
    fn of(picture: &'a Picture) -> Self {
        let mut rows: Vec<Vec<(&Series, i32)>> = Vec::new();
        let wide = i32::try_from(picture.width).unwrap_or(800) - 40;
        let mut at = wide;
        for series in picture.panels.iter().flat_map(|p| &p.series).filter(|s| !s.name.is_empty()) {
            let own = SAMPLE + letters(series.name.chars().count(), LABEL) + 18;
            if at + own > wide {
                rows.push(Vec::new());
                at = 0;
            }
            if let Some(row) = rows.last_mut() {
                row.push((series, at));
            }
            at += own;
        }
        Self { rows }
    }

    fn height(&self) -> u32 {
        let rows = i32::try_from(self.rows.len()).unwrap_or(0);
        if rows == 0 { 0 } else { (rows * ROW + 8).unsigned_abs() }
    }

    fn draw<'b>(&self, area: &Area<'b>) -> Result<(), DrawError<'b>> {
        for (n, row) in (0..).zip(&self.rows) {
            for (series, left) in row {
                let (x, y) = ((20 + left) * SCALE, (n * ROW + ROW / 2) * SCALE);
                sample(area, series.style, (x, y))?;
                let text = style(LABEL).pos(Pos::new(HPos::Left, VPos::Center));
                area.draw(&Text::new(series.name.clone(), (x + SAMPLE * SCALE, y), text))?;
            }
        }
        Ok(())
    }
}

fn sample<'a>(area: &Area<'a>, style: Style, (x, y): (i32, i32)) -> Result<(), DrawError<'a>> {
    let ends = vec![(x, y), (x + (SAMPLE - 8) * SCALE, y)];
    if let Style::Line(n) | Style::Both(n) = style {
        match DASHES[n % DASHES.len()] {
            (0, _) => area.draw(&PathElement::new(ends, line_style(colour(n), 1.4)))?,
            (dash, gap) => {
                area.draw(&DashedPathElement::new(
                    ends,
                    dash * SCALE,
                    gap * SCALE,
                    line_style(colour(n), 1.4),
                ))?;
            }
        }
    }
    if let Style::Marks(n) | Style::Both(n) = style {
        let (at, own, size) = ((x + (SAMPLE - 8) * SCALE / 2, y), colour(n), MARK_SIZE);
        let outline = own.stroke_width(SCALE.unsigned_abs());
        match n % 6 {
            0 => area.draw(&Circle::new(at, size, own.filled()))?,
            1 => area.draw(&TriangleMarker::new(at, size + 10, own.filled()))?,
            2 => area.draw(&Cross::new(at, size, outline))?,
            3 => area.draw(&Circle::new(at, size, outline))?,
            4 => area.draw(&Rectangle::new(
                [(at.0 - size, at.1 - size), (at.0 + size, at.1 + size)],
                own.filled(),
            ))?,
            _ => area.draw(&TriangleMarker::new(at, size + 10, outline))?,
        }
    }
    Ok(())
}
