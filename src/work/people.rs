//! Who may look on at a bench, who may command it, how people are known there, and who has the hand on a run.

use super::{LockAfter, RECORDER};
use serde::{Deserialize, Serialize};

/// How the refusal of a bench begins that knows people by their keys.
pub const WANTS_KEY: &str = "this bench knows people by their keys";

/// What a bench file says of people.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct People {
    /// How people are known at this bench.
    #[serde(default)]
    pub identity: Identity,
    /// A screen that nobody touches for so long is covered, until somebody says again who sits there.
    #[serde(default)]
    pub lock_after: Option<LockAfter>,
    /// Accounts that may look on, or one group as `@GROUP`; the owner of the recorder always may.
    #[serde(default)]
    pub look: Vec<String>,
    /// Accounts that may command too, or one group as `@GROUP`; the owner of the recorder always may.
    #[serde(default)]
    pub command: Vec<String>,
}

/// How people are known at a bench; told on every report.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Identity {
    /// By the account that the system knows.
    #[default]
    Account,
    /// By the name that they give when they start a screen: for an account that several share.
    Named,
    /// By a key that is enrolled in the record and that only their pass-phrase opens.
    Key,
}

/// Somebody who asks something of the recorder, as the system knows the process that asks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    /// The account of the process.
    pub account: String,
    /// Groups of the account.
    pub groups: Vec<String>,
    /// Whether that is the account of the recorder, or that of the system's administrator.
    pub owner: bool,
    /// The name that the person gave.
    pub name: Option<String>,
    /// The key by which the person proved to be who that name says: the first digits of its public part.
    pub key: Option<String>,
}

impl Caller {
    /// The account of the recorder itself.
    #[must_use]
    pub const fn owner(account: String, name: Option<String>) -> Self {
        Self { account, groups: Vec::new(), owner: true, name, key: None }
    }

    /// As the record calls this person.
    #[must_use]
    pub fn who(&self) -> String {
        match self.name.as_deref().map(str::trim).filter(|name| !name.is_empty()) {
            Some(name) if self.key.is_some() => {
                super::with_key(name, self.key.as_deref().unwrap_or_default())
            }
            Some(name) => super::named(name, &self.account),
            None if self.account == RECORDER => format!("account {}", self.account),
            None => self.account.clone(),
        }
    }

    fn is_among(&self, list: &[String]) -> bool {
        self.owner
            || list.iter().any(|entry| match entry.strip_prefix('@') {
                Some(group) => self.groups.iter().any(|own| own == group),
                None => *entry == self.account,
            })
    }
}

impl People {
    /// Whether this caller may look on.
    #[must_use]
    pub fn lets_look(&self, caller: &Caller) -> bool {
        caller.is_among(&self.look) || self.lets_command(caller)
    }

    /// Whether this caller may command.
    #[must_use]
    pub fn lets_command(&self, caller: &Caller) -> bool {
        caller.is_among(&self.command)
    }

    /// Why this caller may not command now, in words.
    #[must_use]
    pub fn refuses(&self, caller: &Caller) -> Option<String> {
        if !self.lets_command(caller) {
            return Some(format!(
                "{} may look on and not command here; the bench file says who may, under [people]",
                caller.account
            ));
        }
        if self.identity == Identity::Key && caller.key.is_none() {
            return Some(format!(
                "{WANTS_KEY}: name yourself on the screen (F11), or start with --name \"YOUR NAME\", and type the pass-phrase \
                 of your key; `dropwise sign --new-key \"YOUR NAME\"` makes one"
            ));
        }
        let nameless = caller.name.as_deref().is_none_or(|name| name.trim().is_empty());
        (self.identity == Identity::Named && nameless).then(|| {
            "this bench wants to know who you are: start with --name \"YOUR NAME\" (or DROPWISE_NAME)"
                .to_owned()
        })
    }
}

/// What somebody wishes about the hand on a run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "wish")]
pub enum HandWish {
    /// Asks whoever has it.
    Ask,
    /// Gives it to who asked.
    Grant,
    /// Keeps it although somebody asked.
    Keep,
    /// Takes it after having asked in vain.
    Take {
        /// Why: never empty.
        reason: String,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bench_lets_in_whom_it_names_and_its_owner() {
        let people: People = toml::from_str("look = [\"@lab\"]\ncommand = [\"ivo\"]").unwrap();
        let caller = |account: &str, groups: &[&str]| Caller {
            account: account.to_owned(),
            groups: groups.iter().map(|g| (*g).to_owned()).collect(),
            owner: false,
            name: None,
            key: None,
        };
        assert!(people.lets_look(&caller("ada", &["users", "lab"])) && people.lets_look(&caller("ivo", &[])));
        assert!(!people.lets_look(&caller("eve", &["users"])));
        assert!(people.refuses(&caller("ada", &["lab"])).is_some());
        assert_eq!(people.refuses(&caller("ivo", &[])), None);
        let owner = Caller::owner("root".to_owned(), None);
        assert_eq!(People::default().refuses(&owner), None);
        let named = People { identity: Identity::Named, ..People::default() };
        assert!(named.refuses(&owner).is_some_and(|why| why.contains("--name")));
        let rosa = Caller::owner("root".to_owned(), Some("Rosa Lind".to_owned()));
        assert_eq!((named.refuses(&rosa), rosa.who()), (None, "Rosa Lind (account root)".to_owned()));
        let keys = People { identity: Identity::Key, ..People::default() };
        assert!(keys.refuses(&rosa).is_some_and(|why| why.contains("pass-phrase")));
        let proved = Caller { key: Some("3f2a".to_owned()), ..rosa };
        assert_eq!((keys.refuses(&proved), proved.who()), (None, "Rosa Lind (key 3f2a)".to_owned()));
    }
}
