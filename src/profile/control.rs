//! Names of control characters and durations, as profiles write them.

const NAMES: [(&str, u8); 37] = [
    ("NUL", 0x00),
    ("SOH", 0x01),
    ("STX", 0x02),
    ("ETX", 0x03),
    ("EOT", 0x04),
    ("ENQ", 0x05),
    ("ACK", 0x06),
    ("BEL", 0x07),
    ("BS", 0x08),
    ("HT", 0x09),
    ("TAB", 0x09),
    ("LF", 0x0A),
    ("VT", 0x0B),
    ("FF", 0x0C),
    ("CR", 0x0D),
    ("SO", 0x0E),
    ("SI", 0x0F),
    ("DLE", 0x10),
    ("DC1", 0x11),
    ("XON", 0x11),
    ("DC2", 0x12),
    ("DC3", 0x13),
    ("XOFF", 0x13),
    ("DC4", 0x14),
    ("NAK", 0x15),
    ("SYN", 0x16),
    ("ETB", 0x17),
    ("CAN", 0x18),
    ("EM", 0x19),
    ("SUB", 0x1A),
    ("ESC", 0x1B),
    ("FS", 0x1C),
    ("GS", 0x1D),
    ("RS", 0x1E),
    ("US", 0x1F),
    ("SP", 0x20),
    ("DEL", 0x7F),
];

/// The bytes that names of control characters, `0x1B`, signs and text in single quotes stand for, such as `STX` or `CR LF`.
/// The error is the word that is none of these.
pub(crate) fn bytes(text: &str) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    let mut rest = text.trim();
    while !rest.is_empty() {
        if let Some(quoted) = rest.strip_prefix('\'')
            && let Some(end) = quoted.find('\'')
        {
            bytes.extend(quoted[..end].bytes());
            rest = quoted[end + 1..].trim_start();
            continue;
        }
        let (word, after) = rest.split_once(' ').unwrap_or((rest, ""));
        rest = after.trim_start();
        if let Some((_, byte)) = NAMES.iter().find(|(name, _)| *name == word) {
            bytes.push(*byte);
        } else if let Some(byte) = word.strip_prefix("0x").and_then(|hex| u8::from_str_radix(hex, 16).ok()) {
            bytes.push(byte);
        } else if word.chars().all(|c| c.is_ascii_punctuation()) {
            bytes.extend(word.bytes());
        } else if !word.is_empty() && word.chars().all(|c| c.is_ascii_control()) {
            bytes.extend(word.bytes());
        } else {
            return Err(word.to_owned());
        }
    }
    Ok(bytes)
}

/// All names, for the nearest one.
pub(crate) fn names() -> impl Iterator<Item = &'static str> {
    NAMES.iter().map(|(name, _)| *name)
}

/// A duration such as `2 s`, `800 ms`, `1.5 min`, in nanoseconds; at most a day.
pub(crate) fn duration_ns(text: &str) -> Option<u64> {
    let text = text.trim();
    let split = text.find(|c: char| !c.is_ascii_digit() && c != '.')?;
    let number: f64 = text[..split].parse().ok()?;
    let scale = match text[split..].trim() {
        "ms" => 1e6,
        "s" => 1e9,
        "min" => 6e10,
        "h" => 3.6e12,
        _ => return None,
    };
    let ns = number * scale;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "checked to lie between 1 ms and a day in nanoseconds"
    )]
    (1e6..=8.64e13).contains(&ns).then_some(ns as u64)
}

/// Bytes as people read them: text as it is, control characters by name.
pub(crate) fn shown(bytes: &[u8]) -> String {
    let mut shown = String::new();
    for byte in bytes {
        match byte {
            0x21..=0x7E => shown.push(char::from(*byte)),
            0x20 => shown.push(' '),
            _ => match NAMES.iter().find(|(_, named)| named == byte) {
                Some((name, _)) => shown.push_str(&format!("<{name}>")),
                None => shown.push_str(&format!("<{byte:02X}>")),
            },
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_quotes_and_signs() {
        assert_eq!(bytes("CR LF"), Ok(vec![13, 10]));
        assert_eq!(bytes("STX 'AB' 0x1b"), Ok(vec![2, b'A', b'B', 0x1B]));
        assert_eq!(bytes(":"), Ok(vec![b':']));
        assert_eq!(bytes("\r\n"), Ok(vec![]));
        assert_eq!(bytes("CRLF"), Err("CRLF".into()));
    }

    #[test]
    fn durations() {
        assert_eq!(duration_ns("800 ms"), Some(800_000_000));
        assert_eq!(duration_ns("2s"), Some(2_000_000_000));
        assert_eq!(duration_ns("2"), None);
        assert_eq!(duration_ns("0 s"), None);
        assert_eq!(duration_ns("9999999 h"), None);
    }
}
