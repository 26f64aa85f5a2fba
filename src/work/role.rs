//! What a portion is for.

use serde::{Deserialize, Serialize};

/// What a portion is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// A sample is determined.
    #[default]
    Sample,
    /// The strength of the titrant is determined with a primary standard.
    Standardisation,
    /// Everything but the sample is there.
    Blank,
    /// A material of known content is determined.
    Control,
}

impl Role {
    /// The word used in the record, in files and on screens.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Sample => "sample",
            Self::Standardisation => "standardisation",
            Self::Blank => "blank",
            Self::Control => "control",
        }
    }

    /// The role with this word.
    #[must_use]
    pub fn parse(word: &str) -> Option<Self> {
        [Self::Sample, Self::Standardisation, Self::Blank, Self::Control]
            .into_iter()
            .find(|role| role.word() == word)
    }
}
