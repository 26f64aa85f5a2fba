//! Invented instruments of a random grammar, what they send, and how well a drafted profile reads them: shared by the
//! tests of the drafter and its bench.

pub mod compose;
pub mod grammar;
pub mod judge;
pub mod onwire;
pub mod score;
pub mod words;
