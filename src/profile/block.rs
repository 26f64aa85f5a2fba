//! Several lines that belong together.

use super::Pattern;
use crate::reading::Reading;
use std::sync::Arc;

/// A block: lines that make one reading, or a table.
#[derive(Debug, Clone)]
pub(crate) struct Block {
    pub name: Arc<str>,
    pub begins: Vec<Pattern>,
    pub rows: Vec<Pattern>,
    pub lines: Vec<Pattern>,
    pub ignore: Vec<Pattern>,
    pub ends: Vec<Pattern>,
    pub within_ns: u64,
}

impl Block {
    /// Whether its lines are kept until the end.
    pub(crate) fn is_kept(&self) -> bool {
        !self.lines.is_empty()
    }
}

/// A block that has begun.
#[derive(Debug, Clone)]
pub(crate) struct Open {
    pub block: usize,
    /// When it is closed without an end; never for tables.
    pub deadline: Option<u64>,
    pub held: Vec<Reading>,
    pub steady: Option<bool>,
    pub not_valid: bool,
}
