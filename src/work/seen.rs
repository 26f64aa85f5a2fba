//! An end-point that a person saw: what is noted, and what of the note enters the result.

use super::procedure::{Procedure, ShapeWord};
use std::collections::BTreeMap;

/// How such a note begins.
const BEGINS: &str = "seen: ";

/// The note of an end-point that was seen after so much titrant, in `unit`.
#[must_use]
pub fn seen_note(name: &str, (titrant, unit): (f64, &str), what: &str) -> String {
    format!("{BEGINS}{name} = {titrant:.3} {unit}: {}", what.trim())
}

/// What a note says of an end-point that was seen: its name, and the volume as it is typed elsewhere.
#[must_use]
pub fn seen_in(note: &str) -> Option<(String, String)> {
    let (name, rest) = note.strip_prefix(BEGINS)?.split_once(" = ")?;
    let (volume, _) = rest.split_once(": ")?;
    Some((name.to_owned(), volume.to_owned()))
}

/// The end-point that is told next: the first by eye without a value, else the last, which is told anew.
///
/// # Errors
/// In words, when the procedure looks for none by eye.
pub fn next_seen(procedure: Option<&Procedure>, told: &BTreeMap<String, String>) -> Result<String, String> {
    let finds = procedure.map(|procedure| procedure.finds.as_slice()).unwrap_or_default();
    let mut by_eye = finds.iter().filter(|find| find.shape == Some(ShapeWord::Seen));
    let last = by_eye.clone().next_back();
    by_eye.find(|find| !told.contains_key(&find.name)).or(last).map(|find| find.name.clone()).ok_or_else(
        || {
            "the procedure of this run looks for no end-point by eye; a note (n) keeps what was seen"
                .to_owned()
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_seen_is_noted_and_read_again() {
        let note = seen_note("V", (11.32, "mL"), "colourless to pink: stayed");
        assert_eq!(note, "seen: V = 11.320 mL: colourless to pink: stayed");
        assert_eq!(seen_in(&note), Some(("V".to_owned(), "11.320 mL".to_owned())));
        assert_eq!(seen_in("seen it"), None);
    }

    #[test]
    fn the_next_is_the_first_without_a_value_and_then_the_last_again() {
        let text = Procedure::shipped("limestone-back-titration-by-eye").unwrap();
        let procedure = Procedure::parse("shipped", text).unwrap();
        let mut told = BTreeMap::new();
        assert_eq!(next_seen(Some(&procedure), &told), Ok("V".to_owned()));
        told.insert("V".to_owned(), "11 mL".to_owned());
        assert_eq!(next_seen(Some(&procedure), &told), Ok("V".to_owned()));
        assert!(next_seen(None, &told).is_err_and(|why| why.contains("by eye")));
    }
}
