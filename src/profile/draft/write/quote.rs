//! Texts, bytes and figures as a profile writes them.

/// A text in TOML: in single quotes where that needs no escapes.
pub(in crate::profile::draft) fn quoted(text: &str) -> String {
    if !text.contains('\'') && !text.chars().any(char::is_control) {
        return if text.contains(['"', '\\']) { format!("'{text}'") } else { format!("\"{text}\"") };
    }
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\r' => out.push_str("\\r"),
            '\n' => out.push_str("\\n"),
            '\t' => out.push_str("\\t"),
            c if c.is_control() => {
                out.push_str(&format!("\\u{:04X}", u32::from(c)));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// Bytes as TOML text, one character each.
pub(in crate::profile::draft) fn quoted_bytes(bytes: &[u8]) -> String {
    let mut out = String::from("\"");
    for b in bytes {
        match b {
            b'"' => out.push_str("\\\""),
            b'\\' => out.push_str("\\\\"),
            b'\r' => out.push_str("\\r"),
            b'\n' => out.push_str("\\n"),
            b'\t' => out.push_str("\\t"),
            0x20..=0x7e => out.push(char::from(*b)),
            b => {
                out.push_str(&format!("\\u{b:04X}"));
            }
        }
    }
    out.push('"');
    out
}

/// A byte by its name in a profile.
pub(super) fn byte_name(b: u8) -> String {
    match b {
        0x02 => "STX".into(),
        0x03 => "ETX".into(),
        0x04 => "EOT".into(),
        0x0a => "LF".into(),
        0x0c => "FF".into(),
        0x0d => "CR".into(),
        0x1e => "RS".into(),
        b'\'' => "0x27".into(),
        0x21..=0x7e => format!("'{}'", char::from(b)),
        b => format!("0x{b:02X}"),
    }
}

pub(super) fn byte_names(bytes: &[u8]) -> String {
    bytes.iter().map(|b| byte_name(*b)).collect::<Vec<_>>().join(" ")
}

pub(super) fn percent(weight: f64) -> String {
    format!("{:.0} %", (weight * 100.0).min(99.0))
}

/// A comment cannot carry control characters.
pub(in crate::profile::draft) fn shown(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{b7}' } else { c }).collect()
}

pub(super) fn trimmed(value: f64) -> String {
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
