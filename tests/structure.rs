//! Keeps the directions of the design: who may use whom, which folders are pure, what stands at the top level.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Folder, and the folders it may use. The order is that of the data.
const USES: &[(&str, &[&str])] = &[
    ("reading", &[]),
    ("numeric", &[]),
    ("chemistry", &["numeric", "reading"]),
    ("form", &[]),
    ("frame", &["reading"]),
    ("profile", &["form", "frame", "reading"]),
    ("detector", &["chemistry", "numeric", "reading"]),
    ("results", &["chemistry", "form", "numeric", "reading"]),
    ("work", &["form", "detector", "results", "chemistry", "reading"]),
    ("source", &["reading", "chemistry"]),
    ("store", &["work", "detector", "results", "reading"]),
    ("export", &["store", "work", "detector", "results", "reading"]),
    ("push", &["store", "work"]),
    ("live", &["source", "frame", "profile", "work", "store", "detector", "results", "reading"]),
    ("report", &["store", "work", "source", "detector", "results", "reading"]),
    ("link", &["live", "work"]),
    ("dashboard", &["form", "link", "work", "detector", "results", "reading"]),
    (
        "cli",
        &[
            "export",
            "push",
            "dashboard",
            "report",
            "link",
            "live",
            "store",
            "profile",
            "form",
            "frame",
            "detector",
            "results",
            "chemistry",
            "work",
            "source",
            "reading",
            "numeric",
        ],
    ),
];

/// Folders that know no clock, file, runtime, database or screen.
const PURE: &[&str] =
    &["reading", "numeric", "chemistry", "form", "frame", "profile", "detector", "results", "work"];

/// Words that a pure folder must not contain, outside its tests.
const IMPURE: &[&str] = &[
    "tokio",
    "rusqlite",
    "ratatui",
    "crossterm",
    "serialport",
    "std::fs",
    "SystemTime",
    "Instant::now",
    "std::env",
    "std::net",
];

/// Crates and the only folders that may name them.
const ONLY_IN: &[(&str, &[&str])] = &[
    ("rusqlite", &["store"]),
    ("ratatui", &["dashboard"]),
    ("crossterm", &["dashboard"]),
    ("serialport", &["source"]),
    ("krilla", &["report"]),
    ("lopdf", &["report"]),
    ("plotters", &["report"]),
    ("resvg", &["report"]),
    ("askama", &["report"]),
    ("tokio_postgres", &["push"]),
    ("rust_xlsxwriter", &["export"]),
];

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
    found
}

/// The code of a file without comments and without what stands behind its `#[cfg(test)]`.
fn code(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    let text = text.split("#[cfg(test)]").next().unwrap_or_default();
    text.lines().map(|line| line.split("//").next().unwrap_or_default()).collect::<Vec<_>>().join("\n")
}

fn used_folders(code: &str) -> BTreeSet<String> {
    let mut used = BTreeSet::new();
    for part in code.split("crate::").skip(1) {
        let names: Vec<&str> = match part.strip_prefix('{') {
            Some(group) => group.split('}').next().unwrap_or_default().split(',').collect(),
            None => vec![part],
        };
        for name in names {
            let name: String =
                name.trim().chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '_').collect();
            used.insert(name);
        }
    }
    used
}

#[test]
fn every_folder_uses_only_what_the_design_allows() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut faults = Vec::new();
    for (folder, allowed) in USES {
        for file in sources(&root.join(folder)) {
            for used in used_folders(&code(&file)) {
                let known = USES.iter().any(|(name, _)| *name == used);
                if known && used != *folder && !allowed.contains(&used.as_str()) {
                    faults.push(format!("{} uses {used}", file.display()));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn the_pure_folders_know_no_clock_file_runtime_database_or_screen() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut faults = Vec::new();
    for folder in PURE {
        for file in sources(&root.join(folder)) {
            let code = code(&file);
            for word in IMPURE {
                if code.contains(word) {
                    faults.push(format!("{} contains {word}", file.display()));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn each_crate_of_the_outside_stays_in_its_folder() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut faults = Vec::new();
    for (folder, _) in USES {
        for file in sources(&root.join(folder)) {
            let code = code(&file);
            for (name, folders) in ONLY_IN {
                if code.contains(&format!("{name}::")) && !folders.contains(folder) {
                    faults.push(format!("{} names {name}", file.display()));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn every_folder_has_its_paragraph_for_developers_and_its_place_in_the_table() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = fs::read_to_string(root.join("DEVELOPERS.md")).unwrap();
    for entry in fs::read_dir(root.join("src")).unwrap() {
        let entry = entry.unwrap();
        if !entry.path().is_dir() {
            continue;
        }
        let name = entry.file_name().into_string().unwrap();
        assert!(USES.iter().any(|(folder, _)| *folder == name), "{name} is not in the table of this test");
        assert!(text.contains(&format!("**{name}**")), "DEVELOPERS.md has no paragraph on **{name}**");
    }
}

#[test]
fn nothing_else_stands_at_the_top_level() {
    const ALLOWED: &[&str] = &[
        ".ci",
        ".git",
        ".gitignore",
        "Cargo.lock",
        "Cargo.toml",
        "DEVELOPERS.md",
        "LICENSE",
        "README.md",
        "benches",
        "fixtures",
        "protocols",
        "src",
        "target",
        "tests",
    ];
    for entry in fs::read_dir(env!("CARGO_MANIFEST_DIR")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(ALLOWED.contains(&name.as_str()), "{name} does not belong at the top level");
    }
}
