//! How the line to an instrument is set.

use crate::frame::Parity;

/// Flow control of the port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Flow {
    /// None.
    #[default]
    None,
    /// XON and XOFF characters.
    XonXoff,
    /// RTS and CTS wires.
    Hardware,
}

/// Settings of a serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WireSettings {
    /// Bits per second.
    pub baud: u32,
    /// 5 to 8.
    pub data_bits: u8,
    /// Parity of the port.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
    /// Flow control.
    pub flow: Flow,
    /// Whether DTR is set.
    pub dtr: bool,
    /// Whether RTS is set (without meaning under hardware flow control).
    pub rts: bool,
}

impl Default for WireSettings {
    /// 9600 baud, 8 data bits, no parity, 1 stop bit, no flow control, DTR and RTS set.
    fn default() -> Self {
        Self {
            baud: 9600,
            data_bits: 8,
            parity: Parity::None,
            stop_bits: 1,
            flow: Flow::None,
            dtr: true,
            rts: true,
        }
    }
}

impl WireSettings {
    /// Time that one character takes, in nanoseconds.
    #[must_use]
    pub fn byte_ns(&self) -> u64 {
        let parity = u64::from(self.parity != Parity::None);
        let bits = 1 + u64::from(self.data_bits) + parity + u64::from(self.stop_bits);
        bits * 1_000_000_000 / u64::from(self.baud.max(1))
    }
}
