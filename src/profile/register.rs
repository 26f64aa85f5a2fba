//! Answers of Modbus ASCII transmitters: registers to numbers.
//!
//! Frames are cut, and their LRC is judged, before they come here.

use super::form::{ModbusForm, RegisterWord};
use super::program::{NumberField, UnitFrom};
use crate::frame::hex_byte;
use std::sync::Arc;

/// The registers of one answer.
#[derive(Debug, Clone)]
pub(crate) struct Registers {
    pub fields: Vec<Register>,
}

/// One value.
#[derive(Debug, Clone)]
pub(crate) struct Register {
    pub channel: Arc<str>,
    pub number: NumberField,
    pub at: u16,
    pub form: RegisterWord,
    pub no_number: Vec<i64>,
}

/// What a frame is to a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Answer {
    /// The bytes of the registers.
    Registers(Vec<u8>),
    /// The transmitter refused, with its exception code.
    Refused(u8),
    /// It is no answer to this request.
    Other,
}

impl RegisterWord {
    /// Registers that the form takes.
    pub(crate) const fn registers(self) -> u16 {
        match self {
            Self::U16 | Self::I16 => 1,
            _ => 2,
        }
    }
}

/// Reads the text between `:` and LRC as an answer to `request`.
pub(crate) fn answer(text: &str, request: &ModbusForm) -> Answer {
    let (pairs, rest) = text.as_bytes().as_chunks::<2>();
    let bytes: Option<Vec<u8>> = pairs.iter().map(|pair| hex_byte(*pair)).collect();
    let Some(bytes) = bytes.filter(|_| rest.is_empty()) else { return Answer::Other };
    match bytes.as_slice() {
        [address, function, code] if *address == request.address && *function == request.function | 0x80 => {
            Answer::Refused(*code)
        }
        [address, function, count, data @ ..]
            if *address == request.address
                && *function == request.function
                && usize::from(*count) == data.len()
                && data.len() == 2 * usize::from(request.count) =>
        {
            Answer::Registers(data.to_vec())
        }
        _ => Answer::Other,
    }
}

/// What an exception code means (Modbus application protocol specification, from memory).
pub(crate) const fn refusal(code: u8) -> &'static str {
    match code {
        1 => "the transmitter refused: it does not know the function",
        2 => "the transmitter refused: it has no such register",
        3 => "the transmitter refused: the count of registers is wrong",
        4 => "the transmitter refused: it has a fault",
        6 => "the transmitter refused: it is busy",
        _ => "the transmitter refused",
    }
}

impl Register {
    /// The value before its scale; `None` when the registers say "no number".
    pub(crate) fn value(&self, data: &[u8], first: u16) -> Option<f64> {
        let at = usize::from(self.at.checked_sub(first)?) * 2;
        let word = |index: usize| {
            let bytes = data.get(at + 2 * index..at + 2 * index + 2)?;
            Some(u16::from_be_bytes([bytes[0], bytes[1]]))
        };
        let double = |high: usize, low: usize| Some((u32::from(word(high)?) << 16) | u32::from(word(low)?));
        let (whole, value) = match self.form {
            RegisterWord::U16 => (Some(i64::from(word(0)?)), f64::from(word(0)?)),
            RegisterWord::I16 => {
                let value = word(0)?.cast_signed();
                (Some(value.into()), value.into())
            }
            RegisterWord::U32 => (Some(double(0, 1)?.into()), double(0, 1)?.into()),
            RegisterWord::U32LowFirst => (Some(double(1, 0)?.into()), double(1, 0)?.into()),
            RegisterWord::I32 => {
                let value = double(0, 1)?.cast_signed();
                (Some(value.into()), value.into())
            }
            RegisterWord::I32LowFirst => {
                let value = double(1, 0)?.cast_signed();
                (Some(value.into()), value.into())
            }
            RegisterWord::F32 => (None, f32::from_bits(double(0, 1)?).into()),
            RegisterWord::F32LowFirst => (None, f32::from_bits(double(1, 0)?).into()),
        };
        if whole.is_some_and(|whole| self.no_number.contains(&whole)) || !value.is_finite() {
            return None;
        }
        Some(value)
    }

    /// The unit; registers have none of their own.
    pub(crate) fn unit(&self) -> crate::reading::Unit {
        match self.number.unit {
            UnitFrom::Profile(unit) => unit,
            UnitFrom::Line | UnitFrom::Above => self.number.quantity.canonical_unit(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const REQUEST: ModbusForm = ModbusForm { address: 17, function: 3, first: 107, count: 3 };

    #[test]
    fn answers_refusals_and_others_are_told_apart() {
        assert_eq!(answer("1103060001FFFE0003", &REQUEST), Answer::Registers(vec![0, 1, 0xFF, 0xFE, 0, 3]));
        assert_eq!(answer("118302", &REQUEST), Answer::Refused(2));
        for other in ["", "11", "1203060001FFFE0003", "1103040001FFFE", "1103060001FFFE00", "zz"] {
            assert_eq!(answer(other, &REQUEST), Answer::Other, "{other}");
        }
    }
}
