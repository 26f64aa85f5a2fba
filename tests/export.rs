//! What leaves the record: tables in every format, whole runs and back, files for another system; through the public binary.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

mod program;

use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::{Field, RowAccessor};
use program::dropwise;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Child, Output, Stdio};
use std::time::{Duration, Instant};

fn run(home: &Path, arguments: &[&str]) -> Output {
    dropwise(home).args(arguments).output().unwrap()
}

fn done(home: &Path, arguments: &[&str]) -> String {
    let output = run(home, arguments);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{arguments:?}\n{text}\n{}", String::from_utf8_lossy(&output.stderr));
    text
}

fn refused(home: &Path, arguments: &[&str]) -> (i32, String) {
    let output = run(home, arguments);
    assert!(!output.status.success(), "{arguments:?} was not refused");
    (output.status.code().unwrap_or(-1), String::from_utf8_lossy(&output.stderr).into_owned())
}

fn lines(text: &str) -> Vec<Value> {
    text.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}"))).collect()
}

/// Titrates a portion on the simulated bench.
fn titrate(home: &Path, sample: &str, nth: u32, series: &str) {
    let port = format!("simulator@2000:5:vinegar-a=1.6/{nth}");
    let portion = nth.to_string();
    done(
        home,
        &[
            "run",
            "vinegar-acidity",
            "--plain",
            "--profile",
            "demo-bench",
            "--port",
            &port,
            &format!("--sample={sample}"),
            "--mass",
            "1.6",
            &format!("--series={series}"),
            "--portion",
            &portion,
            "--portions",
            "3",
            "--value",
            "V_blank=0.3 mL +- 0.01",
        ],
    );
}

/// What people and instruments could send to harm who reads it.
fn hostile() -> Vec<String> {
    vec![
        "<script>alert(1)</script>".to_owned(),
        "=HYPERLINK(\"http://192.0.2.1\",\"x\")".to_owned(),
        "+1+cmd|' /C calc'!A0".to_owned(),
        "@SUM(1,2)".to_owned(),
        "-2+3".to_owned(),
        "\u{1b}[2J\u{1b}]0;owned\u{7}".to_owned(),
        "\u{9b}2J\u{202e}dlog\u{200b}\u{feff}".to_owned(),
        "a,b;\"c\"\r\n=1\td".to_owned(),
        format!("{}\u{b5}", "x".repeat(10_000)),
    ]
}

fn is_harmless(text: &str) -> bool {
    let hidden = |c: char| {
        (c.is_control() && !"\n\r".contains(c))
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
    };
    !text.contains(hidden)
}

fn bits(x: Option<f64>) -> Option<u64> {
    x.map(f64::to_bits)
}

type Row = BTreeMap<String, String>;

fn csv_rows(text: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let names = reader.headers().unwrap().clone();
    let rows = reader.records().map(|row| row.unwrap());
    rows.map(|row| names.iter().map(str::to_owned).zip(row.iter().map(str::to_owned)).collect()).collect()
}

#[test]
fn hostile_text_is_harmless_in_every_format_and_the_numbers_are_the_same_in_all() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let names = hostile();
    for (sample, nth) in names.iter().zip(1..) {
        titrate(home, sample, nth, sample);
    }
    done(home, &["set-aside", "2", "--reason", &names[1]]);
    let json = lines(&done(home, &["export", "--format", "jsonl"]));
    let of = |table: &str| -> Vec<&Value> { json.iter().filter(|row| row["table"] == table).collect() };
    let (results, portions, points) = (of("results"), of("portions"), of("points"));
    assert_eq!((results.len(), portions.len()), (names.len(), names.len()));
    assert!(points.len() > 20 * names.len(), "{}", points.len());
    assert_eq!(portions[1]["state"], "set aside");
    assert_eq!(portions[1]["set_aside_because"], names[1].as_str());
    for (row, name) in portions.iter().zip(&names) {
        // JSON keeps what was entered to the last character, and shows none of what is hidden.
        assert_eq!(row["sample"], name.as_str());
        assert_eq!((&row["origin"], &row["recorded_origin"]), (&"simulator".into(), &"simulator".into()));
        assert_eq!(row["schema"], 1);
    }
    let text = done(home, &["export", "--format", "jsonl"]);
    assert!(is_harmless(&text));

    // CSV: the same figures, and no cell that a spreadsheet or a terminal would obey.
    for (what, same) in [("results", &results), ("portions", &portions), ("points", &points)] {
        let text = done(home, &["export", "--what", what]);
        assert!(is_harmless(&text), "{what}");
        let rows = csv_rows(&text);
        assert_eq!(rows.len(), same.len(), "{what}");
        for (row, json) in rows.iter().zip(same.iter()) {
            for (column, cell) in row {
                match &json[column] {
                    Value::Null => assert_eq!(cell, "", "{column}"),
                    Value::Number(n) => assert_eq!(bits(cell.parse().ok()), bits(n.as_f64()), "{column}"),
                    _ => assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r']), "{column}: {cell}"),
                }
            }
        }
    }

    // Parquet: values to the last bit, units in the metadata.
    let file = home.join("points.parquet");
    done(home, &["export", "--what", "points", "-o", file.to_str().unwrap()]);
    let reader = SerializedFileReader::new(std::fs::File::open(&file).unwrap()).unwrap();
    let metadata = reader.metadata().file_metadata().key_value_metadata().unwrap().clone();
    let units = metadata.iter().find(|pair| pair.key == "dropwise.units").unwrap().value.clone().unwrap();
    let units: Value = serde_json::from_str(&units).unwrap();
    assert_eq!((&units["volume_ml"], &units["temperature_degc"]), (&"mL".into(), &"degC".into()));
    let mut count = 0;
    for (row, json) in reader.get_row_iter(None).unwrap().zip(&points) {
        let row = row.unwrap();
        for (at, (name, field)) in row.get_column_iter().enumerate() {
            match field {
                Field::Null => assert_eq!(json[name], Value::Null, "{name}"),
                Field::Str(text) => assert_eq!(json[name], text.as_str(), "{name}"),
                Field::Double(x) => assert_eq!(bits(json[name].as_f64()), bits(Some(*x)), "{name}"),
                Field::Long(_) => assert_eq!(json[name].as_i64(), Some(row.get_long(at).unwrap()), "{name}"),
                Field::TimestampMicros(us) => {
                    let moment: jiff::Timestamp = json[name].as_str().unwrap().parse().unwrap();
                    assert_eq!(moment.as_microsecond(), *us);
                }
                other => panic!("{name}: {other}"),
            }
        }
        count += 1;
    }
    assert_eq!(count, points.len());

    // The spreadsheet is there whole; its values are compared by the script of the CI, which has a reader of its own.
    let book = home.join("all.xlsx");
    done(home, &["export", "-o", book.to_str().unwrap()]);
    assert!(std::fs::metadata(&book).unwrap().len() > 10_000);
    let (code, told) = refused(home, &["export", "-o", book.to_str().unwrap()]);
    assert!(code == 2 && told.contains("--replace"), "{told}");
    done(home, &["export", "--replace", "-o", book.to_str().unwrap()]);
    let left: Vec<_> = std::fs::read_dir(home)
        .unwrap()
        .filter(|e| e.as_ref().unwrap().file_name().to_string_lossy().ends_with(".part"))
        .collect();
    assert!(left.is_empty(), "{left:?}");

    // For readers of others: the script of the CI compares them.
    if let Some(folder) = std::env::var_os("DROPWISE_TEST_TABLES").map(std::path::PathBuf::from) {
        std::fs::write(folder.join("all.jsonl"), &text).unwrap();
        std::fs::copy(&book, folder.join("all.xlsx")).unwrap();
        for what in ["results", "portions", "points"] {
            let to = folder.join(format!("{what}.parquet"));
            done(home, &["export", "--what", what, "-o", to.to_str().unwrap()]);
        }
    }

    // By month, as engines look for them.
    let months = home.join("months");
    done(home, &["export", "--by-month", months.to_str().unwrap()]);
    let month = jiff::Timestamp::now().strftime("month=%Y-%m").to_string();
    for table in ["results", "portions", "points"] {
        assert!(months.join(table).join(&month).join("part.parquet").exists(), "{table} {month}");
    }

    // Selections.
    let count = |arguments: &[&str]| {
        csv_rows(&done(home, &[&["export", "--what", "portions"], arguments].concat())).len()
    };
    assert_eq!(count(&["3", "4"]), 2);
    assert_eq!(count(&["--sample", &names[0]]), 1);
    assert_eq!(count(&["--series", &names[3]]), 1);
    assert_eq!(count(&["--state", "set-aside"]), 1);
    assert_eq!(count(&["--state", "ended"]), names.len() - 1);
    assert_eq!(count(&["--procedure", "vinegar-acidity"]), names.len());
    assert_eq!(count(&["--procedure", "another"]), 0);
    assert_eq!(count(&["--since", "2001-01-01", "--until", "2001-12-31"]), 0);
    assert_eq!(count(&["--since", "2001-01-01"]), names.len());
    let (code, told) = refused(home, &["export", "99"]);
    assert!(code == 5 && told.contains("no run 99"), "{told}");
    let (code, told) = refused(home, &["export", "--format", "xlsx"]);
    assert!(code == 2 && told.contains("-o FILE.xlsx"), "{told}");
    let (code, told) = refused(home, &["export", "-o", "runs.doc"]);
    assert!(code == 2 && told.contains("--format"), "{told}");

    // The schema describes what came.
    let schema: Value = serde_json::from_str(&done(home, &["export", "--schema"])).unwrap();
    for row in [results[0], portions[0], points[0]] {
        let table = schema["oneOf"].as_array().unwrap().iter().find(|t| t["title"] == row["table"]).unwrap();
        let mut described: Vec<&String> = table["properties"].as_object().unwrap().keys().collect();
        let mut came: Vec<&String> = row.as_object().unwrap().keys().collect();
        described.sort();
        came.sort();
        assert_eq!(described, came);
    }
}

#[test]
fn a_whole_record_goes_out_and_comes_back_under_its_own_anchor() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path().join("there");
    for nth in 1..=3 {
        titrate(&home, "jar \u{1b}[31m A", nth, "monday");
    }
    done(&home, &["set-aside", "2", "--reason", "the stirrer stood still"]);
    let anchor = done(&home, &["record", "anchor"]);
    let file = folder.path().join("runs.jsonl");
    let file = file.to_str().unwrap();
    done(&home, &["export", "--whole", "-o", file]);
    let text = std::fs::read_to_string(file).unwrap();
    assert!(lines(&text).len() > 300);

    let here = folder.path().join("here");
    let told = done(&here, &["import", file]);
    assert!(told.contains(anchor.trim()), "{told}");
    let verified = done(&here, &["record", "verify", "--anchor", anchor.trim()]);
    assert!(verified.contains("as it was written"), "{verified}");
    // The same runs, the same numbers; the origin says that they were taken from elsewhere, and from where before.
    let (there, back) = (
        lines(&done(&home, &["export", "--format", "jsonl"])),
        lines(&done(&here, &["export", "--format", "jsonl"])),
    );
    assert_eq!(there.len(), back.len());
    for (a, mut b) in there.into_iter().zip(back) {
        assert_eq!(b["origin"], "imported");
        b["origin"] = a["origin"].clone();
        assert_eq!(a, b);
    }
    assert!(done(&here, &["show", "1"]).contains("IMPORTED: not the result of a sample"));
    let reviewed = done(&here, &["review", "--all"]);
    assert!(reviewed.contains("imported from runs.jsonl, anchor "), "{reviewed}");
    // Not into a record that holds something, and no run of it is accepted.
    let (code, told) = refused(&here, &["import", file]);
    assert!(code == 5 && told.contains("empty record"), "{told}");
    let (_, told) = refused(&here, &["series", "monday", "--accept", "jar \u{1b}[31m A"]);
    assert!(told.contains("imported"), "{told}");
    // What is recorded from now on is not imported.
    titrate(&here, "jar B", 7, "tuesday");
    let latest = lines(&done(&here, &["list", "--most", "1", "--json"])).pop().unwrap();
    assert_eq!((&latest["origin"], &latest["run"]), (&"simulator".into(), &4.into()));
    done(&here, &["record", "verify", "--anchor", anchor.trim()]);

    // A file that was changed, cut, or has a row more is refused, and leaves nothing.
    let third = folder.path().join("third");
    let altered = [
        ("changed", text.replacen("the stirrer stood still", "the stirrer stood  still", 1)),
        ("cut", text[..text.len() / 2].to_owned()),
        (
            "without its end",
            text.lines().filter(|l| !l.starts_with("{\"end\"")).map(|l| format!("{l}\n")).collect(),
        ),
        ("a row less", {
            let at = text.lines().position(|l| l.starts_with("{\"reading\"")).unwrap();
            text.lines().enumerate().filter(|(n, _)| *n != at).map(|(_, l)| format!("{l}\n")).collect()
        }),
        ("no such file", "hello\n".to_owned()),
    ];
    for (what, text) in altered {
        let path = folder.path().join("altered.jsonl");
        std::fs::write(&path, text).unwrap();
        let (code, _) = refused(&third, &["import", path.to_str().unwrap()]);
        assert_eq!(code, 5, "{what}");
        let left: Vec<String> = std::fs::read_dir(&third)
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .filter(|name| name.contains("record.db") && !name.contains("lock"))
            .collect();
        assert!(left.is_empty(), "{what}: {left:?}");
    }

    // Chosen runs come with the lines that they were read from, and are sealed anew.
    let some = folder.path().join("some.jsonl");
    let some = some.to_str().unwrap();
    done(&home, &["export", "2", "3", "--whole", "-o", some]);
    let fourth = folder.path().join("fourth");
    done(&fourth, &["import", some]);
    done(&fourth, &["record", "verify"]);
    let listed: Vec<Value> = lines(&done(&fourth, &["list", "--json"]));
    let runs: Vec<&Value> = listed.iter().map(|row| &row["run"]).collect();
    assert_eq!(runs, [3, 2]);
    assert_eq!(listed[1]["set_aside"], "the stirrer stood still");
}

fn files(folder: &Path) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut names: Vec<String> = entries
        .map(|e| e.unwrap())
        .filter(|e| e.file_type().unwrap().is_file())
        .map(|e| e.file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

fn watch(home: &Path, folder: &Path) -> Child {
    let mut command = dropwise(home);
    command.args(["export", "--format", "csv", "--what", "portions", "--watch"]).arg(folder);
    command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
}

#[test]
fn each_run_is_handed_out_once_whoever_is_killed() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path().join("bench");
    let out = folder.path().join("out");
    let taken = folder.path().join("taken");
    std::fs::create_dir_all(&taken).unwrap();
    let mut picked: BTreeMap<String, u32> = BTreeMap::new();
    for nth in 1..=4 {
        titrate(&home, "jar", nth, "monday");
    }
    let patience = Instant::now() + Duration::from_secs(120);
    let mut tries = 0_u64;
    let mut further = 5;
    while picked.len() < 6 && Instant::now() < patience {
        let mut child = watch(&home, &out);
        // Killed ever later: before its first file, between files, after the last.
        let until = Instant::now() + Duration::from_millis(15 + 40 * tries);
        tries += 1;
        if tries == 3 || tries == 5 {
            titrate(&home, "jar", further, "monday");
            further += 1;
        }
        while Instant::now() < until {
            for name in files(&out) {
                // The other system takes a file away at once; each is whole.
                let text = std::fs::read_to_string(out.join(&name)).unwrap();
                assert_eq!(csv_rows(&text).len(), 1, "{name}: {text}");
                std::fs::rename(out.join(&name), taken.join(format!("{name}.{tries}"))).unwrap();
                *picked.entry(name).or_default() += 1;
            }
            std::thread::sleep(Duration::from_millis(3));
        }
        child.kill().unwrap();
        child.wait().unwrap();
    }
    // Once more in peace, until it is asked to stop.
    let mut child = watch(&home, &out);
    std::thread::sleep(Duration::from_millis(1_500));
    let pid = nix::unistd::Pid::from_raw(i32::try_from(child.id()).unwrap());
    nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).unwrap();
    assert!(child.wait().unwrap().success());
    for name in files(&out) {
        *picked.entry(name).or_default() += 1;
    }
    assert_eq!(picked.len(), 6, "{picked:?}");
    assert!(picked.values().all(|n| *n == 1), "{picked:?}");
    assert_eq!(files(&out.join(".dropwise")), ["handed-out"]);
}
