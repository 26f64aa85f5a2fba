//! Curves: one with its steepness and fit, or those of a series over each other.

use super::{Panel, Picture, Rule, Series, Style, axes, range, short};
use crate::detector::{EndPoint, Evaluation};
use crate::reading::{Curve, CurveHead, Point};

/// One curve as a picture: points, fit and end-points; below them the steepness and, with `residuals`, what the fit
/// leaves. `name` stands above.
///
/// # Errors
/// In words, for a curve without two different volumes.
pub fn curve(name: &str, curve: &Curve, evaluation: &Evaluation, residuals: bool) -> Result<Picture, String> {
    let points = usable(&curve.points);
    let across = range(points.iter().map(|p| p.0)).ok_or("the curve has fewer than two different volumes")?;
    let (titrant, signal) = axes(curve.head);
    let unit = curve.head.titrant.unit().symbol();
    let ends = rules(&evaluation.end_points, unit);
    let name = short(name);
    let title = match (name.is_empty(), ends.is_empty()) {
        (true, _) => String::new(),
        (false, true) => format!("{name}: no end-point"),
        (false, false) => name,
    };
    let fit = if evaluation.curve.is_empty() { "" } else { "fit" };
    let panel = |title: &str, up: &str, series: Vec<Series>, height: u32, words: bool| Panel {
        title: title.to_owned(),
        across: titrant.clone(),
        up: up.to_owned(),
        range: across,
        span: range(
            series.iter().filter(|s| s.style == Style::Marks(0)).flat_map(|s| s.values.iter().map(|v| v.1)),
        ),
        series,
        upright: ends
            .iter()
            .map(|rule| Rule {
                words: if words { rule.words.clone() } else { String::new() },
                ..rule.clone()
            })
            .collect(),
        level: Vec::new(),
        counted: false,
        height,
    };
    let top = vec![
        Series { name: "points".to_owned(), values: points.clone(), style: Style::Marks(0) },
        Series { name: fit.to_owned(), values: evaluation.curve.clone(), style: Style::Line(1) },
    ];
    let slopes = slopes(&points);
    let middle = vec![
        Series { name: String::new(), values: slopes.clone(), style: Style::Line(0) },
        Series { name: String::new(), values: slopes, style: Style::Marks(0) },
    ];
    let per = format!("{} per {unit}", signal_unit(curve.head));
    let mut panels = vec![
        panel(&title, &signal, top, 10, true),
        panel("steepness", &per, middle, if residuals { 10 } else { 6 }, false),
    ];
    if residuals {
        let values = evaluation.residuals.iter().map(|r| (r.titrant, r.standardised)).collect();
        let left = vec![Series { name: String::new(), values, style: Style::Marks(0) }];
        panels.push(panel("residuals of the fit", "residual / its u", left, 10, false));
    }
    let height = if residuals { 1000 } else { 470 };
    Ok(Picture { width: 800, height, panels })
}

/// A curve of a series.
#[derive(Debug, Clone, Copy)]
pub struct Overlaid<'a> {
    /// What stands in the legend.
    pub name: &'a str,
    /// The curve.
    pub curve: &'a Curve,
    /// Its end-points.
    pub end_points: &'a [EndPoint],
}

/// The curves of a series over each other. Those whose axes are not those of the first are left out.
///
/// # Errors
/// In words, when no curve has two different volumes.
pub fn overlay(title: &str, curves: &[Overlaid<'_>]) -> Result<Picture, String> {
    let head = curves.first().map(|first| first.curve.head).ok_or("there is no curve to draw")?;
    let alike: Vec<&Overlaid<'_>> = curves.iter().filter(|one| one.curve.head == head).collect();
    let all = || alike.iter().flat_map(|one| usable(&one.curve.points));
    let across = range(all().map(|p| p.0)).ok_or("the curves have fewer than two different volumes")?;
    let (titrant, signal) = axes(head);
    let series = alike
        .iter()
        .enumerate()
        .map(|(n, one)| {
            let mut values = usable(&one.curve.points);
            values.sort_by(|a, b| a.0.total_cmp(&b.0));
            Series { name: short(one.name), values, style: Style::Both(n) }
        })
        .collect();
    let upright = alike
        .iter()
        .enumerate()
        .flat_map(|(n, one)| {
            one.end_points.iter().map(move |e| Rule {
                at: e.titrant,
                half_width: 2.0 * e.u.unwrap_or(0.0),
                words: String::new(),
                dashes: n,
            })
        })
        .collect();
    let panel = Panel {
        title: short(title),
        across: titrant,
        up: signal,
        range: across,
        span: None,
        series,
        upright,
        level: Vec::new(),
        counted: false,
        height: 1,
    };
    Ok(Picture { width: 800, height: 420, panels: vec![panel] })
}

fn rules(ends: &[EndPoint], unit: &str) -> Vec<Rule> {
    ends.iter()
        .map(|e| Rule {
            at: e.titrant,
            half_width: 2.0 * e.u.unwrap_or(0.0),
            words: e.u.map_or_else(
                || format!("{:.4} {unit}", e.titrant),
                |u| format!("{:.4} {unit}, u = {u:.4} {unit}", e.titrant),
            ),
            dashes: 0,
        })
        .collect()
}

fn signal_unit(head: CurveHead) -> String {
    head.signal.map_or_else(|| "signal".to_owned(), |(_, unit)| unit.symbol().to_owned())
}

fn usable(points: &[Point]) -> Vec<(f64, f64)> {
    points.iter().map(|p| (p.titrant, p.signal)).filter(|(v, x)| v.is_finite() && x.is_finite()).collect()
}

fn slopes(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    points
        .windows(2)
        .filter(|w| w[1].0 > w[0].0)
        .map(|w| (f64::midpoint(w[0].0, w[1].0), (w[1].1 - w[0].1) / (w[1].0 - w[0].0)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{Quantity, Titrant, Unit};

    fn jump() -> Curve {
        let head = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) };
        let points = (0..40_u32)
            .map(|i| {
                let titrant = 0.25 * f64::from(i);
                let signal = 7.0 + 3.0 * (4.0 * (titrant - 5.1)).tanh();
                Point { titrant, signal, temperature_c: None, t_s: None }
            })
            .collect();
        Curve { head, points }
    }

    #[test]
    fn a_jump_is_drawn_finer_than_a_pixel_and_hostile_names_are_harmless() {
        let name = "portion & <script>\u{1b}[2J\u{202e}2";
        let drawn = curve(name, &jump(), &Evaluation::default(), true).unwrap().svg().unwrap();
        assert!(drawn.svg.contains(&format!(
            "width=\"800\" height=\"{}\" viewBox=\"0 0 8000 {}\"",
            drawn.height,
            drawn.height * 10
        )));
        assert!(
            drawn.svg.contains("portion &amp; &lt;script&gt;&lt;ESC&gt;[2J&lt;U+202E&gt;2"),
            "{}",
            drawn.svg
        );
        // Points, steepness, and the sample in the legend.
        assert_eq!(drawn.svg.matches("<circle").count(), 40 + 39 + 1);
    }

    #[test]
    fn a_curve_without_an_extent_is_refused_in_words() {
        let empty = Curve { points: Vec::new(), ..jump() };
        assert!(curve("x", &empty, &Evaluation::default(), true).is_err());
        assert!(overlay("x", &[]).is_err());
    }
}
