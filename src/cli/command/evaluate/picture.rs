//! The curve as a picture: curve with fit and end-points, steepness, residuals.
//!
//! Coordinates of the drawing library are whole numbers, in which a steep jump becomes a staircase: everything is drawn
//! ten times as large and shown in a view box of the usual size.

use crate::cli::Fault;
use crate::detector::Evaluation;
use crate::reading::{Curve, Quantity};
use plotters::coord::Shift;
use plotters::prelude::{
    BLACK, ChartBuilder, Circle, Color, DrawingArea, DrawingAreaErrorKind, IntoDrawingArea, LineSeries,
    PathElement, RGBColor, Rectangle, SVGBackend, WHITE,
};
use std::path::Path;

/// Size of the picture in pixels.
const SIZE: (u32, u32) = (800, 1000);
/// How much larger it is drawn.
const SCALE: u32 = 10;
/// Colours that colour-blind eyes tell apart.
const POINTS: RGBColor = RGBColor(0, 114, 178);
const FIT: RGBColor = RGBColor(213, 94, 0);
const MARK: RGBColor = RGBColor(0, 158, 115);

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type DrawError<'a> = DrawingAreaErrorKind<<SVGBackend<'a> as plotters::prelude::DrawingBackend>::ErrorType>;

/// Draws the curve to an SVG file.
///
/// # Errors
/// A curve without two usable points; a file that cannot be written.
pub(super) fn draw(path: &Path, name: &str, curve: &Curve, evaluation: &Evaluation) -> Result<(), Fault> {
    let place = path.display();
    let svg = svg(name, curve, evaluation).map_err(|e| Fault::misuse(format!("--picture {place}: {e}")))?;
    std::fs::write(path, svg).map_err(|e| {
        Fault::misuse(format!(
            "--picture {place} cannot be written: {e}; check the folder and its permissions"
        ))
    })
}

fn svg(name: &str, curve: &Curve, evaluation: &Evaluation) -> Result<String, String> {
    let points: Vec<(f64, f64)> = curve
        .points
        .iter()
        .map(|p| (p.titrant, p.signal))
        .filter(|(v, x)| v.is_finite() && x.is_finite())
        .collect();
    let across = range(points.iter().map(|p| p.0)).ok_or("the curve has fewer than two different volumes")?;
    let mut text = String::new();
    {
        let whole = SVGBackend::with_string(&mut text, (SIZE.0 * SCALE, SIZE.1 * SCALE)).into_drawing_area();
        let drawn = panels(&whole, name, curve, evaluation, &points, across).and_then(|()| whole.present());
        drawn.map_err(|e| format!("the picture cannot be drawn: {e}"))?;
    }
    let large = format!("width=\"{}\" height=\"{}\"", SIZE.0 * SCALE, SIZE.1 * SCALE);
    let shown = format!("width=\"{}\" height=\"{}\"", SIZE.0, SIZE.1);
    Ok(text.replacen(&large, &shown, 1))
}

fn panels<'a>(
    whole: &Area<'a>,
    name: &str,
    curve: &Curve,
    evaluation: &Evaluation,
    points: &[(f64, f64)],
    across: (f64, f64),
) -> Result<(), DrawError<'a>> {
    whole.fill(&WHITE)?;
    let ends: Vec<(f64, f64)> =
        evaluation.end_points.iter().map(|e| (e.titrant, e.u.unwrap_or(0.0))).collect();
    let titrant = format!("titrant / {}", curve.head.titrant.unit());
    let unit = curve.head.signal.map_or("", |s| s.1.symbol());
    let signal = match curve.head.signal {
        None => "signal".to_owned(),
        // pH is quantity and unit at once.
        Some((Quantity::Ph, _)) => unit.to_owned(),
        Some((quantity, _)) => format!("{quantity} / {unit}"),
    };
    let found: Vec<String> = ends.iter().map(|(v, u)| format!("{v:.4} (u = {u:.4})")).collect();
    let title = if found.is_empty() {
        format!("{name}: no end-point")
    } else {
        format!("{name}: {} {}", found.join(", "), curve.head.titrant.unit())
    };
    let areas = whole.split_evenly((3, 1));
    let [top, middle, bottom] = areas.as_slice() else { return Ok(()) };
    panel(top, (&title, &titrant, &signal), across, points, &evaluation.curve, &ends)?;
    let slopes: Vec<(f64, f64)> = points
        .windows(2)
        .filter(|w| w[1].0 > w[0].0)
        .map(|w| (f64::midpoint(w[0].0, w[1].0), (w[1].1 - w[0].1) / (w[1].0 - w[0].0)))
        .collect();
    let steepness = format!("{unit} per {}", curve.head.titrant.unit());
    panel(middle, ("steepness", &titrant, &steepness), across, &slopes, &slopes, &ends)?;
    let residuals: Vec<(f64, f64)> =
        evaluation.residuals.iter().map(|r| (r.titrant, r.standardised)).collect();
    panel(bottom, ("residuals of the fit", &titrant, "residual / its u"), across, &residuals, &[], &ends)
}

/// One panel: title and axis texts, dots, a line, and the end-points with two uncertainties on each side.
fn panel<'a>(
    area: &Area<'a>,
    (title, below, beside): (&str, &str, &str),
    across: (f64, f64),
    dots: &[(f64, f64)],
    line: &[(f64, f64)],
    ends: &[(f64, f64)],
) -> Result<(), DrawError<'a>> {
    let scale = SCALE;
    let up = range(dots.iter().map(|p| p.1)).unwrap_or((-1.0, 1.0));
    let wide = 1.5 * f64::from(scale);
    let mut chart = ChartBuilder::on(area)
        .caption(title, ("sans-serif", 16 * scale))
        .margin(8 * scale)
        .x_label_area_size(36 * scale)
        .y_label_area_size(64 * scale)
        .build_cartesian_2d(across.0..across.1, up.0..up.1)?;
    chart
        .configure_mesh()
        .x_desc(below)
        .y_desc(beside)
        .label_style(("sans-serif", 12 * scale))
        .axis_desc_style(("sans-serif", 13 * scale))
        .bold_line_style(BLACK.mix(0.12).stroke_width(scale))
        .light_line_style(BLACK.mix(0.04).stroke_width(scale))
        .axis_style(BLACK.stroke_width(scale))
        .draw()?;
    let span = across.1 - across.0;
    for (at, u) in ends {
        let half = (2.0 * u).max(span * 1e-4);
        chart
            .draw_series([Rectangle::new([(at - half, up.0), (at + half, up.1)], MARK.mix(0.25).filled())])?;
        chart.draw_series([PathElement::new(vec![(*at, up.0), (*at, up.1)], MARK.stroke_width(scale))])?;
    }
    let inside = line.iter().copied().filter(|p| p.0.is_finite() && (up.0..=up.1).contains(&p.1));
    chart.draw_series(LineSeries::new(inside, FIT.stroke_width(rounded(wide))))?;
    chart.draw_series(dots.iter().map(|p| Circle::new(*p, 2 * scale, POINTS.filled())))?;
    Ok(())
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a small positive number of pixels"
)]
fn rounded(width: f64) -> u32 {
    width.round() as u32
}

/// Least and greatest value with a small margin; `None` without two different ones.
fn range(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let (low, high) = values
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    let margin = 0.03 * (high - low);
    (high > low && margin.is_finite()).then_some((low - margin, high + margin))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{CurveHead, Point, Titrant, Unit};

    #[test]
    fn a_jump_is_drawn_finer_than_a_pixel() {
        let head = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) };
        let points = (0..40_u32)
            .map(|i| {
                let titrant = 0.25 * f64::from(i);
                Point {
                    titrant,
                    signal: 7.0 + 3.0 * (4.0 * (titrant - 5.1)).tanh(),
                    temperature_c: None,
                    t_s: None,
                }
            })
            .collect();
        let text = svg("portion & 2", &Curve { head, points }, &Evaluation::default()).unwrap();
        assert!(
            text.contains("width=\"800\" height=\"1000\" viewBox=\"0 0 8000 10000\""),
            "{}",
            &text[..200]
        );
        assert!(text.contains("portion &amp; 2"));
        assert_eq!(text.matches("<circle").count(), 40 + 39);
    }

    #[test]
    fn a_curve_without_an_extent_is_refused_in_words() {
        let head = CurveHead { titrant: Titrant::Volume, signal: None };
        assert!(svg("x", &Curve { head, points: Vec::new() }, &Evaluation::default()).is_err());
    }
}
