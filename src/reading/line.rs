//! How a serial line is set: the words that profile and source share.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Bits of one character on the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub enum DataBits {
    /// 5.
    Five,
    /// 6.
    Six,
    /// 7.
    Seven,
    /// 8.
    #[default]
    Eight,
}

/// Parity bit of one character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Parity {
    /// No parity bit.
    #[default]
    None,
    /// An odd count of ones.
    Odd,
    /// An even count of ones.
    Even,
}

/// Stop bits after one character.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub enum StopBits {
    /// 1.
    #[default]
    One,
    /// 2.
    Two,
}

/// Who tells the other side to wait, and how.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Flow {
    /// Nobody.
    #[default]
    None,
    /// The characters XON and XOFF in the data.
    XonXoff,
    /// The wires RTS and CTS.
    RtsCts,
}

/// A number that is not one of the few that a line knows.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{what} is one of {allowed}, not {given}")]
pub struct NotALineSetting {
    what: &'static str,
    allowed: &'static str,
    given: u8,
}

impl TryFrom<u8> for DataBits {
    type Error = NotALineSetting;

    fn try_from(bits: u8) -> Result<Self, NotALineSetting> {
        match bits {
            5 => Ok(Self::Five),
            6 => Ok(Self::Six),
            7 => Ok(Self::Seven),
            8 => Ok(Self::Eight),
            given => Err(NotALineSetting { what: "data_bits", allowed: "5, 6, 7, 8", given }),
        }
    }
}

impl From<DataBits> for u8 {
    fn from(bits: DataBits) -> Self {
        match bits {
            DataBits::Five => 5,
            DataBits::Six => 6,
            DataBits::Seven => 7,
            DataBits::Eight => 8,
        }
    }
}

impl TryFrom<u8> for StopBits {
    type Error = NotALineSetting;

    fn try_from(bits: u8) -> Result<Self, NotALineSetting> {
        match bits {
            1 => Ok(Self::One),
            2 => Ok(Self::Two),
            given => Err(NotALineSetting { what: "stop_bits", allowed: "1, 2", given }),
        }
    }
}

impl From<StopBits> for u8 {
    fn from(bits: StopBits) -> Self {
        match bits {
            StopBits::One => 1,
            StopBits::Two => 2,
        }
    }
}

impl Parity {
    /// Whether a byte that still carries its parity bit on top has the right one.
    #[must_use]
    pub const fn holds(self, byte: u8) -> bool {
        match self {
            Self::None => true,
            Self::Even => byte.count_ones().is_multiple_of(2),
            Self::Odd => !byte.count_ones().is_multiple_of(2),
        }
    }

    /// The letter used in short forms such as `7E1`.
    #[must_use]
    pub const fn letter(self) -> char {
        match self {
            Self::None => 'N',
            Self::Odd => 'O',
            Self::Even => 'E',
        }
    }
}

impl Flow {
    /// The word as written in profiles.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::XonXoff => "xon-xoff",
            Self::RtsCts => "rts-cts",
        }
    }
}

/// How a serial line is set. A socket, a file or a capture has no use for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(default)]
pub struct LineSettings {
    /// Symbols a second.
    pub baud: u32,
    /// Bits of one character.
    pub data_bits: DataBits,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits.
    pub stop_bits: StopBits,
    /// Flow control.
    pub flow: Flow,
    /// Level of the wire DTR while the port is open; some interfaces draw their power from it.
    pub dtr: bool,
    /// Level of the wire RTS while the port is open; with `rts-cts` the driver moves it.
    pub rts: bool,
}

impl Default for LineSettings {
    /// 9600 8N1 without flow control, DTR and RTS on: the most common setting of bench instruments
    /// (common practice, no source).
    fn default() -> Self {
        Self {
            baud: 9600,
            data_bits: DataBits::Eight,
            parity: Parity::None,
            stop_bits: StopBits::One,
            flow: Flow::None,
            dtr: true,
            rts: true,
        }
    }
}

impl LineSettings {
    /// Bits that one character takes on the line, start bit included.
    #[must_use]
    pub fn bits_per_character(&self) -> u32 {
        let parity = u32::from(self.parity != Parity::None);
        1 + u32::from(u8::from(self.data_bits)) + parity + u32::from(u8::from(self.stop_bits))
    }

    /// Time that one character takes, in nanoseconds.
    #[must_use]
    pub fn byte_ns(&self) -> u64 {
        u64::from(self.bits_per_character()) * 1_000_000_000 / u64::from(self.baud.max(1))
    }
}

impl fmt::Display for LineSettings {
    /// `9600 8N1`, with the flow control where there is one.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (bits, stop) = (u8::from(self.data_bits), u8::from(self.stop_bits));
        write!(f, "{} {bits}{}{stop}", self.baud, self.parity.letter())?;
        if self.flow == Flow::None { Ok(()) } else { write!(f, " {}", self.flow.word()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_form_and_character_length() {
        let mut line = LineSettings::default();
        assert_eq!(line.to_string(), "9600 8N1");
        assert_eq!(line.bits_per_character(), 10);
        line.data_bits = DataBits::Seven;
        line.parity = Parity::Even;
        line.stop_bits = StopBits::Two;
        line.flow = Flow::XonXoff;
        assert_eq!(line.to_string(), "9600 7E2 xon-xoff");
        assert_eq!(line.bits_per_character(), 11);
    }

    #[test]
    fn json_uses_plain_numbers_and_words_and_fills_in_defaults() {
        let line: LineSettings =
            serde_json::from_str(r#"{"baud":1200,"data_bits":7,"parity":"even","flow":"rts-cts"}"#).unwrap();
        assert_eq!(line.data_bits, DataBits::Seven);
        assert_eq!(line.stop_bits, StopBits::One);
        assert!(line.dtr && line.rts);
        let text = serde_json::to_string(&line).unwrap();
        assert_eq!(serde_json::from_str::<LineSettings>(&text).unwrap(), line);
        let error = serde_json::from_str::<LineSettings>(r#"{"data_bits":9}"#).unwrap_err();
        assert!(error.to_string().contains("data_bits is one of 5, 6, 7, 8, not 9"), "{error}");
    }
}
