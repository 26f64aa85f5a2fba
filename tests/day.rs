//! A whole day of an analyst on the simulated bench, through the public binary: electrode, titrant, blank, samples,
//! control, results. What is true that day is drawn from a seed, and has effects that no model of the program knows.

mod lab;
mod program;

use dropwise::source::simulate::Day;
use lab::{done, electrode_checked, equipped, portion, run, standardised, titrate};
use serde_json::Value;

fn json_lines(text: &str) -> Vec<Value> {
    text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect()
}

#[test]
fn from_the_electrode_to_the_results_with_one_portion_set_aside() {
    let seed = 11;
    let day = Day::drawn(seed);
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    equipped(home);

    // The electrode, in three buffers, by dipping alone.
    let check = electrode_checked(home, seed);
    let check = json_lines(&check).pop().unwrap();
    assert_eq!(check["accepted"], true, "{check}");
    let slope = check["slope_percent"].as_f64().unwrap();
    assert!((94.0..101.5).contains(&slope), "{slope}");

    // The titrant, three portions of phthalate.
    let accepted = standardised(home, seed, "factor");
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
        portion(home, seed, (name, role), &format!("{beaker}={mass}/{n}"), "monday", n, mass)
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
