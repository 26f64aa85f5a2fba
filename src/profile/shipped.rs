//! Profiles that ship with the program.

use super::Profile;

macro_rules! shipped {
    ($($name:literal),* $(,)?) => {
        const SHIPPED: &[(&str, &str)] =
            &[$(($name, include_str!(concat!("../../protocols/instruments/", $name, ".toml")))),*];
    };
}

shipped!("ph-stream-comma", "strip-printer-table", "balance-stable-mark", "demo-bench");

/// Names of the profiles that ship with the program.
pub fn shipped_names() -> impl Iterator<Item = &'static str> {
    SHIPPED.iter().map(|(name, _)| *name)
}

/// The profile of that name.
pub(crate) fn profile(name: &str) -> Option<Profile> {
    let (name, text) = SHIPPED.iter().find(|(shipped, _)| *shipped == name)?;
    // Every shipped profile is parsed and run over its examples by the tests.
    Profile::parse(&format!("{name}.toml"), text).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;

    #[test]
    fn every_shipped_profile_keeps_its_own_examples() {
        for (name, text) in SHIPPED {
            let profile = Profile::parse(&format!("{name}.toml"), text).unwrap_or_else(|mistakes| {
                panic!("{}", mistakes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
            });
            assert!(!profile.examples.is_empty(), "{name} has no example");
            let found = Arc::new(profile).check();
            assert!(
                found.is_empty(),
                "{}",
                found.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
            );
        }
    }
}
