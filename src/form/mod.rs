//! Files that people write: their form, and what is wrong with one, with its place and what would be right.
//!
//! Profiles, procedures and lists of equipment are read this way: one reading of a file tells all its mistakes.

mod diagnostic;
mod nearest;
mod schema;

pub(crate) use diagnostic::Mistakes;
pub use diagnostic::{Diagnostic, Severity};
pub(crate) use nearest::nearest;
pub(crate) use schema::Form;
