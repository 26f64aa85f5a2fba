//! The marks that end a frame, found in a stretch of the wire.

use memchr::{memchr, memchr2, memchr3};

/// The first byte that may begin a mark.
#[inline]
pub(super) fn find_first_byte(marks: &[Box<[u8]>], data: &[u8]) -> Option<usize> {
    match marks {
        [a] => memchr(a[0], data),
        [a, b] => memchr2(a[0], b[0], data),
        [a, b, c] => memchr3(a[0], b[0], c[0], data),
        _ => data.iter().position(|byte| marks.iter().any(|mark| mark[0] == *byte)),
    }
}

/// What stands at a place.
pub(super) enum MarkAt {
    /// A mark of so many bytes.
    Whole(usize),
    /// The data end within a mark.
    Open,
    /// No mark.
    No,
}

/// The longest mark that stands at `at`.
#[inline]
pub(super) fn mark_at(marks: &[Box<[u8]>], data: &[u8], at: usize) -> MarkAt {
    let rest = &data[at..];
    if let [mark] = marks
        && mark.len() <= rest.len()
        && mark.iter().zip(rest).all(|(wanted, found)| wanted == found)
    {
        return MarkAt::Whole(mark.len());
    }
    let whole = marks.iter().filter(|mark| rest.starts_with(mark)).map(|mark| mark.len()).max();
    let open = marks.iter().any(|mark| mark.len() > rest.len() && mark.starts_with(rest));
    match (open, whole) {
        (true, _) => MarkAt::Open,
        (false, Some(length)) => MarkAt::Whole(length),
        (false, None) => MarkAt::No,
    }
}
