//! `dropwise evaluate` through the public binary: what it prints, what it refuses and with which exit code.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

mod program;
mod words;

use program::dropwise;
use serde_json::Value;
use std::path::PathBuf;
use std::process::Output;
use words::{stderr, stdout};

struct Place {
    folder: tempfile::TempDir,
}

impl Place {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    }

    fn evaluate(&self, arguments: &[&str]) -> Output {
        dropwise(self.folder.path())
            .current_dir(self.folder.path())
            .arg("evaluate")
            .args(arguments)
            .output()
            .unwrap()
    }
}

/// Chloride with silver nitrate 0.1000 mol/L, 2.433 mmol: end-point 24.33 mL (Skoog, West, Holler, Fundamentals of
/// Analytical Chemistry, potentiometric-titration table; E against a calomel electrode in V).
const CHLORIDE: &str = "burette,E_V
5.00,0.062\n15.00,0.085\n20.00,0.107\n22.00,0.123\n23.00,0.138\n23.50,0.146\n23.80,0.161\n24.00,0.174
24.10,0.183\n24.20,0.194\n24.30,0.233\n24.40,0.316\n24.50,0.340\n24.60,0.351\n24.70,0.358\n25.00,0.373
25.50,0.385\n26.00,0.396\n28.00,0.426
";

fn json(output: &Output) -> Vec<Value> {
    assert!(output.status.success(), "{}", stderr(output));
    stdout(output).lines().map(|l| serde_json::from_str(l).unwrap()).collect()
}

#[test]
fn the_chloride_table_gives_its_end_point_live_and_finally() {
    let place = Place::new();
    place.file("chloride.csv", CHLORIDE);
    let output = place.evaluate(&["--json", "chloride.csv", "--columns", "volume_mL=burette"]);
    let lines = json(&output);
    assert_eq!(lines.len(), 1);
    assert_eq!(lines[0]["run"], "chloride");
    let end_points = lines[0]["endpoints"].as_array().unwrap();
    assert_eq!(end_points.len(), 1);
    let volume = end_points[0]["volume_mL"].as_f64().unwrap();
    assert!((24.3..=24.4).contains(&volume), "{volume}");
    let watch = lines[0]["watch"].as_array().unwrap();
    let found = watch.iter().find(|w| w["state"] == "found").unwrap();
    assert!((24.3..=24.4).contains(&found["end_point_mL"].as_f64().unwrap()), "{found}");
    assert_eq!(found["find"], 1);
    assert_eq!(end_points[0]["confirmed_at_point"], found["point"]);
    assert_eq!(end_points[0]["confirmed_at_volume_mL"], found["volume_mL"]);
    assert!(found["because"].is_string());
}

#[test]
fn a_beginning_of_a_file_gives_the_beginning_of_the_watch() {
    let place = Place::new();
    let lines: Vec<&str> = CHLORIDE.lines().collect();
    place.file("whole.csv", CHLORIDE);
    let whole = json(&place.evaluate(&["--json", "whole.csv", "--columns", "volume_mL=1"]));
    for n in 1..lines.len() - 1 {
        place.file("part.csv", &(lines[..=n].join("\n") + "\n"));
        let part = json(&place.evaluate(&["--json", "part.csv", "--columns", "volume_mL=1"]));
        let expected: Vec<&Value> = whole[0]["watch"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|w| w["point"].as_u64().unwrap() <= n as u64)
            .collect();
        assert_eq!(part[0]["watch"].as_array().unwrap().iter().collect::<Vec<_>>(), expected, "{n} lines");
    }
}

#[test]
fn files_come_out_in_their_order_and_a_bad_one_stops_no_other() {
    let place = Place::new();
    for name in ["b", "a", "c"] {
        place.file(&format!("{name}.csv"), &CHLORIDE.replace("burette", "volume_mL"));
    }
    place.file("bad.csv", "volume_mL,pH\n0,seven\n");
    let output = place.evaluate(&["--json", "b.csv", "bad.csv", "a.csv", "c.csv"]);
    assert_eq!(output.status.code(), Some(2));
    let runs: Vec<String> = stdout(&output)
        .lines()
        .map(|l| serde_json::from_str::<Value>(l).unwrap()["run"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(runs, ["b", "a", "c"]);
    assert!(stderr(&output).contains("bad.csv, line 2, column 2 (pH): \"seven\" is not a number"));
}

#[test]
fn a_curve_without_an_end_point_gives_an_empty_list() {
    let place = Place::new();
    let rows: String =
        (0..30).map(|i| format!("{:.1},{:.2}\n", f64::from(i) * 0.2, 7.0 + 0.001 * f64::from(i))).collect();
    place.file("flat.csv", &format!("volume_mL,signal_pH\n{rows}"));
    let lines = json(&place.evaluate(&["--json", "flat.csv"]));
    assert_eq!(lines[0]["endpoints"], Value::Array(Vec::new()));
    assert_eq!(lines[0]["watch"], Value::Array(Vec::new()));
}

#[test]
fn a_curve_by_mass_has_keys_in_grams() {
    let place = Place::new();
    place.file("mass.csv", &CHLORIDE.replace("burette", "mass_g"));
    let lines = json(&place.evaluate(&["--json", "mass.csv"]));
    let end_point = &lines[0]["endpoints"][0];
    assert!((24.3..=24.4).contains(&end_point["mass_g"].as_f64().unwrap()), "{end_point}");
    assert!(end_point["u_mass_g"].is_number() && end_point["confirmed_at_mass_g"].is_number());
    let found = lines[0]["watch"].as_array().unwrap().iter().find(|w| w["state"] == "found").unwrap();
    assert!(found["mass_g"].is_number() && found["end_point_g"].is_number() && found["u_g"].is_number());
}

#[test]
fn what_is_given_is_read_by_run_and_a_window_refuses_the_rest() {
    let place = Place::new();
    place.file("chloride.csv", &CHLORIDE.replace("burette", "volume_mL"));
    place.file(
        "given.json",
        r#"{"chloride": {"titrant": "silver nitrate", "titrant_mol_L": 0.1, "looked_for": 1, "shape": "step", "family": "argentometric"}}"#,
    );
    let told = json(&place.evaluate(&["--json", "chloride.csv", "--given", "given.json"]));
    assert_eq!(told[0]["endpoints"].as_array().unwrap().len(), 1);
    let refused = json(&place.evaluate(&["--json", "chloride.csv", "--window", "10..20"]));
    assert!(refused[0]["endpoints"].as_array().unwrap().is_empty());
    assert!(refused[0]["watch"].as_array().unwrap().iter().all(|w| w["state"] != "found"));
}

#[test]
fn a_model_can_be_demanded_and_a_name_that_none_has_is_told() {
    let place = Place::new();
    place.file("chloride.csv", CHLORIDE);
    let tried = |more: &[&str]| -> (Vec<String>, Value) {
        let columns = ["--json", "--explain", "chloride.csv", "--columns", "volume_mL=burette"];
        let line = json(&place.evaluate(&[&columns[..], more].concat())).remove(0);
        let names = line["tried"].as_array().unwrap().iter().map(|t| t["model"].as_str().unwrap().to_owned());
        (names.collect(), line)
    };
    let (all, _) = tried(&[]);
    assert!(all.iter().any(|name| name.starts_with("acid-base")), "{all:?}");
    let (one, line) = tried(&["--model", "Precipitate 1:1"]);
    assert!(!one.is_empty() && one.iter().all(|name| name.starts_with("precipitate 1:1")), "{one:?}");
    let volume = line["endpoints"][0]["volume_mL"].as_f64().unwrap();
    assert!((24.30..24.36).contains(&volume), "{volume}");
    assert!(line["endpoints"][0]["method"].as_str().unwrap().starts_with("precipitate 1:1"));
    let (none, line) = tried(&["--model", "moonshine"]);
    assert_eq!(none.len(), all.len());
    let warnings = line["warnings"].to_string();
    assert!(warnings.contains("no model for this curve has a name that begins with"), "{warnings}");
    assert!(warnings.contains("moonshine") && warnings.contains("acid-base"), "{warnings}");
}

#[test]
fn a_picture_is_written_and_the_text_names_the_end_point() {
    let place = Place::new();
    place.file("chloride.csv", &CHLORIDE.replace("burette", "volume_mL"));
    let output = place.evaluate(&["chloride.csv", "--explain", "--picture", "out.svg"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stdout(&output).contains("end-point 1: 24.3"), "{}", stdout(&output));
    let picture = std::fs::read_to_string(place.folder.path().join("out.svg")).unwrap();
    assert!(picture.starts_with("<svg width=\"800\" height=\"1000\" viewBox=\"0 0 8000 10000\""));
}

/// Each misuse: arguments, the file it reads, and what the one paragraph must name.
#[test]
fn misuse_is_told_in_a_paragraph_and_ends_with_two() {
    let cases: &[(&[&str], Option<&str>, &[&str])] = &[
        (&["missing.csv"], None, &["missing.csv", "cannot be opened", "spelling"]),
        (&["f.csv"], Some(""), &["f.csv is empty", "volume_mL,signal_pH"]),
        (&["f.csv"], Some("a,b\n1,2\n"), &["f.csv", "\"a\"", "--columns"]),
        (&["f.csv"], Some("volume_mL,pH\n1,2\n2,x7\n"), &["line 3", "column 2 (pH)", "x7"]),
        (&["f.csv"], Some("volume_mL,pH\n1,2\n2,nan\n"), &["line 3", "column 2 (pH)", "nan"]),
        (&["f.csv"], Some("volume_mL,pH\n1\n"), &["line 2", "1 cells"]),
        (&["f.csv", "--columns", "volume=1"], Some("volume_mL,pH\n1,2\n"), &["--columns", "volume_mL"]),
        (&["f.csv", "--columns", "volume_mL=9"], Some("volume_mL,pH\n1,2\n"), &["\"9\"", "\"pH\""]),
        (&["f.csv", "--given", "no.json"], Some("volume_mL,pH\n1,2\n"), &["no.json", "cannot be read"]),
        (&["f.csv", "--window", "5..1"], Some("volume_mL,pH\n1,2\n"), &["FROM..TO"]),
        (&["f.csv", "g.csv", "--picture", "p.svg"], Some("volume_mL,pH\n1,2\n"), &["one file"]),
        (&[], None, &["CURVE.csv"]),
    ];
    for (arguments, text, words) in cases {
        let place = Place::new();
        if let Some(text) = text {
            place.file("f.csv", text);
        }
        let output = place.evaluate(arguments);
        let told = stderr(&output);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {told}");
        for word in *words {
            assert!(told.contains(word), "{arguments:?} should name {word}: {told}");
        }
        assert!(!told.contains("panicked"), "{told}");
    }
}

#[cfg(unix)]
#[test]
fn a_reader_that_goes_away_ends_it_quietly() {
    use std::io::Read;
    use std::process::Stdio;
    let place = Place::new();
    place.file("c.csv", &CHLORIDE.replace("burette", "volume_mL"));
    let many = vec!["c.csv"; 200];
    let mut child = dropwise(place.folder.path())
        .current_dir(place.folder.path())
        .args(["evaluate", "--json"])
        .args(&many)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut first = [0_u8; 16];
    child.stdout.take().unwrap().read_exact(&mut first).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{:?}", output.status);
    assert!(output.stderr.is_empty(), "{}", stderr(&output));
}
