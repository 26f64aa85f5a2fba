//! How things look: colour is never the only sign, and neither colour nor Unicode is needed.

use crate::reading::{Quantity, Unit};
use ratatui::buffer::Buffer;
use ratatui::style::{Color, Modifier, Style};
use ratatui::widgets::BorderType;

/// Colour and characters that the terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Theme {
    /// Whether colours may be used.
    pub colour: bool,
    /// Whether only ASCII may be used.
    pub ascii: bool,
}

/// What a style stands for.
///
/// The colours are the terminal's own yellow, cyan, blue and magenta, which differ in brightness
/// and lie off the red-green axis; each goes with a word, a glyph or an attribute.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tone {
    /// Ordinary text.
    Plain,
    /// Less important text.
    Faint,
    /// A figure to be read from a distance.
    Figure,
    /// The curve.
    Curve,
    /// An end-point.
    Mark,
    /// Understood, in order.
    Good,
    /// Worth a look.
    Warn,
    /// Trouble: something is being lost or is about to be.
    Alarm,
    /// The line the cursor is on.
    Chosen,
}

impl Theme {
    /// The style of a tone.
    pub(super) fn style(self, tone: Tone) -> Style {
        let (colour, modifier) = match tone {
            Tone::Plain => (Color::Reset, Modifier::empty()),
            Tone::Faint => (Color::Reset, Modifier::DIM),
            Tone::Figure => (Color::Reset, Modifier::BOLD),
            Tone::Curve | Tone::Good => (Color::Cyan, Modifier::empty()),
            Tone::Mark => (Color::Magenta, Modifier::BOLD),
            Tone::Warn => (Color::Yellow, Modifier::BOLD),
            Tone::Alarm => (Color::Yellow, Modifier::BOLD.union(Modifier::REVERSED)),
            Tone::Chosen => (Color::Reset, Modifier::REVERSED),
        };
        let style = Style::new().add_modifier(modifier);
        if self.colour && colour != Color::Reset { style.fg(colour) } else { style }
    }

    /// `±`.
    pub(super) const fn plus_minus(self) -> &'static str {
        if self.ascii { "+/-" } else { "±" }
    }

    /// What stands at the end of a text that was cut.
    pub(super) const fn more(self) -> &'static str {
        if self.ascii { ">" } else { "…" }
    }

    /// What stands between the parts of a line.
    pub(super) const fn dot(self) -> &'static str {
        if self.ascii { " - " } else { " · " }
    }

    /// The unit as people write it.
    pub(super) fn unit(self, unit: Unit) -> &'static str {
        if self.ascii {
            return unit.symbol();
        }
        match unit {
            Unit::Celsius => "°C",
            Unit::Fahrenheit => "°F",
            Unit::MicrosiemensPerCm => "µS/cm",
            Unit::Microampere => "µA",
            Unit::Microvolt => "µV",
            Unit::Microlitre => "µL",
            other => other.symbol(),
        }
    }

    /// The quantity as people write it.
    pub(super) const fn quantity(self, quantity: Quantity) -> &'static str {
        match quantity {
            Quantity::Ph => "pH",
            Quantity::Emf => "potential",
            Quantity::Conductance => "conductivity",
            other => other.name(),
        }
    }

    /// The border for a degree of urgency, 0 to 2.
    pub(super) const fn border(self, urgency: u8) -> BorderType {
        match urgency {
            0 => BorderType::Plain,
            1 => BorderType::Double,
            _ => BorderType::Thick,
        }
    }

    /// Replaces whatever an ASCII terminal cannot show; the last thing that happens to a frame.
    pub(super) fn finish(self, buffer: &mut Buffer) {
        if !self.ascii {
            return;
        }
        for cell in &mut buffer.content {
            if !cell.symbol().is_ascii() {
                let plain = plain(cell.symbol());
                cell.set_symbol(plain);
            }
        }
    }
}

/// The ASCII character that stands for a drawn one.
fn plain(symbol: &str) -> &'static str {
    match symbol {
        "─" | "╌" | "┄" => "-",
        "│" | "║" => "|",
        "┆" => ":",
        "═" => "=",
        "━" | "┃" | "┏" | "┓" | "┗" | "┛" | "┣" | "┫" | "┳" | "┻" | "╋" => "#",
        "┌" | "┐" | "└" | "┘" | "├" | "┤" | "┬" | "┴" | "┼" | "╔" | "╗" | "╚" | "╝" | "╠" | "╣" | "╦"
        | "╩" | "╬" => "+",
        "•" => "*",
        "·" => ".",
        "▶" | "▸" => ">",
        "▲" | "△" => "^",
        "✓" => "+",
        "✗" => "x",
        "…" => ">",
        "±" => "~",
        "°" => "d",
        "µ" => "u",
        "×" => "x",
        _ => "?",
    }
}
