//! The procedures that ship with the program.

/// Names and texts, in the order of the alphabet.
const SHIPPED: [(&str, &str); 1] =
    [("vinegar-acidity", include_str!("../../../protocols/procedures/vinegar-acidity.toml"))];

/// The text of a procedure that ships.
pub(super) fn text(id: &str) -> Option<&'static str> {
    SHIPPED.iter().find(|(name, _)| *name == id).map(|(_, text)| *text)
}

/// The names of the procedures that ship.
pub(super) fn names() -> impl Iterator<Item = &'static str> {
    SHIPPED.iter().map(|(name, _)| *name)
}
