//! A worklist drives the bench, with and without a sample changer whose marks begin and end each portion.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

mod program;

use program::dropwise;
use serde_json::{Value, json};
use std::path::Path;

/// An instrument of our own invention: a burette and a meter behind a changer that says what it does.
const PROFILE: &str = r#"
title = "changer with burette and meter"
measures = ["volume", "ph"]

[wire]
baud = 9600
frame = { ends_with = "CR LF" }

[[line]]
name = "begin"
like = "BEGIN {position:text}"
marks = "run-start"

[[line]]
name = "now"
like = "{volume:mL:/n.000/} mL {ph:/n.000/} pH"

[[line]]
name = "end"
like = "END"
marks = "run-end"
"#;

/// A strong acid with a strong base (charge balance, ideal solution): pH at a volume.
fn ph(equivalence_ml: f64, volume_ml: f64) -> f64 {
    let excess = 0.1 * (equivalence_ml - volume_ml) / (60.0 + volume_ml);
    let hydrogen = 0.5 * (excess + (excess * excess + 4e-14).sqrt());
    -hydrogen.log10()
}

fn capture(positions: &[(u32, f64)]) -> String {
    let mut lines = vec![json!({"capture": 1, "title": "changer", "line": {"baud": 9600}}).to_string()];
    let mut t = 0.0;
    let mut say = |text: String| {
        t += 1.0;
        lines.push(json!({"t": t, "in": format!("{text}\r\n")}).to_string());
    };
    for (position, equivalence_ml) in positions {
        say(format!("BEGIN {position}"));
        // Bold far from the end-point, small steps near it, as such instruments give them.
        let mut volume_ml = 0.0;
        while volume_ml < equivalence_ml + 2.0 {
            // The third decimal wanders as that of a real meter does.
            let wander = 0.001 * (volume_ml * 24.0).sin();
            for _ in 0..4 {
                say(format!("{volume_ml:.3} mL {:.3} pH", ph(*equivalence_ml, volume_ml) + wander));
            }
            volume_ml += if (equivalence_ml - volume_ml).abs() > 1.2 { 0.5 } else { 0.06 };
        }
        say("END".to_owned());
    }
    lines.join("\n") + "\n"
}

fn series(home: &Path, name: &str) -> Vec<Value> {
    let output = dropwise(home).args(["series", name, "--json"]).output().unwrap();
    String::from_utf8_lossy(&output.stdout).lines().filter_map(|l| serde_json::from_str(l).ok()).collect()
}

#[test]
fn a_changer_takes_the_portions_from_the_worklist_and_a_mark_that_does_not_fit_starts_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let file = |name: &str, text: &str| {
        let path = home.join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    };
    let profile = file("changer.toml", PROFILE);
    let wire = file("changer.jsonl", &capture(&[(1, 6.0), (2, 7.5), (7, 5.0), (3, 8.0)]));
    let list = file(
        "list.csv",
        "sample,procedure,position,m [g]\njar A,vinegar-acidity,1,1.50\njar B,vinegar-acidity,2,1.60\njar C,vinegar-acidity,3,1.55\n",
    );
    let port = format!("capture@200:{wire}");
    let output = dropwise(home)
        .args(["run", "--worklist", &list, "--unattended", "--plain", "--series", "tray 1"])
        .args(["--value", "V_blank=0 mL +- 0.01", "--profile", &profile, "--port", &port])
        .output()
        .unwrap();
    let told =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{told}");
    assert!(told.contains("the line began position 7, the worklist expects position 3"), "{told}");
    let all = series(home, "tray 1");
    for (sample, equivalence_ml, mass_g) in [("jar A", 6.0, 1.50), ("jar B", 7.5, 1.60), ("jar C", 8.0, 1.55)]
    {
        let row =
            all.iter().find(|row| row["sample"] == sample).unwrap_or_else(|| panic!("{sample}: {told}"));
        let value = row["portions"][0]["result"]["results"][0]["value"].as_f64().unwrap();
        // Amount by stoichiometry at the nominal strength: V c M / m, M of acetic acid 60.052 g/mol.
        let expected = equivalence_ml * 1e-3 * 0.1 * 60.052 / mass_g * 100.0;
        assert!((value / expected - 1.0).abs() < 0.005, "{sample}: {value}, expected {expected}");
    }
}

#[test]
fn a_worklist_with_a_mistake_is_refused_before_anything_is_titrated() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    for (text, words) in [
        ("sample,procedure,mm\nA,vinegar-acidity,5\n", "knows no `mm`; did you mean `m`?"),
        ("sample,procedure,m\nA,vinegar-acidity,five\n", "line 2: m: "),
        (
            "sample,procedure,m [mL]\nA,vinegar-acidity,5\nB,vinegar-acidity,6\n",
            "line 3: m is measured in g, not in mL",
        ),
        ("sample,procedure,m,titrant\nA,vinegar-acidity,1,5,lot\n", "5 cells under a heading of 4"),
        ("sample,procedure\nA,vinegar-acidty\n", "vinegar-acidty"),
        ("sample\nA\n", "`procedure`"),
    ] {
        let list = home.join("list.csv");
        std::fs::write(&list, text).unwrap();
        let output = dropwise(home)
            .args(["run", "--plain", "--profile", "demo-bench", "--port", "simulator"])
            .arg("--worklist")
            .arg(&list)
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!output.status.success() && told.contains(words), "{told}");
        assert!(!home.join("record.db").exists());
    }
}

/// A bottle of titrant on a balance, and a meter.
const WEIGHING: &str = r#"
title = "bottle on a balance, and a meter"
measures = ["mass", "ph"]

[wire]
baud = 9600
frame = { ends_with = "CR LF" }

[[line]]
name = "now"
like = "{mass:g:/n.000/} g {ph:/n.000/} pH"
"#;

const WEIGHED: &str = r#"
title = "Acid by weighed alkali"
id = "acid-by-weighed-alkali"

[reagent]
titrant = "sodium hydroxide"
nominal = "0.1 mol/kg"
dispensed_by = "mass"

[vessel]
volume = "60 mL"

[portion]
m = { what = "mass of the sample", unit = "g" }

[[find]]
name = "w"
shape = "jump"
signal = "ph"
window = ["2 g", "12 g"]

[[prepare]]
text = "Flush the tubing."

[[result]]
name = "acid"
formula = "w * c / m"
unit = "mmol/g"
"#;

/// What a balance under the bottle and a meter send while `equivalence_g` are found.
fn weighed_capture(equivalence_g: f64) -> String {
    let mut lines = vec![
        json!({"capture": 1, "title": "weighed", "started": "2035-01-01T08:00:00Z", "line": {"baud": 9600}})
            .to_string(),
    ];
    let (mut t, mut given) = (0.0, 0.0);
    while given < equivalence_g + 2.0 {
        let wander = 0.001 * (given * 24.0_f64).sin();
        for _ in 0..4 {
            t += 1.0;
            let text = format!("{:.3} g {:.3} pH\r\n", 250.0 - given, ph(equivalence_g, given) + wander);
            lines.push(json!({"t": t, "in": text}).to_string());
        }
        given += if (equivalence_g - given).abs() > 1.2 { 0.5 } else { 0.06 };
    }
    lines.join("\n") + "\n"
}

#[test]
fn a_titrant_that_is_weighed_is_told_in_grams_from_the_run_to_the_report() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let file = |name: &str, text: &str| {
        let path = home.join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    };
    let profile = file("weighing.toml", WEIGHING);
    let procedure = file("weighed.toml", WEIGHED);
    let port = format!("capture@fast:{}", file("weighed.jsonl", &weighed_capture(6.0)));
    let run = |procedure: &str, more: &[&str]| {
        let output = dropwise(home)
            .args(["run", procedure, "--plain", "--sample", "jar", "--series", "weighed"])
            .args(["--value", "m=1.5", "--profile", &profile, "--port", &port])
            .args(more)
            .output()
            .unwrap();
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
    };
    let told = run(&procedure, &["--volume", "mass"]);
    assert!(told.contains("end-point 6.0") && told.contains(" g  standard uncertainty"), "{told}");
    assert!(told.contains("steps of preparation not ticked yet: 1"), "{told}");
    assert!(!told.contains(" mL"), "{told}");
    let all = series(home, "weighed");
    let result = &all[0]["portions"][0]["result"];
    // Stoichiometry: 6 g of 0.1 mol/kg for 1.5 g.
    assert!((result["results"][0]["value"].as_f64().unwrap() - 0.4).abs() < 0.002, "{result}");
    assert_eq!(result["inputs"][0]["unit"], "g");
    let report = dropwise(home).args(["report", "1"]).output().unwrap();
    let report = String::from_utf8_lossy(&report.stdout).into_owned();
    assert!(report.contains("not ticked yet: 1") && report.contains("mmol/g"), "{report}");

    // What does not fit is refused before anything is titrated, with what would fit.
    assert!(run("vinegar-acidity", &["--volume", "mass"]).contains("dispensed_by"), "by volume");
    let told = run(&procedure, &["--volume", "rate=0.5"]);
    assert!(told.contains("dispenses its titrant by mass"), "{told}");
    let told = run(&procedure, &["--volume", "mass", "--value", "w_blank=1 g"]);
    assert!(told.contains("knows no `w_blank`"), "{told}");
}

#[test]
fn two_levels_are_told_while_the_run_goes_on_and_both_have_their_uncertainty_from_the_check() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let file = |name: &str, text: &str| {
        let path = home.join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    };
    let profile = file("weighing.toml", WEIGHING);
    let levels = WEIGHED
        .replace("id = \"acid-by-weighed-alkali\"", "id = \"two-levels\"\n[electrode]\nkind = \"glass\"")
        .replace("window = [\"2 g\", \"12 g\"]", "level = \"4 pH\"\n\n[[find]]\nname = \"w2\"\nshape = \"level\"\nsignal = \"ph\"\nlevel = \"10 pH\"")
        .replace("shape = \"jump\"", "shape = \"level\"")
        .replace("formula = \"w * c / m\"", "formula = \"w2 * c / m\"");
    let procedure = file("levels.toml", &levels);
    let port = format!("capture@fast:{}", file("weighed.jsonl", &weighed_capture(6.0)));
    let list = file("lab.toml", "[[electrode]]\nname = \"glass 3\"\nwhat = \"glass\"\n");
    assert!(dropwise(home).args(["equipment", "add", &list]).status().unwrap().success());
    let check = dropwise(home)
        .args(["electrode", "check", "--electrode", "glass 3", "--rest", "1", "--buffer", "4.005"])
        .args(["--buffer", "6.865", "--buffer", "9.180", "--profile", "demo-bench"])
        .args(["--port", "simulator@20:5:buffers"])
        .output()
        .unwrap();
    assert!(check.status.success(), "{}", String::from_utf8_lossy(&check.stderr));
    let output = dropwise(home)
        .args(["run", &procedure, "--plain", "--sample", "jar", "--series", "levels", "--volume", "mass"])
        .args(["--value", "m=1.5", "--profile", &profile, "--port", &port])
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stdout).into_owned();
    let (going_on, ended) = told.split_once("\nended ").unwrap_or_else(|| panic!("{told}"));
    assert_eq!(going_on.matches("watch     found at").count(), 2, "{told}");
    assert_eq!(ended.matches("end-point ").count(), 2, "{told}");
    let all = series(home, "levels");
    let result = &all[0]["portions"][0]["result"];
    let budget = result["results"][0]["budget"].as_array().unwrap();
    let line = budget.iter().find(|line| line["kind"] == "electrode").unwrap_or_else(|| panic!("{result}"));
    assert!(line["name"].as_str().unwrap().contains("glass 3 at pH 10 for w2"), "{line}");
    assert_eq!(line["portions"], 0, "the same for all portions of a series");
    assert!(line["u"].as_f64().unwrap() > 0.0, "{line}");
}

#[test]
fn a_titration_by_eye_needs_no_instrument_and_its_blank_counts() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let path = home.join("by-eye.toml");
    std::fs::write(
        &path,
        r#"
title = "Acid by alkali, by eye"
id = "acid-by-eye"

[reagent]
titrant = "sodium hydroxide"
nominal = "0.1 mol/L"

[portion]
m = { what = "mass of the sample", unit = "g" }

[[find]]
name = "V"
shape = "seen"
u = "0.03 mL"

[blank]
use = "mean-of-series"

[[result]]
name = "acid"
formula = "(V - V_blank) * c / m"
unit = "mmol/g"
"#,
    )
    .unwrap();
    let by_eye = |command: &str, more: &[&str], keyed: &str| {
        let mut child = dropwise(home)
            .args([command, path.to_str().unwrap(), "--by-hand", "--plain", "--series", "eye"])
            .args(more)
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        std::io::Write::write_all(&mut child.stdin.take().unwrap(), keyed.as_bytes()).unwrap();
        let output = child.wait_with_output().unwrap();
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
    };
    let told = by_eye("blank", &[], "start 0.10\nseen 0.25 colourless to pink\nend\n");
    assert!(told.contains("seen: V = 0.150 mL"), "{told}");
    let portion = ["--sample", "jar", "--value", "m=1.5"];
    let told = by_eye("run", &portion, "start 0.35\nseen 12.50 colourless to pink\nend\n");
    assert!(told.contains("origin keyed") && !told.contains("usable points"), "{told}");
    let all = series(home, "eye");
    let sample = all.iter().find(|row| row["sample"] == "jar").unwrap_or_else(|| panic!("{told}"));
    let result = &sample["portions"][0]["result"]["results"][0];
    // (12.15 - 0.15) mL of 0.1 mol/L for 1.5 g.
    assert!((result["value"].as_f64().unwrap() - 0.8).abs() < 1e-9, "{told}");
    let budget = result["budget"].as_array().unwrap();
    let own = budget.iter().find(|line| line["name"] == "end-point V").unwrap_or_else(|| panic!("{result}"));
    assert!((own["u"].as_f64().unwrap() - 0.03).abs() < 1e-12, "{own}");
}
