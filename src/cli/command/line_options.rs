//! How a serial line is set, as options of a command.

use crate::reading::{DataBits, Flow, LineSettings, Parity, StopBits};
use clap::{Args, ValueEnum};

/// Options that go over the settings of a profile, or over 9600 8N1 where there is none.
#[derive(Debug, Clone, Default, Args)]
pub(super) struct LineOptions {
    /// Symbols a second
    #[arg(long, value_name = "RATE", value_parser = clap::value_parser!(u32).range(50..))]
    baud: Option<u32>,
    /// Bits of a character: 5, 6, 7 or 8
    #[arg(long, value_name = "BITS", value_parser = number::<DataBits>)]
    data_bits: Option<DataBits>,
    /// Parity
    #[arg(long)]
    parity: Option<ParityWord>,
    /// Stop bits: 1 or 2
    #[arg(long, value_name = "BITS", value_parser = number::<StopBits>)]
    stop_bits: Option<StopBits>,
    /// Flow control
    #[arg(long)]
    flow: Option<FlowWord>,
    /// Leave the wire DTR off
    #[arg(long)]
    no_dtr: bool,
    /// Leave the wire RTS off
    #[arg(long)]
    no_rts: bool,
}

impl LineOptions {
    /// The settings with the options that were given.
    pub(super) fn over(&self, line: LineSettings) -> LineSettings {
        LineSettings {
            baud: self.baud.unwrap_or(line.baud),
            data_bits: self.data_bits.unwrap_or(line.data_bits),
            parity: self.parity.map_or(line.parity, Parity::from),
            stop_bits: self.stop_bits.unwrap_or(line.stop_bits),
            flow: self.flow.map_or(line.flow, Flow::from),
            dtr: line.dtr && !self.no_dtr,
            rts: line.rts && !self.no_rts,
        }
    }
}

fn number<T>(text: &str) -> Result<T, String>
where
    T: TryFrom<u8>,
    T::Error: ToString,
{
    let number: u8 = text.parse().map_err(|_| format!("`{text}` is no number"))?;
    T::try_from(number).map_err(|error| error.to_string())
}

/// Parity as typed.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum ParityWord {
    /// No parity bit
    None,
    /// An odd count of ones
    Odd,
    /// An even count of ones
    Even,
}

impl From<ParityWord> for Parity {
    fn from(word: ParityWord) -> Self {
        match word {
            ParityWord::None => Self::None,
            ParityWord::Odd => Self::Odd,
            ParityWord::Even => Self::Even,
        }
    }
}

/// Flow control as typed.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum FlowWord {
    /// None
    None,
    /// Characters XON and XOFF
    XonXoff,
    /// Wires RTS and CTS
    RtsCts,
}

impl From<FlowWord> for Flow {
    fn from(word: FlowWord) -> Self {
        match word {
            FlowWord::None => Self::None,
            FlowWord::XonXoff => Self::XonXoff,
            FlowWord::RtsCts => Self::RtsCts,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Only {
        #[command(flatten)]
        line: LineOptions,
    }

    fn line(args: &[&str]) -> Result<String, String> {
        let args = [&["x"], args].concat();
        let only = Only::try_parse_from(args).map_err(|error| error.to_string())?;
        Ok(only.line.over(LineSettings { baud: 4800, ..LineSettings::default() }).to_string())
    }

    #[test]
    fn given_options_go_over_the_profile() {
        assert_eq!(line(&[]).unwrap(), "4800 8N1");
        let seven = ["--baud", "1200", "--data-bits", "7", "--parity", "even", "--flow", "xon-xoff"];
        assert_eq!(line(&seven).unwrap(), "1200 7E1 xon-xoff");
        assert!(line(&["--data-bits", "9"]).unwrap_err().contains("5, 6, 7, 8, not 9"));
        assert!(line(&["--stop-bits", "x"]).unwrap_err().contains("`x` is no number"));
        assert!(line(&["--baud", "0"]).is_err());
    }
}
