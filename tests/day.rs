//! A whole day of an analyst on the simulated bench, through the public binary: electrode, titrant, blank, samples,
//! control, results. What is true that day is drawn from a seed, and has effects that no model of the program knows.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

mod program;

use dropwise::source::simulate::Day;
use program::dropwise;
use serde_json::Value;
use std::path::Path;
use std::process::Output;

/// The equipment of the lab: tolerances and certificates as the day draws from them.
const EQUIPMENT: &str = r#"
[[burette]]
name = "blue, 20 mL"
value = "20 mL"
within = "0.03 mL"
distribution = "triangular"
repeatability = "0.002 mL"
in_proportion = true
certificate = "own gravimetric check at four volumes"

[[balance]]
name = "four places"
value = "220 g"
within = "0.15 mg"
repeatability = "0.1 mg"
certificate = "calibration of March"

[[standard]]
name = "phthalate lot 12"
what = "potassium hydrogen phthalate"
value = "0.9998"
within = "0.0005"
certificate = "label of the lot"

[[titrant]]
name = "hydroxide lot 7"
what = "sodium hydroxide"
value = "0.1 mol/L"

[[electrode]]
name = "glass 3"
what = "glass"

[[control]]
name = "vinegar control"
procedure = "vinegar-acidity"
value = "5.000 g/100 g"
u = "0.005 g/100 g"
"#;

fn run(home: &Path, arguments: &[&str]) -> Output {
    dropwise(home).args(arguments).output().unwrap()
}

fn done(home: &Path, arguments: &[&str]) -> String {
    let output = run(home, arguments);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{arguments:?}\n{text}\n{}", String::from_utf8_lossy(&output.stderr));
    text
}

fn json_lines(text: &str) -> Vec<Value> {
    text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect()
}

/// Titrates a beaker of the day; gives what was printed.
fn titrate(home: &Path, seed: u64, what: &[&str], beaker: &str, more: &[&str]) -> String {
    let port = format!("simulator@2000:{seed}:{beaker}");
    let mut all: Vec<&str> = what.to_vec();
    all.extend(["--plain", "--profile", "demo-bench", "--port", &port]);
    all.extend(more);
    done(home, &all)
}

#[test]
fn from_the_electrode_to_the_results_with_one_portion_set_aside() {
    let seed = 11;
    let day = Day::drawn(seed);
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let list = home.join("equipment.toml");
    std::fs::write(&list, EQUIPMENT).unwrap();
    let entered = done(home, &["equipment", "add", list.to_str().unwrap()]);
    assert_eq!(entered.lines().filter(|line| line.starts_with("enter")).count(), 6, "{entered}");
    assert!(done(home, &["equipment", "add", list.to_str().unwrap()]).contains("nothing has changed"));

    // The electrode, in three buffers, by dipping alone.
    let port = format!("simulator@20:{seed}:buffers");
    let check = done(
        home,
        &[
            "electrode",
            "check",
            "--electrode",
            "glass 3",
            "--buffer",
            "4.005",
            "--buffer",
            "6.865",
            "--buffer",
            "9.180",
            "--rest",
            "1",
            "--profile",
            "demo-bench",
            "--port",
            &port,
            "--json",
        ],
    );
    let check = json_lines(&check).pop().unwrap();
    assert_eq!(check["accepted"], true, "{check}");
    let slope = check["slope_percent"].as_f64().unwrap();
    assert!((94.0..101.5).contains(&slope), "{slope}");

    // The titrant, three portions of phthalate.
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
                "factor",
                "--portion",
                &n.to_string(),
                "--portions",
                "3",
            ],
        );
        assert!(told.contains("result    strength of sodium hydroxide"), "{told}");
    }
    let accepted = done(home, &["titrant", "accept", "hydroxide lot 7", "--series", "factor"]);
    assert!(accepted.contains("accepted hydroxide lot 7"), "{accepted}");
    let factor = json_lines(&done(home, &["titrant", "list", "--json"])).pop().unwrap()["factor"].clone();
    let (c, u) = (factor["value"].as_f64().unwrap(), factor["u"].as_f64().unwrap());
    // Carbonate counts once at the end-point of a weak acid, twice in the strength of the day.
    let truth = day.base_mol_l * (1.0 - day.carbonate / 2.0);
    assert!((c - truth).abs() < 4.0 * u, "{c} ± {u}, truth {truth}");

    // Two blanks, two samples of three portions with one more where one is set aside, a control.
    for n in [1, 2] {
        titrate(home, seed, &["blank", "vinegar-acidity"], &format!("blank/{n}"), &["--series", "monday"]);
    }
    let sample = |name: &str, beaker: &str, n: u32, mass: &str, role: &str| {
        titrate(
            home,
            seed,
            &["run", "vinegar-acidity"],
            &format!("{beaker}={mass}/{n}"),
            &[
                "--sample",
                name,
                "--mass",
                mass,
                "--series",
                "monday",
                "--portion",
                &n.to_string(),
                "--portions",
                "3",
                "--as",
                role,
            ],
        )
    };
    for (n, mass) in [(1, "1.6021"), (2, "1.5873"), (3, "1.6110")] {
        let told = sample("jar A", "vinegar-a", n, mass, "sample");
        assert!(told.contains("SIMULATED") && told.contains("acidity as acetic acid"), "{told}");
        sample("jar B", "vinegar-b", n + 3, mass, "sample");
        sample("control", "control", n + 6, mass, "control");
    }
    let listed = json_lines(&done(home, &["series", "monday", "--json"]));
    let of = |listed: &[Value], sample: &str| {
        listed.iter().find(|row| row["sample"] == sample).unwrap_or_else(|| panic!("no {sample}")).clone()
    };
    for (sample, truth) in [
        ("jar A", day.content_g_100g[0]),
        ("jar B", day.content_g_100g[1]),
        ("control", day.content_g_100g[2]),
    ] {
        let row = of(&listed, sample);
        let mean = &row["result"]["results"][0]["mean"];
        let (value, expanded) = (mean["value"].as_f64().unwrap(), mean["expanded"].as_f64().unwrap());
        // Twice the stated interval: one day says nothing about 95 %, the long study does.
        assert!((value - truth).abs() < 2.0 * expanded, "{sample}: {value} ± {expanded}, truth {truth}");
        assert!(expanded / value < 0.01, "{sample}: {expanded} of {value}");
        assert_eq!(mean["incomplete"], Value::Null, "{mean}");
        assert_eq!(row["result"]["counted"], 3);
    }

    // Millivolts become pH by the check, where a procedure wants it; the check is kept with the run.
    let text = dropwise::work::Procedure::shipped("vinegar-acidity").unwrap();
    let own = home.join("own.toml");
    std::fs::write(&own, text.replace("kind = \"glass\"", "kind = \"glass\"\nsignal = \"ph-from-check\""))
        .unwrap();
    let told = titrate(
        home,
        seed,
        &["run", own.to_str().unwrap()],
        "vinegar-a=1.6021/21",
        &["--sample", "jar A", "--mass", "1.6021", "--series", "own", "--value", "V_blank=0.3 mL"],
    );
    assert!(told.contains("end-point") && told.contains("pH"), "{told}");
    let latest = json_lines(&done(home, &["list", "--most", "1", "--json"])).pop().unwrap();
    let shown = done(home, &["show", &latest["run"].to_string(), "--json"]);
    let shown: Value = serde_json::from_str(&shown).unwrap();
    assert!(shown["head"]["expectation"]["ph_from"]["check"].as_i64().unwrap() > 0, "{shown}");

    // A portion is set aside: it stays in every list, and does not count.
    let run_id = of(&listed, "jar B")["portions"][1]["run"].as_i64().unwrap().to_string();
    assert!(!run(home, &["set-aside", &run_id, "--reason", " "]).status.success());
    done(home, &["set-aside", &run_id, "--reason", "the stirrer stood still"]);
    let again = of(
        &json_lines(&String::from_utf8_lossy(&run(home, &["series", "monday", "--json"]).stdout)),
        "jar B",
    );
    assert_eq!(again["result"]["counted"], 2);
    assert_eq!(again["result"]["started"], 3);
    assert_eq!(again["portions"][1]["set_aside"], "the stirrer stood still");
    assert_eq!(
        again["result"]["next"]["next"], "failed",
        "two count, three are needed, and none may be added"
    );

    // What is simulated is never accepted as the result of a sample.
    let refused = run(home, &["series", "monday", "--accept", "jar A"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("simulator"), "{refused:?}");

    // The control chart of the day has its point.
    let chart = done(home, &["control", "vinegar-acidity", "--json"]);
    assert_eq!(json_lines(&chart).len(), 1, "{chart}");
    let verified = done(home, &["record", "verify"]);
    assert!(!verified.is_empty());
}

#[test]
fn a_run_without_a_factor_says_that_its_budget_is_incomplete() {
    let folder = tempfile::tempdir().unwrap();
    let told = titrate(
        folder.path(),
        3,
        &["run", "vinegar-acidity"],
        "vinegar-a=1.6",
        &["--sample", "jar", "--mass", "1.6", "--value", "V_blank=0.3 mL +- 0.01"],
    );
    assert!(told.contains("was never standardised"), "{told}");
    assert!(told.contains("incomplete"), "{told}");
    let told = titrate(folder.path(), 3, &["run", "vinegar-acidity"], "vinegar-a=1.6", &["--mass", "1.6"]);
    assert!(told.contains("there is no blank titrated in this series"), "{told}");
}
