//! Profile.

pub mod draft;
