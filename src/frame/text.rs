//! From the bytes of a frame to its text: encoding, printer control sequences, overprinted lines.

use codepage_437::{BorrowFromCp437, CP437_CONTROL};
use std::borrow::Cow;

const ESC: char = '\u{1B}';
const CR: char = '\r';
const BS: char = '\u{8}';

/// What the bytes above 127 mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Encoding {
    /// Nothing: they show as U+FFFD.
    Ascii,
    /// ISO 8859-1.
    #[default]
    Latin1,
    /// Code page 437.
    Cp437,
    /// UTF-8; what is none shows as U+FFFD.
    Utf8,
}

/// What is done to the text before it is read.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TextClean {
    /// Take printer control sequences out.
    pub printer_escapes: bool,
    /// How many parameter bytes follow `ESC` and these characters; none for all others.
    pub escape_parameters: Vec<(char, usize)>,
    /// Lay the parts of a line that CR or BS print over each other on top of each other.
    pub overprint: bool,
}

/// Appends the text of `bytes` to `text`.
#[inline]
pub fn decode(bytes: &[u8], encoding: Encoding, text: &mut String) {
    if bytes.is_ascii()
        && let Ok(ascii) = std::str::from_utf8(bytes)
    {
        text.push_str(ascii);
        return;
    }
    match encoding {
        Encoding::Ascii => {
            text.extend(
                bytes.iter().map(|b| if b.is_ascii() { char::from(*b) } else { char::REPLACEMENT_CHARACTER }),
            );
        }
        Encoding::Latin1 => text.extend(bytes.iter().copied().map(char::from)),
        Encoding::Cp437 => text.push_str(&Cow::borrow_from_cp437(bytes, &CP437_CONTROL)),
        Encoding::Utf8 => text.push_str(&String::from_utf8_lossy(bytes)),
    }
}

impl TextClean {
    /// Cleans `text` in place. Says the column (from 1) where two different characters were printed over
    /// each other: then nobody can know which was meant.
    ///
    /// # Errors
    /// The column of the first such place.
    #[inline]
    pub fn clean(&self, text: &mut String) -> Result<(), usize> {
        if self.is_needed() { self.clean_print(text) } else { Ok(()) }
    }

    /// Whether there is anything to do.
    pub(crate) const fn is_needed(&self) -> bool {
        self.printer_escapes || self.overprint
    }

    fn clean_print(&self, text: &mut String) -> Result<(), usize> {
        if self.printer_escapes && text.contains(|c: char| c == ESC || is_width_control(c)) {
            *text = self.without_escapes(text);
        }
        if self.overprint {
            let inner = text.trim_matches(|c: char| c.is_ascii_control());
            if inner.contains([CR, BS]) {
                *text = overprinted(inner)?;
            }
        }
        Ok(())
    }

    /// `ESC` with one character and the parameters told for it, ECMA-48 sequences (`ESC [ ... letter`) and
    /// the shift and device controls that printers take as change of width.
    fn without_escapes(&self, text: &str) -> String {
        let mut kept = String::with_capacity(text.len());
        let mut chars = text.chars();
        while let Some(c) = chars.next() {
            if is_width_control(c) {
                continue;
            }
            if c != ESC {
                kept.push(c);
                continue;
            }
            match chars.next() {
                Some('[') => {
                    // Parameters and intermediates of ECMA-48 lie below '@'.
                    for c in chars.by_ref() {
                        if c >= '@' {
                            break;
                        }
                    }
                }
                Some(command) => {
                    let parameters =
                        self.escape_parameters.iter().find(|p| p.0 == command).map_or(0, |p| p.1);
                    for _ in 0..parameters {
                        chars.next();
                    }
                }
                None => {}
            }
        }
        kept
    }
}

/// SO, SI, DC2, DC4: double and narrow width on strip printers.
const fn is_width_control(c: char) -> bool {
    matches!(c, '\u{0E}' | '\u{0F}' | '\u{12}' | '\u{14}')
}

fn overprinted(text: &str) -> Result<String, usize> {
    let mut columns: Vec<char> = Vec::with_capacity(text.len());
    let mut at = 0_usize;
    for c in text.chars() {
        match c {
            CR => at = 0,
            BS => at = at.saturating_sub(1),
            _ => {
                match columns.get_mut(at) {
                    None => columns.push(c),
                    Some(below) if *below == c || matches!(c, ' ' | '_') => {}
                    Some(below) if matches!(*below, ' ' | '_') => *below = c,
                    Some(_) => return Err(at + 1),
                }
                at += 1;
            }
        }
    }
    Ok(columns.into_iter().collect())
}
