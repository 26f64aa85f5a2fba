//! Pictures: curves, overlays of a series, control charts and trends, as SVG and PNG.
//!
//! A [`Picture`] says what is to be seen, in the units of its axes; [`Picture::svg`] draws it. Series differ by colour
//! (a palette that colour-blind eyes tell apart), by dashes and by the shape of their marks, so that a picture stays
//! readable in black and white.

mod chart;
mod curve;
mod draw;
mod raster;

pub use chart::{ChartPoint, chart};
pub use curve::{Overlaid, curve, overlay};
pub(super) use raster::raster_tree;
pub use raster::{Format, png, write};

use crate::reading::{CurveHead, Quantity, visible};

/// How a series of values is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    /// Marks alone; colour and shape by number.
    Marks(usize),
    /// A line; colour and dashes by number.
    Line(usize),
    /// A line with marks; colour, dashes and shape by number.
    Both(usize),
}

/// A series of values in the units of the axes.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// What it is; empty: it has no place in the legend.
    pub name: String,
    /// Its values.
    pub values: Vec<(f64, f64)>,
    /// How it is shown.
    pub style: Style,
}

/// A straight line across the whole panel.
#[derive(Debug, Clone, PartialEq)]
pub struct Rule {
    /// Where, in the unit of its axis.
    pub at: f64,
    /// Half the width of the band about it.
    pub half_width: f64,
    /// What stands beside it.
    pub words: String,
    /// How it is drawn: 0 whole, 1 dashed, 2 dotted.
    pub dashes: usize,
}

/// One panel: two axes and what lies between them.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// Its heading; empty for none.
    pub title: String,
    /// What the abscissa is, with its unit.
    pub across: String,
    /// What the ordinate is, with its unit.
    pub up: String,
    /// Ends of the abscissa.
    pub range: (f64, f64),
    /// Ends of the ordinate; `None`: what its values span.
    pub span: Option<(f64, f64)>,
    /// The values.
    pub series: Vec<Series>,
    /// Lines of equal abscissa, such as end-points.
    pub upright: Vec<Rule>,
    /// Lines of equal ordinate, such as limits.
    pub level: Vec<Rule>,
    /// Marks of the abscissa are whole numbers.
    pub counted: bool,
    /// Share of the height.
    pub height: u32,
}

/// A picture of panels above each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels, without the legend.
    pub height: u32,
    /// The panels, the uppermost first.
    pub panels: Vec<Panel>,
}

/// A drawn picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drawn {
    /// The whole SVG document.
    pub svg: String,
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
}

/// Characters of a name that a picture has room for.
const NAME_SHOWN: usize = 60;

/// A text from outside as a picture shows it: on one line, nothing in it hidden or reordering, not longer than there
/// is room for (the whole text stands in the report).
#[must_use]
pub fn short(text: &str) -> String {
    let text = visible(text);
    match text.char_indices().nth(NAME_SHOWN) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text,
    }
}

/// The axes of a curve in words: titrant and signal, each with its unit.
#[must_use]
pub fn axes(head: CurveHead) -> (String, String) {
    let titrant = format!("titrant / {}", head.titrant.unit());
    let signal = match head.signal {
        None => "signal".to_owned(),
        // pH is quantity and unit at once.
        Some((Quantity::Ph, unit)) => unit.symbol().to_owned(),
        Some((quantity, unit)) => format!("{quantity} / {}", unit.symbol()),
    };
    (titrant, signal)
}

/// Least and greatest value with a small margin; `None` without two different ones.
fn range(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let (low, high) = values
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    let margin = 0.04 * (high - low);
    (high > low && margin.is_finite()).then_some((low - margin, high + margin))
}
