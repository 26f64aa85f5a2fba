//! A day of the simulated laboratory, made through the public binary: equipment, electrode, titrant, blanks, samples.

use crate::program::dropwise;
use std::path::Path;
use std::process::Output;

/// The equipment of the lab: tolerances and certificates as the day draws from them.
const EQUIPMENT: &str = include_str!("equipment.toml");

#[expect(clippy::unwrap_used, reason = "a program that cannot be started ends the test")]
pub(crate) fn run(home: &Path, arguments: &[&str]) -> Output {
    dropwise(home).args(arguments).output().unwrap()
}

/// Runs the program; it has to succeed.
pub(crate) fn done(home: &Path, arguments: &[&str]) -> String {
    let output = run(home, arguments);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{arguments:?}\n{text}\n{}", String::from_utf8_lossy(&output.stderr));
    text
}

/// Titrates a beaker of the day; gives what was printed.
pub(crate) fn titrate(home: &Path, seed: u64, what: &[&str], beaker: &str, more: &[&str]) -> String {
    let port = format!("simulator@2000:{seed}:{beaker}");
    let mut all: Vec<&str> = what.to_vec();
    all.extend(["--plain", "--profile", "demo-bench", "--port", &port]);
    all.extend(more);
    done(home, &all)
}

/// The equipment is entered, twice: the second time nothing changes.
#[expect(clippy::unwrap_used, reason = "a list that cannot be written ends the test")]
pub(crate) fn equipped(home: &Path) {
    let list = home.join("equipment.toml");
    std::fs::write(&list, EQUIPMENT).unwrap();
    let entered = done(home, &["equipment", "add", list.to_str().unwrap()]);
    assert_eq!(entered.lines().filter(|line| line.starts_with("enter")).count(), 6, "{entered}");
    assert!(done(home, &["equipment", "add", list.to_str().unwrap()]).contains("nothing has changed"));
}

/// The electrode is checked in three buffers, by dipping alone; gives what was printed, with its JSON.
pub(crate) fn electrode_checked(home: &Path, seed: u64) -> String {
    let port = format!("simulator@20:{seed}:buffers");
    let mut all = vec!["electrode", "check", "--electrode", "glass 3", "--rest", "1"];
    for buffer in ["4.005", "6.865", "9.180"] {
        all.extend(["--buffer", buffer]);
    }
    all.extend(["--profile", "demo-bench", "--port", &port, "--json"]);
    done(home, &all)
}

/// The titrant is standardised in three portions of phthalate, and its factor accepted.
pub(crate) fn standardised(home: &Path, seed: u64, series: &str) -> String {
    for (n, mass) in [(1, "0.3712"), (2, "0.3655"), (3, "0.3790")] {
        let told = titrate(
            home,
            seed,
            &["titrant", "standardise", "--lot", "hydroxide lot 7", "naoh-by-phthalate"],
            &format!("phthalate={mass}/{n}"),
            &[
                "--value",
                &format!("m={mass}"),
                "--series",
                series,
                "--portion",
                &n.to_string(),
                "--portions",
                "3",
            ],
        );
        assert!(told.contains("result    strength of sodium hydroxide"), "{told}");
    }
    done(home, &["titrant", "accept", "hydroxide lot 7", "--series", series])
}

/// One portion of a vinegar in a series.
pub(crate) fn portion(
    home: &Path,
    seed: u64,
    (name, role): (&str, &str),
    beaker: &str,
    series: &str,
    n: u32,
    mass: &str,
) -> String {
    titrate(
        home,
        seed,
        &["run", "vinegar-acidity"],
        beaker,
        &[
            "--sample",
            name,
            "--mass",
            mass,
            "--series",
            series,
            "--portion",
            &n.to_string(),
            "--portions",
            "3",
            "--as",
            role,
        ],
    )
}
