//! Checksums of frames, by the open standards that name them.

use crc::{
    Algorithm, CRC_16_ARC, CRC_16_DNP, CRC_16_IBM_3740, CRC_16_IBM_SDLC, CRC_16_KERMIT, CRC_16_MODBUS,
    CRC_16_XMODEM, Crc, Table,
};

/// How the check value is computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CheckKind {
    /// Sum of the bytes, modulo 256 (CLSI LIS01).
    Sum8,
    /// Two's complement of the sum of the bytes, modulo 256.
    NegatedSum8,
    /// Exclusive or of the bytes (as in the sentences of marine instruments).
    Xor8,
    /// Two's complement of the sum of the bytes that pairs of hexadecimal digits stand for (Modbus ASCII).
    Lrc,
    /// CRC-16/ARC: polynomial 8005 reflected, start 0000.
    Crc16Arc,
    /// CRC-16/MODBUS: polynomial 8005 reflected, start FFFF.
    Crc16Modbus,
    /// CRC-16/XMODEM: polynomial 1021, start 0000.
    Crc16Xmodem,
    /// CRC-16/IBM-3740 ("CCITT-FALSE"): polynomial 1021, start FFFF.
    Crc16CcittFalse,
    /// CRC-16/SPI-FUJITSU ("AUG-CCITT"): polynomial 1021, start 1D0F.
    Crc16AugCcitt,
    /// CRC-16/KERMIT: polynomial 1021 reflected, start 0000.
    Crc16Kermit,
    /// CRC-16/IBM-SDLC ("X-25"): polynomial 1021 reflected, start and final FFFF.
    Crc16X25,
    /// CRC-16/DNP: polynomial 3D65 reflected, final FFFF.
    Crc16Dnp,
}

const fn crc16(algorithm: &'static Algorithm<u16>) -> Crc<u16, Table<1>> {
    Crc::<u16, Table<1>>::new(algorithm)
}

static ARC: Crc<u16, Table<1>> = crc16(&CRC_16_ARC);
static MODBUS: Crc<u16, Table<1>> = crc16(&CRC_16_MODBUS);
static XMODEM: Crc<u16, Table<1>> = crc16(&CRC_16_XMODEM);
static CCITT_FALSE: Crc<u16, Table<1>> = crc16(&CRC_16_IBM_3740);
static AUG_CCITT: Crc<u16, Table<1>> = crc16(&crc::CRC_16_SPI_FUJITSU);
static KERMIT: Crc<u16, Table<1>> = crc16(&CRC_16_KERMIT);
static X25: Crc<u16, Table<1>> = crc16(&CRC_16_IBM_SDLC);
static DNP: Crc<u16, Table<1>> = crc16(&CRC_16_DNP);

impl CheckKind {
    /// Every kind with its name in a profile.
    pub const ALL: [(&'static str, Self); 12] = [
        ("sum-8", Self::Sum8),
        ("negated-sum-8", Self::NegatedSum8),
        ("xor-8", Self::Xor8),
        ("lrc", Self::Lrc),
        ("crc-16-arc", Self::Crc16Arc),
        ("crc-16-modbus", Self::Crc16Modbus),
        ("crc-16-xmodem", Self::Crc16Xmodem),
        ("crc-16-ccitt-false", Self::Crc16CcittFalse),
        ("crc-16-aug-ccitt", Self::Crc16AugCcitt),
        ("crc-16-kermit", Self::Crc16Kermit),
        ("crc-16-x25", Self::Crc16X25),
        ("crc-16-dnp", Self::Crc16Dnp),
    ];

    /// Bytes of the check value: 1 or 2.
    #[must_use]
    pub const fn width(self) -> usize {
        match self {
            Self::Sum8 | Self::NegatedSum8 | Self::Xor8 | Self::Lrc => 1,
            _ => 2,
        }
    }

    /// The check value over some bytes; `None` where they are no pairs of hexadecimal digits as [`Self::Lrc`] needs.
    #[must_use]
    pub fn value(self, bytes: &[u8]) -> Option<u16> {
        let sum = || bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
        Some(match self {
            Self::Sum8 => sum().into(),
            Self::NegatedSum8 => sum().wrapping_neg().into(),
            Self::Xor8 => bytes.iter().fold(0_u8, |x, byte| x ^ byte).into(),
            Self::Lrc => lrc(bytes)?.into(),
            Self::Crc16Arc => ARC.checksum(bytes),
            Self::Crc16Modbus => MODBUS.checksum(bytes),
            Self::Crc16Xmodem => XMODEM.checksum(bytes),
            Self::Crc16CcittFalse => CCITT_FALSE.checksum(bytes),
            Self::Crc16AugCcitt => AUG_CCITT.checksum(bytes),
            Self::Crc16Kermit => KERMIT.checksum(bytes),
            Self::Crc16X25 => X25.checksum(bytes),
            Self::Crc16Dnp => DNP.checksum(bytes),
        })
    }
}

fn lrc(text: &[u8]) -> Option<u8> {
    let (pairs, rest) = text.as_chunks::<2>();
    if !rest.is_empty() {
        return None;
    }
    let mut sum = 0_u8;
    for pair in pairs {
        sum = sum.wrapping_add(hex_byte(*pair)?);
    }
    Some(sum.wrapping_neg())
}

/// The byte that two hexadecimal digits stand for.
pub(crate) fn hex_byte(pair: [u8; 2]) -> Option<u8> {
    let digit = |byte: u8| char::from(byte).to_digit(16);
    u8::try_from(digit(pair[0])? * 16 + digit(pair[1])?).ok()
}

/// Where the check value stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CheckPlace {
    /// Right behind the end mark.
    AfterEnd,
    /// Right before the end mark, behind these bytes (may be empty).
    BeforeEnd {
        /// What stands between text and check value, such as `*`.
        sign: Box<[u8]>,
    },
}

/// The checksum of a wire's frames.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Check {
    /// How it is computed.
    pub kind: CheckKind,
    /// As hexadecimal digits (either case), else as bytes.
    pub hex: bool,
    /// Low byte first.
    pub low_first: bool,
    /// Where it stands.
    pub place: CheckPlace,
    /// Whether the start mark is in it.
    pub covers_start: bool,
    /// Whether the end mark is in it.
    pub covers_end: bool,
}

impl Check {
    /// Bytes that it takes on the wire.
    #[must_use]
    pub const fn length(&self) -> usize {
        self.kind.width() * if self.hex { 2 } else { 1 }
    }

    /// The check value as it would stand on the wire, in upper-case hexadecimal digits where it is told so.
    #[must_use]
    pub fn written(&self, covered: &[u8]) -> Option<Vec<u8>> {
        let [high, low] = self.kind.value(covered)?.to_be_bytes();
        let mut bytes = if self.kind.width() == 1 { vec![low] } else { vec![high, low] };
        if self.low_first {
            bytes.reverse();
        }
        if self.hex {
            bytes = bytes.iter().flat_map(|byte| format!("{byte:02X}").into_bytes()).collect();
        }
        Some(bytes)
    }

    /// Whether `found` is the check value of `covered`.
    #[must_use]
    pub fn holds(&self, covered: &[u8], found: &[u8]) -> bool {
        let Some(value) = self.kind.value(covered) else { return false };
        let mut read = [0_u8; 2];
        let width = self.kind.width();
        if found.len() != self.length() {
            return false;
        }
        for (index, slot) in read.iter_mut().take(width).enumerate() {
            *slot = if self.hex {
                match hex_byte([found[2 * index], found[2 * index + 1]]) {
                    Some(byte) => byte,
                    None => return false,
                }
            } else {
                found[index]
            };
        }
        let told = match (width, self.low_first) {
            (1, _) => u16::from(read[0]),
            (_, true) => u16::from_le_bytes(read),
            (_, false) => u16::from_be_bytes(read),
        };
        told == value
    }
}
