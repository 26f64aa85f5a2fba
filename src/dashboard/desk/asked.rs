//! What goes with a question: settings, signatures, pieces of equipment, a new bench.

use crate::work::{Equipment, EquipmentKind, OtherLook, RunId, read_equipment};

/// With what a run is evaluated again; what is empty stays as the run has it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct OtherSettings {
    /// The run.
    pub run: RunId,
    /// Name of a profile.
    pub profile: String,
    /// Text of a procedure.
    pub procedure: Option<String>,
    /// Another way to look for end-points.
    pub look: OtherLook,
    /// Why.
    pub why: String,
}

/// What somebody signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signable {
    /// Nothing yet: a key is made.
    NewKey,
    /// An evaluation.
    Reckoning(i64),
    /// Rows of the ledger, gone through: the first and the last.
    Ledger(i64, i64),
}

/// What somebody signs with.
#[derive(Debug, Clone, PartialEq)]
pub struct Signing {
    /// What is signed.
    pub what: Signable,
    /// Whose key.
    pub name: String,
    /// What it means: performed, reviewed, approved.
    pub meaning: String,
    /// The pass-phrase.
    pub phrase: Secret,
    /// Anything to say with it.
    pub why: String,
}

/// Text that is never shown.
#[derive(Clone, PartialEq, Eq, Default)]
pub struct Secret(pub String);

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("(not shown)")
    }
}

/// A piece of equipment as it is typed; the texts as in an equipment file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Piece {
    /// Its kind.
    pub kind: EquipmentKind,
    /// Its name.
    pub name: String,
    /// What stands in the file, by its key; what is empty is left out.
    pub fields: Vec<(&'static str, String)>,
}

impl Piece {
    /// The piece as the record has it.
    ///
    /// # Errors
    /// In words, what is wrong first.
    pub fn entries(&self) -> Result<Vec<Equipment>, String> {
        let filled = self.fields.iter().filter(|(_, text)| !text.is_empty());
        let mut item: toml::Table =
            filled.map(|(key, text)| ((*key).to_owned(), toml::Value::String(text.clone()))).collect();
        item.insert("name".to_owned(), toml::Value::String(self.name.clone()));
        if item.contains_key("within") && self.kind == EquipmentKind::Burette {
            item.insert("distribution".to_owned(), toml::Value::String("triangular".to_owned()));
        }
        let list = toml::Value::Array(vec![toml::Value::Table(item)]);
        let table: toml::Table = [(self.kind.word().to_owned(), list)].into_iter().collect();
        read_equipment("as typed", &table.to_string())
            .map_err(|faults| faults.first().map(|fault| fault.message.clone()).unwrap_or_default())
    }
}

/// A bench to be written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewBench {
    /// What people call it.
    pub title: String,
    /// Where its instrument hangs.
    pub port: String,
    /// The profile: its text, or the name of one that ships.
    pub profile: Result<String, String>,
    /// Whether volumes are keyed by a person.
    pub keyed: bool,
}
