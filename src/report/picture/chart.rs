//! Control charts and trends: values in order of time, with their lines.

use super::{Panel, Picture, Rule, Series, Style, range, short};

/// A value of a chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChartPoint {
    /// The value.
    pub value: f64,
    /// A rule was met here, or a limit passed: it is drawn with another mark.
    pub told: bool,
}

/// Values numbered from 1 in order of time, with lines of equal value.
///
/// # Errors
/// In words, without any value.
pub fn chart(title: &str, up: &str, points: &[ChartPoint], lines: Vec<Rule>) -> Result<Picture, String> {
    if points.is_empty() {
        return Err("there is no value to draw".to_owned());
    }
    let of = |told: Option<bool>| -> Vec<(f64, f64)> {
        (1_u32..)
            .zip(points)
            .filter(|(_, p)| told.is_none_or(|told| p.told == told))
            .map(|(n, p)| (f64::from(n), p.value))
            .collect()
    };
    let extent = range(points.iter().map(|p| p.value).chain(lines.iter().map(|l| l.at)));
    let only = points.first().map_or(0.0, |p| p.value);
    // A single value without lines has no extent of its own.
    let alone = 0.05 * only.abs().max(0.1);
    let mut series = vec![
        Series { name: String::new(), values: of(None), style: Style::Line(6) },
        Series { name: "value".to_owned(), values: of(Some(false)), style: Style::Marks(0) },
    ];
    if points.iter().any(|p| p.told) {
        series.push(Series {
            name: "value of which the list says something".to_owned(),
            values: of(Some(true)),
            style: Style::Marks(1),
        });
    }
    let panel = Panel {
        title: short(title),
        across: "number of the value".to_owned(),
        up: short(up),
        range: (0.0, points.len() as f64 + 1.0),
        span: extent.or(Some((only - alone, only + alone))),
        series,
        upright: Vec::new(),
        level: lines,
        counted: true,
        height: 1,
    };
    Ok(Picture { width: 800, height: 350, panels: vec![panel] })
}
