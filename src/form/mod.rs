//! Files that people write: their form, and what is wrong with one, with its place and what would be right.
//!
//! Profiles, procedures and lists of equipment are read this way: one reading of a file tells all its mistakes.

mod diagnostic;
mod schema;

pub use diagnostic::{Diagnostic, Severity};
pub(crate) use diagnostic::{Mistakes, letters_apart, nearest};
pub(crate) use schema::Form;
