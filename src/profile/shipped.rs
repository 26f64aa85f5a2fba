//! Profiles that ship with the program.

use super::Profile;

macro_rules! shipped {
    ($($name:literal),* $(,)?) => {
        const SHIPPED: &[(&str, &str)] =
            &[$(($name, include_str!(concat!("../../protocols/instruments/", $name, ".toml")))),*];
    };
}

shipped!(
    "ph-stream-comma",
    "ph-print-key",
    "ph-asked-in-turn",
    "strip-printer-table",
    "millivolt-decimal-comma",
    "ph-seven-bit",
    "lab-link-handshake",
    "balance-stable-mark",
    "conductivity-autorange",
    "photometer-both",
    "burette-total",
    "modbus-ascii-ph",
    "scpi-millivolt",
    "dead-stop-current",
    "sentence-xor",
    "demo-bench",
);

/// Names of the profiles that ship with the program.
pub fn shipped_names() -> impl Iterator<Item = &'static str> {
    SHIPPED.iter().map(|(name, _)| *name)
}

/// The text of the profile of that name.
pub(crate) fn text(name: &str) -> Option<&'static str> {
    SHIPPED.iter().find(|(shipped, _)| *shipped == name).map(|(_, text)| *text)
}

/// The profile of that name; the tests parse every one and run it over its examples.
pub(crate) fn profile(name: &str) -> Option<Profile> {
    Profile::parse(&format!("{name}.toml"), text(name)?).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;

    #[test]
    fn every_shipped_profile_keeps_its_own_examples() {
        let mut faults = Vec::new();
        for (name, text) in SHIPPED {
            match Profile::parse(&format!("{name}.toml"), text) {
                Ok(profile) => {
                    assert!(!profile.examples.is_empty(), "{name} has no example");
                    faults.extend(Arc::new(profile).check());
                }
                Err(mistakes) => faults.extend(mistakes),
            }
        }
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert!(told.is_empty(), "{}", told.join("\n"));
    }

    #[test]
    fn every_file_of_the_folder_ships() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/protocols/instruments");
        for entry in std::fs::read_dir(folder).unwrap() {
            let name = entry.unwrap().path().file_stem().unwrap().to_string_lossy().into_owned();
            assert!(text(&name).is_some(), "{name} is not in the list of shipped profiles");
        }
    }
}
