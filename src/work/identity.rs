//! How a person is known: `who` as it stands in the record, on screens and on reports.

/// What the recorder does by itself is done by this name.
pub const RECORDER: &str = "the recorder";

/// A person at an account that several share: the name as typed, and the account the system knows.
#[must_use]
pub fn named(name: &str, account: &str) -> String {
    format!("{} (account {account})", name.trim())
}

/// A person who proved to hold a key.
#[must_use]
pub fn with_key(name: &str, fingerprint: &str) -> String {
    format!("{} (key {fingerprint})", name.trim())
}

/// How `who` is known: `account`, `named`, `key`, or `program` for the recorder itself.
#[must_use]
pub fn how_known(who: &str) -> &'static str {
    let bracket = who.rsplit_once(" (").map_or("", |(_, rest)| rest);
    if who == RECORDER {
        "program"
    } else if bracket.starts_with("key ") && bracket.ends_with(')') {
        "key"
    } else if bracket.starts_with("account ") && bracket.ends_with(')') {
        "named"
    } else {
        "account"
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_somebody_is_known_can_be_read_off() {
        assert_eq!(how_known("bench7"), "account");
        assert_eq!(how_known(&named(" Rosa Lind ", "bench7")), "named");
        assert_eq!(how_known(&with_key("Rosa (II)", "3f2a")), "key");
        assert_eq!(how_known(RECORDER), "program");
        assert_eq!(named(" Rosa Lind ", "bench7"), "Rosa Lind (account bench7)");
    }
}
