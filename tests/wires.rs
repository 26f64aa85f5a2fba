//! 25 invented instruments, clean and damaged, with known truth (fixtures/wires): every sound reading is
//! found, and no wrong value gets in.
//!
//! DROPWISE_ANSWERS=FOLDER also writes the readings there, one file a capture.

mod support;

use dropwise::profile::{Decoded, Profile};
use dropwise::reading::{Quantity, Unit, Validity};
use std::path::{Path, PathBuf};
use std::sync::Arc;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/wires")
}

fn lines_of(frames: &[Decoded]) -> Vec<String> {
    let readings = frames.iter().flat_map(|frame| &frame.readings);
    readings
        .map(|r| {
            let mut line = serde_json::json!({
                "frame": r.frame, "t": r.at.seconds(), "quantity": r.quantity.name(), "value": r.value,
                "unit": r.unit.symbol(), "valid": r.validity == Validity::Valid,
            });
            if let Some(steady) = r.steady {
                line["steady"] = steady.into();
            }
            line.to_string()
        })
        .collect()
}

/// One line of the truth, or one answer: quantity and value in the canonical unit, `None` when not valid.
#[expect(clippy::unwrap_used, reason = "a truth with unknown words ends the test")]
fn meant(quantity: &str, value: Option<f64>, unit: &str) -> (Quantity, Option<f64>) {
    let quantity = Quantity::parse(quantity).unwrap();
    if (quantity, unit) == (Quantity::Absorbance, "1") {
        return (quantity, value);
    }
    (quantity, value.map(|v| Unit::parse(unit).unwrap().to_canonical(v)))
}

fn same(a: (Quantity, Option<f64>), b: (Quantity, Option<f64>)) -> bool {
    a.0 == b.0 && a.1.zip(b.1).is_some_and(|(a, b)| (a - b).abs() <= 1e-9 + 1e-6 * b.abs())
}

/// Every sound reading comes out, in order; whatever else comes out is what a hurt frame meant, or what it
/// seems to mean where nobody can know better.
#[test]
fn every_sound_reading_is_found_and_nothing_wrong_comes_out() {
    let mut captures = 0;
    for name in names() {
        let frames = replay(&name);
        let answers: Vec<_> = frames
            .iter()
            .flat_map(|frame| &frame.readings)
            .filter(|r| r.validity == Validity::Valid)
            .map(|r| meant(r.quantity.name(), r.value, r.unit.symbol()))
            .collect();
        let truth = std::fs::read_to_string(folder().join(format!("{name}.truth.jsonl"))).unwrap();
        let mut rest = answers.iter().copied().peekable();
        let mut left_over = Vec::new();
        let mut optional = Vec::new();
        let mut sound = 0;
        for line in truth.lines() {
            let line: serde_json::Value = serde_json::from_str(line).unwrap();
            let value = line.get("grown").or(line.get("value")).and_then(serde_json::Value::as_f64);
            let wanted = meant(line["quantity"].as_str().unwrap(), value, line["unit"].as_str().unwrap());
            if line.get("damage").is_some() || line.get("late").is_some() {
                optional.push(wanted);
                if line["damage"] == "hidden" {
                    optional.push(meant(
                        line["quantity"].as_str().unwrap(),
                        line["looks"].as_f64(),
                        line["unit"].as_str().unwrap(),
                    ));
                }
            } else if line["valid"] == true {
                sound += 1;
                loop {
                    match rest.next() {
                        Some(answer) if same(answer, wanted) => break,
                        Some(answer) => left_over.push(answer),
                        None => panic!("{name}: {line} does not come out"),
                    }
                }
            }
        }
        left_over.extend(rest);
        for answer in left_over {
            assert!(optional.iter().any(|o| same(answer, *o)), "{name}: {answer:?} is wrong");
        }
        assert!(sound > 30, "{name}: only {sound} readings");
        captures += 1;
    }
    assert_eq!(captures, 50);
}

/// A profile of a file.
fn profile(path: &Path) -> Arc<Profile> {
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let profile = Profile::parse(&path.display().to_string(), &text).unwrap_or_else(|mistakes| {
        panic!("{}", mistakes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    });
    Arc::new(profile)
}

#[expect(clippy::unwrap_used, reason = "a fixture that is none ends the test")]
fn names() -> Vec<String> {
    let entries = std::fs::read_dir(folder()).unwrap();
    let names = entries.map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned());
    let mut names: Vec<String> =
        names.filter_map(|name| name.strip_suffix(".wire.jsonl").map(str::to_owned)).collect();
    names.sort();
    names
}

fn replay(name: &str) -> Vec<Decoded> {
    let layout = name.strip_suffix("-damaged").unwrap_or(name);
    let profile = profile(&folder().join(format!("{layout}.toml")));
    support::decode(&profile, &support::capture(&folder().join(format!("{name}.wire.jsonl"))))
}

/// For a scorer outside of the project.
#[test]
fn answers_are_written_where_asked_for() {
    let Ok(answers) = std::env::var("DROPWISE_ANSWERS") else { return };
    for name in names() {
        let text = lines_of(&replay(&name)).join("\n") + "\n";
        std::fs::write(Path::new(&answers).join(format!("{name}.readings.jsonl")), text).unwrap();
    }
}
