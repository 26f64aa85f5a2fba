//! How things look: colour is never the only sign, and neither colour nor Unicode is needed.

use super::palette::Palette;
use crate::reading::{Quantity, Unit};
use ratatui::buffer::Buffer;
use ratatui::style::Style;
use ratatui::widgets::BorderType;
use std::borrow::Cow;

/// Colour and characters that the terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Theme {
    /// Whether colours may be used.
    pub colour: bool,
    /// Whether only ASCII may be used.
    pub ascii: bool,
    /// How each tone looks.
    pub palette: Palette,
}

/// What a style stands for.
///
/// Each goes with a word, a glyph or an attribute; what it looks like says the palette.
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
    /// The curve of an earlier portion.
    Ghost,
}

impl Tone {
    /// How many there are.
    pub(super) const COUNT: usize = 10;
    /// All of them, in their order.
    pub(super) const ALL: [Self; Self::COUNT] = [
        Self::Plain,
        Self::Faint,
        Self::Figure,
        Self::Curve,
        Self::Mark,
        Self::Good,
        Self::Warn,
        Self::Alarm,
        Self::Chosen,
        Self::Ghost,
    ];

    /// Its name in a theme file.
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            Self::Faint => "faint",
            Self::Figure => "figure",
            Self::Curve => "curve",
            Self::Mark => "mark",
            Self::Good => "good",
            Self::Warn => "warn",
            Self::Alarm => "alarm",
            Self::Chosen => "chosen",
            Self::Ghost => "earlier",
        }
    }
}

impl Theme {
    /// The style of a tone.
    pub(super) fn style(self, tone: Tone) -> Style {
        self.palette.style(tone, self.colour)
    }

    /// `±`.
    pub(super) const fn plus_minus(self) -> &'static str {
        if self.ascii { "+/-" } else { "±" }
    }

    /// A text in the characters of the terminal, where one of them takes several in ASCII.
    pub(super) fn text(self, text: &str) -> Cow<'_, str> {
        if !self.ascii || text.is_ascii() {
            return Cow::Borrowed(text);
        }
        Cow::Owned(text.replace('±', "+/-").replace("°C", "degC"))
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
        "•" => "o",
        "·" => ".",
        "▶" | "▸" => ">",
        "▲" | "△" => "^",
        "✓" => "+",
        "✗" => "x",
        "…" => ">",
        "±" => "~",
        "°" => "d",
        "µ" | "μ" => "u",
        "×" => "x",
        "²" => "2",
        "³" => "3",
        "−" | "–" | "‐" => "-",
        "’" => "'",
        "“" | "”" => "\"",
        _ => "?",
    }
}
