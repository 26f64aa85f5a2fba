//! Text from outside as it may be shown: nothing in it can move the cursor, reorder or hide.

use unicode_width::UnicodeWidthChar;

/// Names of the C0 controls by ISO/IEC 6429 (and the blank).
const C0: [&str; 33] = [
    "NUL", "SOH", "STX", "ETX", "EOT", "ENQ", "ACK", "BEL", "BS", "HT", "LF", "VT", "FF", "CR", "SO", "SI",
    "DLE", "DC1", "DC2", "DC3", "DC4", "NAK", "SYN", "ETB", "CAN", "EM", "SUB", "ESC", "FS", "GS", "RS",
    "US", "SP",
];

/// Whether a character is a control, a mark without width, or changes the direction of writing.
#[must_use]
pub fn is_hidden(c: char) -> bool {
    c.is_control()
        || UnicodeWidthChar::width(c).unwrap_or(0) == 0
        || matches!(c,
            '\u{00A0}' | '\u{00AD}' | '\u{061C}' | '\u{115F}' | '\u{1160}' | '\u{180E}'
            | '\u{2000}'..='\u{200F}' | '\u{2028}'..='\u{202F}' | '\u{205F}'..='\u{206F}'
            | '\u{2800}' | '\u{3000}' | '\u{3164}' | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' | '\u{FFA0}'
            | '\u{E000}'..='\u{F8FF}' | '\u{FFF0}'..='\u{FFFB}' | '\u{1D173}'..='\u{1D17A}'
            | '\u{E0000}'..='\u{10FFFF}')
}

/// The text with everything made visible that a terminal or an eye would not show as it is.
///
/// C0 and C1 controls come out by name (`<ESC>`, `<U+009B>`), as do bidirectional marks, zero-width
/// and other invisible characters, line separators, private and unassigned ones; the rest stays.
#[must_use]
pub fn visible(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\u{0}'..='\u{20}' if c != ' ' => {
                shown.push('<');
                shown.push_str(C0[c as usize]);
                shown.push('>');
            }
            '\u{7F}' => shown.push_str("<DEL>"),
            c if is_hidden(c) => shown.push_str(&format!("<U+{:04X}>", u32::from(c))),
            c => shown.push(c),
        }
    }
    shown
}
