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

    // What is simulated is accepted as practice, never as the result of a sample: neither ledger nor exports call it accepted.
    let told = done(home, &["series", "monday", "--accept", "jar A"]);
    assert!(told.contains("as practice: SIMULATED"), "{told}");
    let ledger = json_lines(&done(home, &["review", "--all", "--json"]));
    let is_there = |verb: &str| ledger.iter().any(|row| row["verb"] == verb && row["who"] != "recorder");
    assert!(is_there("practise"), "{ledger:?}");
    assert_eq!(done(home, &["export", "--state", "accepted", "--format", "jsonl"]), "");

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
    // Nobody ticked the steps of preparation: the run says so, and so does its report.
    assert!(told.contains("steps of preparation not ticked yet: 3"), "{told}");
    let report = run(folder.path(), &["report", "1"]);
    let report = String::from_utf8_lossy(&report.stdout).into_owned();
    assert!(report.contains("steps of preparation not ticked yet: 3"), "{report}");
    let told = titrate(folder.path(), 3, &["run", "vinegar-acidity"], "vinegar-a=1.6", &["--mass", "1.6"]);
    assert!(told.contains("there is no blank titrated in this series"), "{told}");
}

#[test]
fn a_reckoning_that_is_chosen_is_what_everything_reports_and_the_first_stands_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    for n in ["1", "2"] {
        titrate(
            home,
            5,
            &["run", "vinegar-acidity"],
            &format!("vinegar-a=1.6021/{n}"),
            &[
                "--sample",
                "jar",
                "--mass",
                "1.6021",
                "--series",
                "s",
                "--portion",
                n,
                "--portions",
                "3",
                "--value",
                "V_blank=0.05 mL",
                "--value",
                "c=0.1 mol/L",
            ],
        );
    }
    let show = || serde_json::from_str::<Value>(&done(home, &["show", "1", "--json"])).unwrap();
    let titrant = |shown: &Value| shown["findings"][0]["titrant"].as_f64().unwrap();
    let value = |shown: &Value| shown["result"]["results"][0]["value"].as_f64().unwrap();
    let before = show();
    // Another look: where a level is crossed. Only beside the first, until somebody chooses it.
    let again =
        done(home, &["reckon", "1", "--shape", "level", "--level", "8.0 pH", "--why", "as before", "--json"]);
    let again: Value = serde_json::from_str(again.trim()).unwrap();
    let level = again["end_points"][0]["titrant_mL"].as_f64().unwrap();
    assert!((level - titrant(&before)).abs() > 1e-3, "{again}");
    assert_eq!((titrant(&show()), value(&show())), (titrant(&before), value(&before)));
    let number = again["reckoning"].to_string();
    let silent = run(home, &["choose", &number, "--why", " "]);
    assert_eq!(silent.status.code(), Some(2), "{silent:?}");
    done(home, &["choose", &number, "--why", "the customer's method"]);

    let after = show();
    assert_eq!(after["reckoning"].to_string(), number);
    assert!((titrant(&after) - level).abs() < 1e-12, "{after}");
    // The result follows in proportion to what was used beyond the blank; all else stays as it entered.
    let expected = value(&before) * (level - 0.05) / (titrant(&before) - 0.05);
    assert!((value(&after) - expected).abs() < 1e-4 * expected, "{} {expected}", value(&after));
    let inputs = |shown: &Value| -> Vec<Value> {
        let all = shown["result"]["inputs"].as_array().unwrap().clone();
        all.into_iter().filter(|input| input["name"] != "V").collect()
    };
    assert_eq!(inputs(&after), inputs(&before));
    let listed = json_lines(&done(home, &["list", "--json"])).pop().unwrap();
    assert!((listed["end_points_mL"][0].as_f64().unwrap() - level).abs() < 1e-12, "{listed}");
    let series = json_lines(&String::from_utf8_lossy(&run(home, &["series", "s", "--json"]).stdout));
    let of_series = series[0]["portions"][0]["result"]["results"][0]["value"].as_f64().unwrap();
    assert!((of_series - value(&after)).abs() < 1e-12);
    let exported = done(home, &["export", "1", "--what", "portions", "--format", "jsonl"]);
    assert!(exported.contains(&format!("\"reckoning\":{number}")), "{exported}");
    let chosen = json_lines(&done(home, &["review", "--all", "--json"]));
    let row = chosen.iter().find(|row| row["verb"] == "report").unwrap();
    assert!(row["why"].as_str().unwrap().contains("the customer's method") && row["who"] != "", "{row}");

    // On paper: which, by whom and why, the first beside it; the certificate proves itself with the choice in it.
    let paper = home.join("run.pdf");
    let told = done(home, &["report", "1"]);
    for words in ["later, REPORTED by choice", "the first", "the customer's method", "reported: run 1"] {
        assert!(told.contains(words), "{words}: {told}");
    }
    done(home, &["report", "1", "-o", paper.to_str().unwrap()]);
    done(home, &["record", "verify", paper.to_str().unwrap()]);
    done(home, &["record", "verify"]);

    // Back to the first is a choice too; twice the same is none.
    done(home, &["choose", "1", "--why", "the level was a mistake"]);
    assert!((value(&show()) - value(&before)).abs() < 1e-12);
    assert_eq!(run(home, &["choose", "1", "--why", "again"]).status.code(), Some(5));
    done(home, &["set-aside", "1", "--reason", "spilt"]);
    let refused = run(home, &["choose", &number, "--why", "x"]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("was set aside: spilt"), "{refused:?}");
}

#[test]
fn steps_of_preparation_and_care_are_ticked_or_skipped_and_stand_in_ledger_and_report() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    titrate(
        home,
        3,
        &["run", "vinegar-acidity"],
        "vinegar-a=1.6",
        &["--sample", "jar", "--mass", "1.6", "--series", "s", "--portion", "1", "--portions", "2"],
    );
    let listed = || json_lines(&done(home, &["steps", "s", "--json"]));
    let open = listed();
    assert!(open.len() >= 4 && open.iter().all(|step| step["said"].is_null()), "{open:?}");
    let unreasoned = run(home, &["steps", "s", "--skip", "2"]);
    assert_eq!(unreasoned.status.code(), Some(2), "{unreasoned:?}");
    assert_eq!(run(home, &["steps", "s", "--done", "99"]).status.code(), Some(2));
    done(home, &["steps", "s", "--done", "1,3", "--skip", "2", "--reason", "no time"]);
    let said = listed();
    assert_eq!(
        (&said[0]["said"]["done"], &said[1]["said"]["done"]),
        (&Value::Bool(true), &Value::Bool(false))
    );
    assert_eq!(said[1]["said"]["why"], "no time");
    // What is due for each portion is open again for the next one; what is due for the series is not.
    let next = json_lines(&done(home, &["steps", "s", "--portion", "2", "--json"]));
    let each = |step: &Value| step["when"].as_str().unwrap().ends_with("portion");
    for (now, next) in said.iter().zip(&next) {
        assert_eq!(next["said"].is_null(), now["said"].is_null() || each(now), "{next}");
    }
    let rows = json_lines(&done(home, &["review", "--all", "--json"]));
    assert_eq!(rows.iter().filter(|row| row["verb"] == "do").count(), 2);
    assert!(rows.iter().any(|row| row["verb"] == "skip" && row["why"] == "no time"));
    let paper = done(home, &["report", "1"]);
    for words in ["Steps of preparation and care", "SKIPPED", "no time", "not told", "common practice"] {
        assert!(paper.contains(words), "{words}: {paper}");
    }
    let file = home.join("run.pdf");
    done(home, &["report", "1", "-o", file.to_str().unwrap()]);
    done(home, &["record", "verify", file.to_str().unwrap()]);
}
