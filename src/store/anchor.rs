//! Anchors as text, and the file that a lab keeps them in.

use super::Anchor;
use std::fmt;
use std::io::Write;
use std::path::Path;

impl fmt::Display for Anchor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let at = jiff::Timestamp::from_microsecond(self.utc_us).unwrap_or_default();
        write!(f, "anchor {} {} {at}", self.n, self.hash)
    }
}

/// The anchors in a text: wherever the word `anchor` is followed by a number and a hash.
#[must_use]
pub fn parse_anchors(text: &str) -> Vec<Anchor> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let read = |window: &[&str]| {
        let [word, n, hash, rest @ ..] = window else { return None };
        let hash = hash.to_ascii_lowercase();
        let is_hash = hash.len() == 64 && hash.bytes().all(|b| b.is_ascii_hexdigit());
        let at = rest.first().and_then(|text| text.parse::<jiff::Timestamp>().ok()).unwrap_or_default();
        (*word == "anchor" && is_hash)
            .then(|| Some(Anchor { n: n.parse().ok()?, hash, utc_us: at.as_microsecond() }))?
    };
    (0..words.len()).filter_map(|at| read(&words[at..words.len().min(at + 4)])).collect()
}

/// Appends an anchor to a file, on the disk when this returns.
///
/// # Errors
/// What the system says.
pub fn append_anchor(path: &Path, anchor: &Anchor) -> std::io::Result<()> {
    let mut file = std::fs::OpenOptions::new().create(true).append(true).open(path)?;
    file.write_all(format!("{anchor}\n").as_bytes())?;
    file.sync_data()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_anchor_is_found_again_in_any_text() {
        let anchor = Anchor { n: 12, hash: "ab".repeat(32), utc_us: 1_770_000_000_000_000 };
        assert_eq!(parse_anchors(&format!("page 3\n{anchor}\n\n{anchor} end")), [anchor.clone(), anchor]);
        assert_eq!(parse_anchors("anchor 12 abc"), []);
        assert_eq!(parse_anchors("anchor"), []);
    }
}
