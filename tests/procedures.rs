//! Every procedure that ships, through the public binary, against its fixture runs: published calculations, published
//! curves, and curves of an independent solver. Each file in `fixtures/procedures/` names the source of its figures.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

fn fixtures() -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/procedures");
    let mut found = Vec::new();
    for folder in std::fs::read_dir(root).unwrap().map(|e| e.unwrap().path()).filter(|p| p.is_dir()) {
        let files = std::fs::read_dir(&folder).unwrap().map(|e| e.unwrap().path());
        found.extend(files.filter(|p| p.extension().is_some_and(|e| e == "toml")));
    }
    found.sort();
    found
}

/// The options that give a fixture's values, with their uncertainties behind them.
fn options(file: &Path, run: &toml::Table) -> Vec<String> {
    let u = run.get("u").and_then(toml::Value::as_table).cloned().unwrap_or_default();
    let mut options = Vec::new();
    let mut give = |name: &str, text: &str| {
        let with = u.get(name).map_or_else(String::new, |u| format!(" +- {}", u.as_str().unwrap()));
        options.extend(["--value".to_owned(), format!("{name}={text}{with}")]);
    };
    for (group, suffix) in
        [("values", ""), ("volumes", ""), ("strengths", ""), ("constants", ""), ("blank", "_blank")]
    {
        for (name, value) in run.get(group).and_then(toml::Value::as_table).into_iter().flatten() {
            give(&format!("{name}{suffix}"), value.as_str().unwrap());
        }
    }
    for name in ["t_run"] {
        if let Some(value) = run.get(name) {
            give(name, value.as_str().unwrap());
        }
    }
    if let Some(repeatability) = u.get("repeatability") {
        give("repeatability", repeatability.as_str().unwrap());
    }
    if let Some(temperature) = run.get("temperature") {
        let text = temperature.as_str().unwrap().trim_end_matches("degC").trim();
        options.extend(["--temperature".to_owned(), text.to_owned()]);
    }
    if let Some(curve) = run.get("curve") {
        let curve = file.parent().unwrap().join(curve.as_str().unwrap());
        options.extend(["--curve".to_owned(), curve.display().to_string()]);
    }
    options
}

fn computed(file: &Path, run: &toml::Table, more: &[&str]) -> Value {
    let home = tempfile::tempdir().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_dropwise"))
        .args([
            "--home",
            home.path().to_str().unwrap(),
            "compute",
            run["procedure"].as_str().unwrap(),
            "--json",
        ])
        .args(options(file, run))
        .args(more)
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    serde_json::from_str(&text)
        .unwrap_or_else(|_| panic!("{}: {}", file.display(), String::from_utf8_lossy(&output.stderr)))
}

fn number(value: &toml::Value) -> f64 {
    value.as_float().or_else(|| value.as_integer().map(|i| i as f64)).unwrap()
}

fn close(what: &str, found: f64, expected: f64, tolerance: &toml::Value) -> Option<String> {
    let allowed = match (tolerance.get("relative"), tolerance.get("absolute")) {
        (Some(relative), _) => number(relative) * expected.abs(),
        (None, Some(absolute)) => number(absolute),
        (None, None) => panic!("{what}: no tolerance"),
    };
    ((found - expected).abs() > allowed)
        .then(|| format!("{what}: {found}, expected {expected} within {allowed}"))
}

#[test]
fn every_procedure_gives_what_its_fixtures_say() {
    let mut wrong = Vec::new();
    let mut checked = 0;
    for file in fixtures() {
        let name = file.strip_prefix(env!("CARGO_MANIFEST_DIR")).unwrap().display().to_string();
        let run: toml::Table = std::fs::read_to_string(&file).unwrap().parse().unwrap();
        let computed = computed(&file, &run, &[]);
        let result = &computed["result"];
        for end_point in run.get("end_point").and_then(toml::Value::as_array).into_iter().flatten() {
            let find = end_point["name"].as_str().unwrap();
            let found = result["inputs"].as_array().unwrap().iter().find(|i| i["name"] == find);
            let Some(volume) = found.and_then(|i| i["value"].as_f64()) else {
                wrong.push(format!("{name}: {find} was not found: {}", result["missing"]));
                continue;
            };
            let (expected, allowed) = (number(&end_point["volume_mL"]), number(&end_point["tolerance_mL"]));
            if (volume - expected).abs() > allowed {
                wrong.push(format!("{name}: {find} at {volume}, expected {expected} within {allowed}"));
            }
        }
        for expected in run["expected"].as_array().unwrap() {
            let title = expected["name"].as_str().unwrap();
            let found = result["results"].as_array().unwrap().iter().find(|r| r["name"] == title);
            let Some(found) = found else {
                wrong.push(format!("{name}: no result {title}: {}", result["missing"]));
                continue;
            };
            assert_eq!(found["unit"], expected["unit"].as_str().unwrap(), "{name}");
            let value = found["value"].as_f64().unwrap();
            wrong.extend(close(
                &format!("{name}: {title}"),
                value,
                number(&expected["value"]),
                &expected["tolerance"],
            ));
            if let (Some(u), Some(tolerance)) = (expected.get("u"), expected.get("u_tolerance")) {
                let found = found["u"].as_f64().unwrap();
                wrong.extend(close(&format!("{name}: u of {title}"), found, number(u), tolerance));
            }
            if let Some(rounded) = expected.get("rounded") {
                let told: f64 = found["told"].as_str().unwrap().parse().unwrap();
                if (told - number(rounded)).abs() > 1e-9 {
                    wrong.push(format!("{name}: {title} is told as {told}, expected {rounded}"));
                }
            }
            checked += 1;
        }
    }
    assert!(checked > 40, "{checked} results only");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Fixtures with published uncertainties: examples A2 and A3 of the EURACHEM/CITAC guide, through shipping procedures.
fn guide_examples() -> Vec<(PathBuf, toml::Table)> {
    let read = |file: PathBuf| {
        let run: toml::Table = std::fs::read_to_string(&file).unwrap().parse().unwrap();
        (file, run)
    };
    let guide = |(_, run): &(PathBuf, toml::Table)| {
        run.get("source").is_some_and(|source| source.as_str().unwrap().contains("EURACHEM/CITAC"))
    };
    fixtures().into_iter().map(read).filter(guide).collect()
}

#[test]
fn random_trials_agree_with_the_budget_within_their_own_error() {
    let examples = guide_examples();
    assert!(examples.len() >= 2, "A2 and A3");
    for (file, run) in examples {
        let computed = computed(&file, &run, &["--trials", "200000"]);
        let (first, trials) = (&computed["result"]["results"][0], &computed["simulated"][0]);
        let (u, simulated) = (first["u"].as_f64().unwrap(), trials["u"].as_f64().unwrap());
        let error = trials["error_of_u"].as_f64().unwrap();
        assert!((u - simulated).abs() < 4.0 * error + 1e-3 * u, "{}: {u} {simulated}", file.display());
    }
}

#[test]
fn each_contribution_of_the_guide_comes_out_of_the_shipping_procedures() {
    let mut checked = 0;
    for (file, run) in guide_examples() {
        let computed = computed(&file, &run, &[]);
        let inputs = computed["result"]["inputs"].as_array().unwrap();
        for expected in run["expected"].as_array().unwrap() {
            let Some(contributions) = expected.get("contributions").and_then(toml::Value::as_table) else {
                continue;
            };
            let result = computed["result"]["results"].as_array().unwrap().iter();
            let result = result.clone().find(|r| r["name"] == expected["name"].as_str().unwrap()).unwrap();
            let value = result["value"].as_f64().unwrap();
            for (name, printed) in contributions {
                let input = inputs.iter().find(|input| input["name"] == *name);
                let input = input.unwrap_or_else(|| panic!("{}: no input {name}", file.display()));
                // The lines of the budget that this input brought.
                let own: Vec<&str> = input["sources"]
                    .as_array()
                    .unwrap_or_else(|| panic!("{}: {name} has no source", file.display()))
                    .iter()
                    .filter_map(|source| source["name"].as_str())
                    .collect();
                let lines = result["budget"].as_array().unwrap().iter();
                let sum: f64 = lines
                    .filter(|line| own.contains(&line["name"].as_str().unwrap()))
                    .map(|line| line["contribution"].as_f64().unwrap().powi(2))
                    .sum();
                let (relative, printed) = (sum.sqrt() / value, number(printed));
                // Half of the last digit that is printed: all are printed with two significant ones at most.
                let digit = 10_f64.powf(printed.log10().floor() - 1.0);
                assert!(
                    (relative - printed).abs() <= 0.51 * digit,
                    "{}: {name} contributes {relative}, printed {printed}",
                    file.display()
                );
                checked += 1;
            }
        }
    }
    assert!(checked >= 12, "{checked} contributions only");
}

#[test]
fn every_procedure_has_a_fixture_that_says_what_came_from_outside() {
    for name in dropwise::work::Procedure::shipped_names() {
        let mut outside = 0;
        for file in fixtures() {
            let run: toml::Table = std::fs::read_to_string(&file).unwrap().parse().unwrap();
            if run["procedure"].as_str() != Some(name) {
                continue;
            }
            assert!(
                run.contains_key("source") || run.contains_key("made"),
                "{}: neither a source nor what made it",
                file.display()
            );
            for expected in run["expected"].as_array().unwrap() {
                let told = expected.get("from_outside").and_then(toml::Value::as_str).unwrap_or_default();
                assert!(!told.is_empty(), "{}: not said what came from outside", file.display());
                outside += usize::from(!told.contains("recomputed") || told.contains("published"));
            }
        }
        assert!(outside > 0, "{name}: no value that is not computed by this repository's code");
    }
}

fn plan(arguments: &[&str]) -> (Option<i32>, String) {
    let home = tempfile::tempdir().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_dropwise"))
        .args(["--home", home.path().to_str().unwrap(), "plan"])
        .args(arguments)
        .output()
        .unwrap();
    let told =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    (output.status.code(), told)
}

#[test]
fn a_rehearsal_tells_jump_and_steps_and_refuses_names_it_does_not_know() {
    let (code, told) = plan(&[
        "vinegar-acidity",
        "--expect",
        "5",
        "--value",
        "m=1.5",
        "--burette",
        "20",
        "--value",
        "V_blank=0.03",
    ]);
    assert_eq!(code, Some(0), "{told}");
    for needed in
        ["titrant   12.5", "63 % of 20 mL", "jump      ", "<- advised", "ruled by", "of the variance"]
    {
        assert!(told.contains(needed), "{needed} is not in {told}");
    }
    // Too little for the burette: told, and the exit code says so.
    let (code, told) = plan(&["vinegar-acidity", "--expect", "5", "--value", "m=0.3", "--burette", "20"]);
    assert_eq!(code, Some(1), "{told}");
    assert!(told.contains("take more") && told.contains("no V_blank is known"), "{told}");
    // A trace of chloride in steps that are wider than its jump.
    let trace = ["chloride-in-water", "--expect", "1 mg/L", "--value", "V_s=100", "--step", "0.1"];
    let (code, told) = plan(&trace);
    assert_eq!(code, Some(1), "{told}");
    for (value, words) in
        [("mm=1.5", "did you mean `m`?"), ("m=1.5 mL", "measured in g, not in mL"), ("m=heavy", "m: ")]
    {
        let (code, told) = plan(&["vinegar-acidity", "--expect", "5", "--value", value]);
        assert_eq!(code, Some(2), "{told}");
        assert!(told.contains(words), "{value}: {told}");
    }
    let (code, told) = plan(&["vinegar-acidity", "--expect", "5 mL", "--value", "m=1.5"]);
    assert_eq!(code, Some(2), "{told}");
    let (code, told) = plan(&["saponification-value", "--expect", "190", "--value", "m=2"]);
    assert_eq!(code, Some(2), "{told}");
    assert!(told.contains("V_blank"), "a negative volume needs its blank: {told}");
}
