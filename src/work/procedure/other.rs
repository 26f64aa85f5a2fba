//! A procedure with which the end-points of a stored run are looked for in another way.

use super::Procedure;
use toml::{Table, Value};

/// Another way to look for end-points; what is empty stays as the procedure has it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct OtherLook {
    /// How the end-point shows: a word of `shape`.
    pub shape: String,
    /// What may be fitted: the beginning of the name of a model.
    pub model: String,
    /// Where it must lie, each with unit: `5 mL`.
    pub window: Option<(String, String)>,
    /// For a level: the value with unit.
    pub level: String,
}

/// Looks for one end-point; stands in for the procedure of a run that had none.
const BARE: &str =
    "title = \"end-points as looked for again\"\nid = \"looked-for-again\"\n[[find]]\nname = \"V\"\n";

impl OtherLook {
    /// Whether it changes anything.
    #[must_use]
    pub fn is_none(&self) -> bool {
        *self == Self::default()
    }

    /// The text of a procedure with this look; where it looks for several end-points, each takes shape and model, and a
    /// window is refused. An empty text stands for no procedure.
    ///
    /// # Errors
    /// In words, when the procedure does not take it.
    pub fn applied(&self, procedure: &str) -> Result<String, String> {
        let text = if procedure.trim().is_empty() { BARE } else { procedure };
        let mut table: Table = toml::from_str(text).map_err(|e| e.to_string().trim_end().to_owned())?;
        let finds = table.get_mut("find").and_then(Value::as_array_mut);
        let finds = finds.filter(|finds| !finds.is_empty()).ok_or("the procedure looks for no end-point")?;
        if finds.len() > 1 && self.window.is_some() {
            return Err(format!(
                "the procedure looks for {} end-points, each with a window of its own: write a procedure file with other windows",
                finds.len()
            ));
        }
        for find in finds.iter_mut().filter_map(Value::as_table_mut) {
            for (key, value) in [("shape", &self.shape), ("model", &self.model), ("level", &self.level)] {
                if !value.is_empty() {
                    find.insert(key.to_owned(), Value::String(value.clone()));
                }
            }
            // A level belongs to its shape, and so does the uncertainty of what is told.
            if !self.shape.is_empty() {
                let level: &[&str] = if self.shape == "level" { &[] } else { &["level", "u_level", "stay"] };
                let told: &[&str] =
                    if ["seen", "printed"].contains(&self.shape.as_str()) { &[] } else { &["u"] };
                for key in level.iter().chain(told) {
                    find.remove(*key);
                }
            }
            if let Some((from, to)) = &self.window {
                let both = vec![Value::String(from.clone()), Value::String(to.clone())];
                find.insert("window".to_owned(), Value::Array(both));
            }
        }
        let text = toml::to_string(&table).map_err(|e| e.to_string())?;
        Procedure::read("with another look", &text)?;
        Ok(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_look_changes_what_is_named_and_nothing_else() {
        let text = Procedure::shipped("vinegar-acidity").unwrap();
        let before = Procedure::read("a", text).unwrap();
        let look = OtherLook {
            shape: "bend".to_owned(),
            window: Some(("2 mL".to_owned(), "19 mL".to_owned())),
            ..OtherLook::default()
        };
        let after = Procedure::read("b", &look.applied(text).unwrap()).unwrap();
        assert_eq!(after.finds[0].window, Some((2.0, 19.0)));
        assert_ne!(after.finds[0].shape, before.finds[0].shape);
        assert_eq!(after.results.len(), before.results.len());
        assert_eq!(after.asked, before.asked);
    }

    #[test]
    fn a_run_without_a_procedure_can_be_looked_at_too() {
        let look = OtherLook { shape: "jump".to_owned(), ..OtherLook::default() };
        let text = look.applied("").unwrap();
        assert_eq!(Procedure::read("c", &text).unwrap().finds.len(), 1);
        assert!(OtherLook { shape: "cliff".to_owned(), ..look }.applied("").is_err());
    }
}
