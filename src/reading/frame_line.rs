//! One frame of the wire as people see it, and what became of it.

use super::Stamp;
use serde::{Deserialize, Serialize};

/// What became of a frame.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "fate")]
pub enum FrameFate {
    /// A pattern took it.
    Understood {
        /// Which one.
        by: String,
    },
    /// A pattern said that it carries nothing (heading, page number).
    Ignored {
        /// Which one.
        by: String,
    },
    /// It did not fit: checksum, length, limits.
    Damaged {
        /// Why.
        why: String,
    },
    /// No pattern took it.
    NotUnderstood,
}

/// One frame as people see it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FrameLine {
    /// Counted from 0 on its wire.
    pub number: u64,
    /// When its last byte arrived.
    pub at: Stamp,
    /// Its text, decoded; may hold control characters: make them visible before showing.
    pub text: String,
    /// What became of it.
    pub fate: FrameFate,
}
