//! The drafter on many random instruments, or on captures in a folder:
//!
//! `cargo bench --bench draft -- 1000 200` takes 200 layouts from seed 1000 on and prints figures by kind;
//! `cargo bench --bench draft -- show 1017` shows one of them with its profile;
//! `cargo bench --bench draft -- score FOLDER ANSWERS` scores them against NAME.truth.jsonl and NAME.facts.json;
//! `cargo bench --bench draft -- captures FOLDER ANSWERS` reads NAME.wire.jsonl and writes NAME.readings.jsonl.

#![expect(
    unreachable_pub,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::unwrap_used,
    clippy::explicit_auto_deref,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "a generator of invented instruments: its numbers are small, and it is shared between test and bench"
)]

#[path = "../tests/draft/mod.rs"]
mod instruments;

use dropwise::profile::draft::{Heard, HeardChunk, HeardLine, draft};
use dropwise::reading::{Quantity, Unit};
use instruments::{grammar, judge, onwire, score};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

fn main() {
    let args: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    match args.first().map(String::as_str) {
        Some("show") => show(args[1].parse().unwrap_or(0), args.get(2).is_some_and(|a| a == "damaged")),
        Some("captures") => captures(Path::new(&args[1]), Path::new(&args[2])),
        Some("score") => score_folder(Path::new(&args[1]), Path::new(&args[2])),
        Some("time") => time(args.get(1).and_then(|a| a.parse().ok()).unwrap_or(10)),
        first => many(
            first.and_then(|a| a.parse().ok()).unwrap_or(1),
            args.get(1).and_then(|a| a.parse().ok()).unwrap_or(100),
        ),
    }
}

#[derive(Default)]
struct Row {
    clean: Vec<f64>,
    damaged: Vec<f64>,
    asked: Vec<f64>,
    asked_damaged: Vec<f64>,
}

fn line(name: &str, v: &[f64]) -> String {
    if v.is_empty() {
        return String::new();
    }
    let mut sorted = v.to_vec();
    sorted.sort_by(f64::total_cmp);
    let mean = v.iter().sum::<f64>() / v.len() as f64;
    format!(
        "{name:10} n {:4} mean {mean:5.1} median {:5.1} at 90+ {:5.1} % near 0 {:4.1} %",
        v.len(),
        sorted[v.len() / 2],
        100.0 * v.iter().filter(|f| **f >= 90.0).count() as f64 / v.len() as f64,
        100.0 * v.iter().filter(|f| **f < 5.0).count() as f64 / v.len() as f64
    )
}

fn many(from: u64, count: u64) {
    let results: Vec<_> = (from..from + count)
        .into_par_iter()
        .map(|seed| {
            let layout = onwire::layout(seed);
            let clean = judge::judge(&layout, false, &[]);
            let damaged = judge::judge(&layout, true, &[]);
            let asked = |j: &judge::Judged, hurt: bool| {
                let capture = if hurt { &layout.damaged } else { &layout.clean };
                judge::answer(&j.draft, capture, 1).map(|a| judge::judge(&layout, hurt, &[a]).counts.figure())
            };
            let (a, b) = (asked(&clean, false), asked(&damaged, true));
            let listed = clean.draft.questions.first().map(|q| {
                judge::answer(&clean.draft, &layout.clean, 1).map(|a| {
                    q.choices.iter().position(|c| c.starts_with(&a.text) || a.text.starts_with(c.as_str()))
                })
            });
            (layout, clean, damaged, a, b, listed)
        })
        .collect();
    let mut by_text: BTreeMap<String, Row> = BTreeMap::new();
    let (mut live, mut right) = (0, 0);
    let mut totals = [score::Counts::default(); 2];
    let (mut first, mut other, mut unlisted, mut silent) = (0, 0, 0, 0);
    for (layout, clean, damaged, a, b, listed) in &results {
        let (c, d) = (clean.counts.figure(), damaged.counts.figure());
        let keys = [
            "all".to_owned(),
            format!("text {:?}", layout.text),
            format!("family {:?}", layout.family),
            if layout.text == grammar::TextKind::Alone { "numbers alone" } else { "with text" }.to_owned(),
            if layout.names_its_columns() { "text names the columns" } else { "not plain text" }.to_owned(),
        ];
        for key in keys {
            let row = by_text.entry(key).or_default();
            row.clean.push(c);
            row.damaged.push(d);
            row.asked.push(a.unwrap_or(c).max(0.0));
            row.asked_damaged.push(b.unwrap_or(d).max(0.0));
        }
        totals[0] += clean.counts;
        totals[1] += damaged.counts;
        live += clean.live + damaged.live;
        right += clean.live_right + damaged.live_right;
        match listed {
            Some(Some(Some(0))) => first += 1,
            Some(Some(Some(_))) => other += 1,
            Some(Some(None)) => unlisted += 1,
            Some(None) => silent += 1,
            None => {}
        }
        if c < 90.0 || d < 85.0 {
            println!(
                "{:6} {:?} {:?} {} {:?}: clean {c:.0} damaged {d:.0} asked {:.0} | {}",
                layout.seed,
                layout.family,
                layout.text,
                layout.framing,
                layout.columns,
                a.unwrap_or(-1.0),
                if c < 90.0 { clean } else { damaged }
                    .notes
                    .first()
                    .map_or("", |n| &n[..n.floor_char_boundary(90)])
            );
        }
    }
    for (key, row) in &by_text {
        println!("{key:30} {} | {}", line("clean", &row.clean), line("damaged", &row.damaged));
    }
    for key in ["all", "text names the columns", "numbers alone"] {
        if let Some(row) = by_text.get(key) {
            println!(
                "after one answer, {key:24} {} | {}",
                line("clean", &row.asked),
                line("damaged", &row.asked_damaged)
            );
        }
    }
    for (name, t) in ["clean", "damaged"].iter().zip(totals) {
        println!(
            "{name}: {t:?}; wrong quantity, unit, false together {:.2} % of sound",
            100.0 * t.strays() as f64 / t.sound.max(1) as f64
        );
    }
    println!("columns live {live}, right {right}: {:.1} %", 100.0 * right as f64 / live.max(1) as f64);
    println!(
        "first question: truth is the guess {first}, among the choices {other}, not listed {unlisted}, column unknown {silent}"
    );
}

fn show(seed: u64, hurt: bool) {
    let layout = onwire::layout(seed);
    let capture = if hurt { &layout.damaged } else { &layout.clean };
    println!("{:?} {:?} {} {:?}", layout.family, layout.text, layout.framing, layout.columns);
    let mut shown = 0;
    for c in capture.chunks.iter().skip(if hurt { 0 } else { 1 }) {
        print!(
            "{}{:?} ",
            if c.sent { ">>" } else { "" },
            c.bytes.iter().map(|b| char::from(*b)).collect::<String>()
        );
        shown += c.bytes.len();
        if shown > 900 {
            break;
        }
    }
    println!("\n{}", draft(&judge::heard(capture, layout.baud), &[]).profile_text);
    let judged = judge::judge(&layout, hurt, &[]);

    for q in &judged.draft.questions {
        println!("{q:#?}");
    }
    println!("answer: {:?}", judge::answer(&judged.draft, capture, 1));
    println!("{:?} figure {:.1}", judged.counts, judged.counts.figure());
    for n in judged.notes.iter().take(12) {
        println!("  {n}");
    }
}

fn heard_of(path: &Path) -> Heard {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    let mut heard = Heard { timed: true, ..Heard::default() };
    for (k, row) in text.lines().enumerate() {
        let Ok(v) = serde_json::from_str::<serde_json::Value>(row) else { continue };
        if k == 0 {
            heard.line = HeardLine {
                baud: v["line"]["baud"].as_u64().and_then(|b| u32::try_from(b).ok()).unwrap_or(9_600),
                data_bits: v["line"]["data_bits"].as_u64().and_then(|b| u8::try_from(b).ok()).unwrap_or(8),
                parity: v["line"]["parity"].as_str().unwrap_or("none").to_owned(),
                ..HeardLine::default()
            };
            continue;
        }
        let sent = v.get("out").is_some();
        if let Some(s) = v.get("out").or(v.get("in")).and_then(|s| s.as_str()) {
            heard.chunks.push(HeardChunk {
                at_s: v["t"].as_f64().unwrap_or(0.0),
                sent,
                bytes: s.chars().map(|c| u8::try_from(u32::from(c)).unwrap_or(b'?')).collect(),
            });
        }
    }
    heard
}

/// The files of a folder whose names end so, by what stands before that.
fn files(folder: &Path, ending: &str) -> BTreeMap<String, PathBuf> {
    let paths = std::fs::read_dir(folder).expect("the folder is there").flatten().map(|entry| entry.path());
    let named = |path: PathBuf| Some((path.file_name()?.to_str()?.strip_suffix(ending)?.to_owned(), path));
    paths.filter_map(named).collect()
}

fn captures(folder: &Path, answers: &Path) {
    std::fs::create_dir_all(answers).expect("the folder of answers can be made");
    for (name, path) in files(folder, ".wire.jsonl") {
        let heard = heard_of(&path);
        let draft = draft(&heard, &[]);
        std::fs::write(answers.join(format!("{name}.toml")), &draft.profile_text)
            .expect("the folder can be written");
        match judge::read(&draft.profile_text, &heard) {
            Ok(readings) => {
                let rows: Vec<String> = readings
                    .iter()
                    .map(|r| serde_json::json!({"quantity": r.quantity, "value": r.value, "unit": r.unit.symbol(), "valid": r.valid}).to_string())
                    .collect();
                std::fs::write(answers.join(format!("{name}.readings.jsonl")), rows.join("\n"))
                    .expect("the folder can be written");
            }
            Err(why) => println!("{name}: unsound profile\n{why}"),
        }
    }
}

/// How long a draft of so many MB takes.
fn time(megabytes: usize) {
    let layout = onwire::layout(7);
    let mut heard = judge::heard(&layout.clean, layout.baud);
    let base = heard.chunks.clone();
    let size: usize = base.iter().map(|c| c.bytes.len()).sum();
    let last = base.last().map_or(0.0, |c| c.at_s);
    for k in 1..(megabytes << 20) / size.max(1) {
        heard.chunks.extend(base.iter().map(|c| HeardChunk { at_s: c.at_s + last * k as f64, ..c.clone() }));
    }
    let start = std::time::Instant::now();
    let draft = draft(&heard, &[]);
    println!(
        "{megabytes} MB: {:?}, {} lines, {} bytes unread",
        start.elapsed(),
        draft.lines,
        draft.unread_bytes
    );
}

fn objects(path: &Path) -> Vec<serde_json::Value> {
    std::fs::read_to_string(path)
        .unwrap_or_default()
        .lines()
        .filter_map(|l| serde_json::from_str(l).ok())
        .collect()
}

fn truth_of(v: &serde_json::Value) -> Option<score::Truth> {
    let quantity = Quantity::parse(v["quantity"].as_str()?)?;
    let unit = v["unit"]
        .as_str()
        .and_then(|u| {
            (if quantity == Quantity::Absorbance { Some(Unit::Absorbance) } else { Unit::parse(u) }).or(
                match u {
                    "pulse" => Some(Unit::Millilitre),
                    _ => None,
                },
            )
        })
        .or(Some(quantity.canonical_unit()));
    Some(score::Truth {
        quantity,
        value: v["value"].as_f64(),
        unit,
        valid: v["valid"].as_bool().unwrap_or(true) && v["value"].is_number(),
        damage: v["damage"].as_str().map(|d| match d {
            "harmless" => score::Damage::Harmless,
            "digits" => score::Damage::Digits,
            "hidden" => score::Damage::Hidden,
            _ => score::Damage::Shows,
        }),
        looks: v["looks"].as_f64(),
        late: v["late"].as_bool().unwrap_or(false),
        grown: v["grown"].as_f64(),
        pulses: v["pulses"].as_f64(),
    })
}

/// The figure of each capture in a folder by the scorer of the tests.
fn score_folder(folder: &Path, answers: &Path) {
    for (name, path) in files(folder, ".truth.jsonl") {
        let truth: Vec<score::Truth> = objects(&path).iter().filter_map(truth_of).collect();
        let facts: serde_json::Value = serde_json::from_str(
            &std::fs::read_to_string(folder.join(format!("{name}.facts.json"))).unwrap_or_default(),
        )
        .unwrap_or_default();
        let also: Vec<score::Truth> =
            facts["also"].as_array().into_iter().flatten().filter_map(truth_of).collect();
        let given: Vec<score::Answer> = objects(&answers.join(format!("{name}.readings.jsonl")))
            .iter()
            .filter_map(|v| {
                Some(score::Answer {
                    quantity: Quantity::parse(v["quantity"].as_str()?)?,
                    value: v["value"].as_f64(),
                    unit: Unit::parse(v["unit"].as_str()?)?,
                    valid: v["valid"].as_bool().unwrap_or(true),
                })
            })
            .collect();
        let (n, _) = score::score(&truth, &given, &also);
        println!("{name} {:.2} {n:?}", n.figure());
    }
}
