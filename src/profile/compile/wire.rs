//! The section `[wire]`: framing, checksum, hand-shake, encoding, and how numbers are written.

use super::Compiler;
use crate::form::nearest;
use crate::frame::{ByteClean, Check, CheckKind, CheckPlace, Encoding, Ending, FrameRules, TextClean};
use crate::profile::ask::Handshake;
use crate::profile::form::{
    CheckPlaceWord, CleanWord, CoversWord, DecimalWord, FlowWord, FrameForm, HandshakeForm, ParityWord,
    SignWord, TextOrList, TextWord, ThousandsWord, WireForm,
};
use crate::profile::number::{Decimal, NumberStyle, SignPlace};
use crate::reading::{DataBits, Flow, LineSettings, Parity, StopBits};
use toml::Spanned;

impl Compiler<'_, '_> {
    pub(super) fn handshake(&mut self, form: &HandshakeForm) -> Handshake {
        Handshake {
            call: self.one_byte(form.call.as_ref(), 0x05),
            accept: self.one_byte(form.accept.as_ref(), 0x06),
            refuse: self.one_byte(form.refuse.as_ref(), 0x15),
            over: self.one_byte(form.over.as_ref(), 0x04),
            numbered: form.numbered,
        }
    }

    pub(super) fn rules(
        &mut self,
        form: &WireForm,
        wire: &LineSettings,
        handshake: Option<Handshake>,
    ) -> FrameRules {
        let frame = &form.frame;
        let start: Box<[u8]> =
            frame.starts_with.as_ref().map(|text| self.bytes(text)).unwrap_or_default().into();
        let end_texts = frame.ends_with.as_ref().map(TextOrList::texts).unwrap_or_default();
        let ends: Vec<Box<[u8]>> = end_texts.iter().map(|text| self.bytes(text).into_boxed_slice()).collect();
        let ways = [frame.gap_ms.is_some(), frame.length.is_some(), !ends.is_empty()];
        if ways.iter().filter(|way| **way).count() > 1 {
            let span = end_texts.first().map_or(0..0, Spanned::span);
            self.error(
                "profile.frame",
                span,
                "a frame can end in one way only",
                "keep one of ends_with, gap_ms, length",
            );
        }
        let check = self.check(frame, &ends, &start);
        let ending = if let Some(ms) = frame.gap_ms {
            Ending::Gap { ns: u64::from(ms) * 1_000_000 }
        } else if let Some(bytes) = frame.length {
            Ending::Length { bytes: bytes.max(start.len() + 1), start }
        } else if !start.is_empty() {
            if ends.is_empty() {
                let span = frame.starts_with.as_ref().map_or(0..0, Spanned::span);
                self.error(
                    "profile.frame",
                    span,
                    "the frame has a start but no end",
                    "add ends_with or length",
                );
            }
            Ending::Between { start, ends }
        } else if ends.is_empty() {
            Ending::AnyLine
        } else {
            Ending::Marks(ends)
        };
        let seven = |word| form.clean.contains(&word);
        let (even, odd) = (seven(CleanWord::ParityEven), seven(CleanWord::ParityOdd));
        let clean = ByteClean {
            seven_bits: even || odd || seven(CleanWord::HighBit),
            parity: if even {
                Parity::Even
            } else if odd {
                Parity::Odd
            } else {
                Parity::None
            },
            flow_control: seven(CleanWord::XonXoff),
            nul: seven(CleanWord::Nul),
        };
        FrameRules {
            ending,
            check,
            clean,
            controls: handshake.map(|h| vec![h.call, h.over, h.accept, h.refuse]).unwrap_or_default(),
            limit: frame.limit.unwrap_or(65_536),
            byte_ns: wire.byte_ns(),
        }
    }

    pub(super) fn check(&mut self, frame: &FrameForm, ends: &[Box<[u8]>], start: &[u8]) -> Option<Check> {
        let text = frame.check.as_ref()?;
        let name: &str = text.get_ref();
        let (rest, low_first) = name.strip_suffix("-low-first").map_or((name, false), |rest| (rest, true));
        let (kind_name, hex) = if let Some(kind) = rest.strip_suffix("-hex") {
            (kind, true)
        } else if let Some(kind) = rest.strip_suffix("-byte") {
            (kind, false)
        } else {
            (rest, true)
        };
        let Some((_, kind)) = CheckKind::ALL.into_iter().find(|(known, _)| *known == kind_name) else {
            let known = CheckKind::ALL.map(|(name, _)| name);
            let near = nearest(kind_name, known)
                .map(|near| format!("did you mean \"{near}-hex\"? "))
                .unwrap_or_default();
            let remedy = format!("{near}known are: {}; each with -hex or -byte", known.join(", "));
            self.error("profile.unknown-check", text.span(), format!("unknown checksum {name:?}"), remedy);
            return None;
        };
        let single_control =
            ends.iter().all(|end| matches!(**end, [byte] if byte < 0x20 && byte != 0x0D && byte != 0x0A));
        let usual = if single_control && !start.is_empty() {
            CheckPlaceWord::AfterEnd
        } else {
            CheckPlaceWord::BeforeEnd
        };
        let place = frame.check_place.unwrap_or(usual);
        if place == CheckPlaceWord::AfterEnd && start.is_empty() {
            let remedy = "add starts_with, or say check_place = \"before-end\"";
            self.error(
                "profile.check-place",
                text.span(),
                "a checksum after the end needs a frame with a start",
                remedy,
            );
        }
        let sign = frame.check_sign.as_ref().map(|text| self.bytes(text)).unwrap_or_default();
        let covers = frame.check_covers.unwrap_or(if place == CheckPlaceWord::AfterEnd {
            CoversWord::End
        } else {
            CoversWord::Text
        });
        Some(Check {
            kind,
            hex,
            low_first,
            place: match place {
                CheckPlaceWord::AfterEnd => CheckPlace::AfterEnd,
                CheckPlaceWord::BeforeEnd => CheckPlace::BeforeEnd { sign: sign.into() },
            },
            covers_start: matches!(covers, CoversWord::Start | CoversWord::StartAndEnd),
            covers_end: matches!(covers, CoversWord::End | CoversWord::StartAndEnd),
        })
    }
}

pub(super) fn settings(form: &WireForm) -> LineSettings {
    let usual = LineSettings::default();
    LineSettings {
        baud: form.baud.unwrap_or(usual.baud),
        // The counts were checked with the form.
        data_bits: form.data_bits.and_then(|bits| DataBits::try_from(bits).ok()).unwrap_or(usual.data_bits),
        parity: match form.parity.unwrap_or_default() {
            ParityWord::None => Parity::None,
            ParityWord::Even => Parity::Even,
            ParityWord::Odd => Parity::Odd,
        },
        stop_bits: form.stop_bits.and_then(|bits| StopBits::try_from(bits).ok()).unwrap_or(usual.stop_bits),
        flow: match form.flow.unwrap_or_default() {
            FlowWord::None => Flow::None,
            FlowWord::XonXoff => Flow::XonXoff,
            FlowWord::Hardware => Flow::RtsCts,
        },
        dtr: form.dtr.unwrap_or(usual.dtr),
        rts: form.rts.unwrap_or(usual.rts),
    }
}

pub(super) fn text_rules(form: &WireForm) -> (Encoding, TextClean) {
    let encoding = match form.text.unwrap_or_default() {
        TextWord::Ascii => Encoding::Ascii,
        TextWord::Latin1 => Encoding::Latin1,
        TextWord::Cp437 => Encoding::Cp437,
        TextWord::Utf8 => Encoding::Utf8,
    };
    let parameters = form.escape_parameters.iter();
    let clean = TextClean {
        printer_escapes: form.clean.contains(&CleanWord::PrinterEscapes),
        escape_parameters: parameters
            .filter_map(|(c, n)| Some((c.chars().next()?, usize::from(*n))))
            .collect(),
        overprint: form.clean.contains(&CleanWord::Overprint),
    };
    (encoding, clean)
}

pub(super) fn style(form: &WireForm) -> NumberStyle {
    NumberStyle {
        decimal: match form.decimal.unwrap_or_default() {
            DecimalWord::Point => Decimal::Point,
            DecimalWord::Comma => Decimal::Comma,
            DecimalWord::Either => Decimal::Either,
        },
        thousands: match form.thousands.unwrap_or_default() {
            ThousandsWord::None => None,
            ThousandsWord::Blank => Some(' '),
            ThousandsWord::Point => Some('.'),
            ThousandsWord::Comma => Some(','),
            ThousandsWord::Apostrophe => Some('\''),
        },
        sign: match form.sign.unwrap_or_default() {
            SignWord::Before => SignPlace::Before,
            SignWord::Apart => SignPlace::Apart,
            SignWord::Behind => SignPlace::Behind,
        },
    }
}
