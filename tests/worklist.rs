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
