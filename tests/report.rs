//! Reports through the public binary: a simulated series in text, HTML and PDF; what the reports carry proves the numbers
//! that they state, and an alteration of either is found.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

mod lab;
mod program;

use lab::{done, electrode_checked, equipped, portion, run, standardised, titrate};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Output;

/// The seed of the day.
const SEED: u64 = 11;

/// A name that would do harm in a terminal, in HTML, in SVG and in a line of text.
const HOSTILE: &str = "<script>alert(1)</script>\u{1b}[2J\u{202e}\u{200b}=1+1&\"'";

/// A day with one series: two blanks, three portions of a sample, one set aside of another.
fn day(home: &Path) {
    equipped(home);
    electrode_checked(home, SEED);
    standardised(home, SEED, "factor");
    titrate(home, SEED, &["blank", "vinegar-acidity"], "blank/1", &["--series", "monday"]);
    for (n, mass) in [(1, "1.6021"), (2, "1.5873"), (3, "1.6110")] {
        portion(home, SEED, ("jar A", "sample"), &format!("vinegar-a={mass}/{n}"), "monday", n, mass);
    }
    for (n, mass) in [(1, "1.6021"), (2, "1.5873"), (3, "1.6110")] {
        portion(home, SEED, ("jar B", "sample"), &format!("vinegar-b={mass}/{}", n + 3), "monday", n, mass);
    }
    done(home, &["set-aside", "9", "--reason", "the stirrer stood still"]);
}

fn text_of(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// Makes a report; a series outside its limits ends with 1.
fn report(home: &Path, name: &str, more: &[&str]) -> PathBuf {
    let path = home.join(name);
    let mut all = vec!["report"];
    all.extend(more);
    all.extend(["-o", path.to_str().unwrap()]);
    let output = run(home, &all);
    assert!(matches!(output.status.code(), Some(0 | 1)), "{}", text_of(&output));
    path
}

/// Verifies a report in an empty place: no record is needed.
fn verify(path: &Path) -> Output {
    let elsewhere = tempfile::tempdir().unwrap();
    run(elsewhere.path(), &["record", "verify", path.to_str().unwrap()])
}

fn squeezed(text: &str) -> String {
    text.split_whitespace().collect()
}

fn words_of_pdf(path: &Path) -> String {
    let document = lopdf::Document::load(path).unwrap();
    let pages: Vec<u32> = document.get_pages().into_keys().collect();
    squeezed(&document.extract_text(&pages).unwrap())
}

/// Rewrites an attachment of a PDF.
fn alter(path: &Path, to: &Path, name: &str, change: impl Fn(Vec<u8>) -> Vec<u8>) {
    let mut document = lopdf::Document::load(path).unwrap();
    let mut stream = None;
    for object in document.objects.values() {
        let Ok(dictionary) = object.as_dict() else { continue };
        let named =
            dictionary.get(b"F").and_then(lopdf::Object::as_str).is_ok_and(|own| own == name.as_bytes());
        if let (true, Ok(held)) = (named, dictionary.get(b"EF")) {
            stream = held.as_dict().unwrap().get(b"F").unwrap().as_reference().ok();
        }
    }
    let stream = document.get_object_mut(stream.unwrap()).unwrap().as_stream_mut().unwrap();
    let contents = stream.decompressed_content().unwrap_or_else(|_| stream.content.clone());
    stream.set_plain_content(change(contents));
    document.save(to).unwrap();
}

/// Changes a byte in every place where `from` stands.
fn replaced(mut bytes: Vec<u8>, from: &[u8], to: &[u8]) -> Vec<u8> {
    let mut found = 0;
    let mut at = 0;
    while at + from.len() <= bytes.len() {
        if bytes[at..].starts_with(from) {
            bytes[at..at + to.len()].copy_from_slice(to);
            found += 1;
        }
        at += 1;
    }
    assert!(found > 0, "{} is not there", String::from_utf8_lossy(from));
    bytes
}

#[test]
fn a_series_is_reported_in_three_forms_and_each_proves_its_numbers() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    day(home);
    std::fs::write(home.join("report.toml"), "lines = [\"Laboratory of the lower river\", \"Weir lane 3\"]")
        .unwrap();

    let listed = run(home, &["series", "monday", "--json"]);
    let listed: Vec<Value> = String::from_utf8_lossy(&listed.stdout)
        .lines()
        .filter_map(|line| serde_json::from_str(line).ok())
        .collect();
    let jar = listed.iter().find(|row| row["sample"] == "jar A").unwrap();
    let mean = &jar["result"]["results"][0]["mean"];
    let number = format!("{} {} ±", mean["told"].as_str().unwrap(), mean["unit"].as_str().unwrap());
    let anchor: Value = serde_json::from_str(&done(home, &["record", "anchor", "--json"])).unwrap();
    let hash = anchor["hash"].as_str().unwrap();

    let output = run(home, &["report", "monday"]);
    assert_eq!(output.status.code(), Some(1), "two of three portions count for jar B");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    for needed in [
        number.as_str(),
        hash,
        "SIMULATED",
        "the stirrer stood still",
        "Laboratory of the lower river",
        "hydroxide lot 7",
        "glass 3",
        "Uncertainty budget",
        "Follow your laboratory's own rules",
        "Nobody has signed",
        "known by the account",
        "the first, reported",
    ] {
        assert!(text.contains(needed), "{needed} is not in\n{text}");
    }

    for (name, more) in [("a4.pdf", &["monday"][..]), ("letter.pdf", &["monday", "--paper", "letter"][..])] {
        let path = report(home, name, more);
        let words = words_of_pdf(&path);
        for needed in
            [number.as_str(), hash, "SIMULATED", "the stirrer stood still", "page1of", "Weir lane 3"]
        {
            assert!(words.contains(&squeezed(needed)), "{needed} is not in {name}: {words}");
        }
        let verified = verify(&path);
        assert!(verified.status.success(), "{}", text_of(&verified));
        assert!(text_of(&verified).contains(mean["told"].as_str().unwrap()));
    }
    let page = report(home, "monday.html", &["monday"]);
    let html = std::fs::read_to_string(&page).unwrap();
    assert!(html.contains(&number) && html.contains(hash) && html.contains("<svg"));
    let verified = verify(&page);
    assert!(verified.status.success(), "{}", text_of(&verified));

    // One run for itself, and the anchor of a report against the record.
    let one = report(home, "run.pdf", &["6"]);
    assert!(verify(&one).status.success(), "{}", text_of(&verify(&one)));
    done(home, &["record", "verify", "--anchor", one.to_str().unwrap()]);

    altered(home);
}

/// Whatever is changed in a report is found, and named.
fn altered(home: &Path) {
    let good = home.join("a4.pdf");
    let bad = home.join("bad.pdf");
    // A byte of the wire, as the instrument sent it.
    alter(&good, &bad, "evidence.db", |bytes| replaced(bytes, b"13.7", b"13.8"));
    let found = verify(&bad);
    assert_eq!(found.status.code(), Some(5), "{}", text_of(&found));
    assert!(text_of(&found).contains("evidence.db is not the one"), "{}", text_of(&found));
    assert!(text_of(&found).contains("WRONG  wire"), "{}", text_of(&found));
    // An input of the number.
    alter(&good, &bad, "evidence.db", |bytes| {
        replaced(bytes, b"\"name\":\"c\",\"value\":0.09", b"\"name\":\"c\",\"value\":0.08")
    });
    let found = verify(&bad);
    assert_eq!(found.status.code(), Some(5), "{}", text_of(&found));
    assert!(text_of(&found).contains("computed again"), "{}", text_of(&found));
    // What the report says that it states.
    alter(&good, &bad, "report.json", |bytes| {
        let mut summary: Value = serde_json::from_slice(&bytes).unwrap();
        summary["stated"][0]["told"] = "9.99".into();
        summary["stated"][0]["value"] = 9.99.into();
        serde_json::to_vec(&summary).unwrap()
    });
    let found = verify(&bad);
    assert_eq!(found.status.code(), Some(5), "{}", text_of(&found));
    assert!(text_of(&found).contains("stated as 9.99, computed again"), "{}", text_of(&found));
    // A row of the ledger.
    alter(&good, &bad, "ledger.jsonl", |bytes| replaced(bytes, b"stirrer", b"stirred"));
    let found = verify(&bad);
    assert_eq!(found.status.code(), Some(5), "{}", text_of(&found));
    assert!(text_of(&found).contains("its hash is not that of its contents"), "{}", text_of(&found));
    // The number in a page of HTML.
    let html = std::fs::read_to_string(home.join("monday.html")).unwrap();
    let (_, rest) = html.split_once("<div class=\"line\">").unwrap();
    let stated = rest.split('<').next().unwrap();
    std::fs::write(home.join("bad.html"), html.replace(stated, "9.99 g/100 g ± 0.01 g/100 g (k = 2.00)"))
        .unwrap();
    let found = verify(&home.join("bad.html"));
    assert_eq!(found.status.code(), Some(5), "{}", text_of(&found));
    assert!(text_of(&found).contains("is not what is printed"), "{}", text_of(&found));
    // What is no report.
    std::fs::write(&bad, b"%PDF-1.7\nnothing").unwrap();
    assert_eq!(verify(&bad).status.code(), Some(5));
}

#[test]
fn hostile_text_in_every_field_is_harmless_in_every_form() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let long = format!("{HOSTILE}{}", "x".repeat(10_000));
    std::fs::write(home.join("report.toml"), format!("lines = [{}]", serde_json::json!(HOSTILE))).unwrap();
    titrate(
        home,
        3,
        &["run", "vinegar-acidity"],
        "vinegar-a=1.6",
        &["--sample", &long, "--mass", "1.6", "--series", HOSTILE, "--value", "V_blank=0.3 mL +- 0.01"],
    );
    done(home, &["set-aside", "1", "--reason", HOSTILE]);
    let harmless = |text: &str, what: &str| {
        for bad in ['\u{1b}', '\u{202e}', '\u{200b}'] {
            assert!(!text.contains(bad), "{what} contains {bad:?}");
        }
    };
    let text = report(home, "one.txt", &["1"]);
    let text = std::fs::read_to_string(&text).unwrap();
    harmless(&text, "the text");
    let letters = text
        .lines()
        .filter(|line| line.contains("xxxx"))
        .map(|line| line.matches('x').count())
        .sum::<usize>();
    assert!(letters >= 10_000, "the name of the sample is cut: {letters}");
    assert!(text.lines().all(|line| line.chars().count() <= 240), "a line of the text is too long");

    let page = report(home, "one.html", &["--series", HOSTILE]);
    let html = std::fs::read_to_string(&page).unwrap();
    let body = html.split_once("What it carries").unwrap().0;
    harmless(body, "the page");
    assert!(!body.contains("<script") && !body.contains("onerror"), "the page would run something");

    let path = report(home, "one.pdf", &["1"]);
    let words = words_of_pdf(&path);
    harmless(&words, "the PDF");
    assert!(
        words.matches('x').count() >= 10_000,
        "the name of the sample is cut: {}",
        words.matches('x').count()
    );
    assert!(words.contains("<ESC>[2J<U+202E><U+200B>=1+1"), "{}", &words[..600]);
    let verified = verify(&path);
    assert!(verified.status.success(), "{}", text_of(&verified));
    harmless(&text_of(&verified), "what verify prints");

    for name in ["curve.svg", "curve.png"] {
        let path = home.join(name);
        done(home, &["show", "1", "--picture", path.to_str().unwrap()]);
    }
    let svg = std::fs::read_to_string(home.join("curve.svg")).unwrap();
    harmless(&svg, "the picture");
    assert!(!svg.contains("<script"));
    assert!(std::fs::read(home.join("curve.png")).unwrap().starts_with(b"\x89PNG"));
    let series = home.join("series.svg");
    done(home, &["series", HOSTILE, "--picture", series.to_str().unwrap()]);
    harmless(&std::fs::read_to_string(series).unwrap(), "the overlay");
}

#[test]
fn control_samples_electrodes_and_titrants_have_their_charts() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    equipped(home);
    for _ in 0..3 {
        electrode_checked(home, SEED);
    }
    standardised(home, SEED, "factor");
    for day in 1..=3_u32 {
        let series = format!("day {day}");
        titrate(home, SEED, &["blank", "vinegar-acidity"], &format!("blank/{day}"), &["--series", &series]);
        for (n, mass) in [(1, "1.6021"), (2, "1.5873"), (3, "1.6110")] {
            let beaker = format!("control={mass}/{}", n + 10 * day);
            portion(home, SEED, ("control", "control"), &beaker, &series, n, mass);
        }
    }
    for (name, more, needed) in [
        ("control.pdf", &["--control", "vinegar-acidity"][..], "Control chart"),
        ("electrode.pdf", &["--electrode", "glass 3"][..], "potential at pH 7"),
        ("titrant.pdf", &["--titrant", "hydroxide lot 7"][..], "latest strength"),
    ] {
        let path = report(home, name, more);
        let words = words_of_pdf(&path);
        assert!(words.contains(&squeezed(needed)) && words.contains("SIMULATED"), "{name}: {words}");
        let html = report(home, &name.replace("pdf", "html"), more);
        assert!(std::fs::read_to_string(&html).unwrap().contains("<svg"));
        // A chart proves its numbers as a report does, and a number that was changed is found.
        for path in [&path, &html] {
            let verified = verify(path);
            assert!(verified.status.success(), "{name}: {}", text_of(&verified));
        }
        let bad = home.join("bad.pdf");
        alter(&path, &bad, "report.json", |bytes| {
            let mut summary: Value = serde_json::from_slice(&bytes).unwrap();
            let value = summary["stated"][0]["value"].as_f64().unwrap();
            summary["stated"][0]["value"] = (1.01 * value).into();
            serde_json::to_vec(&summary).unwrap()
        });
        let found = verify(&bad);
        assert_eq!(found.status.code(), Some(5), "{}", text_of(&found));
        assert!(text_of(&found).contains("computed again"), "{}", text_of(&found));
    }
    let text = done(home, &["report", "--control", "vinegar-acidity"]);
    assert!(text.contains("warning lines") && text.contains("day 3"), "{text}");
    let picture = home.join("control.svg");
    done(home, &["control", "vinegar-acidity", "--picture", picture.to_str().unwrap()]);
    let svg = std::fs::read_to_string(&picture).unwrap();
    assert!(svg.contains("action") && svg.contains("centre"), "{svg}");
    let unknown = run(home, &["report", "--electrode", "glass 4"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(text_of(&unknown).contains("glass 3"), "{}", text_of(&unknown));
}
