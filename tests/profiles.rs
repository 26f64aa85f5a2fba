//! The profiles that ship, on captures of invented instruments (fixtures/captures, written by make.py from
//! the numbers themselves): every reading is right, in order, and nothing else comes out.

#[path = "support/cases.rs"]
mod cases;
mod support;

use dropwise::profile::{Decoded, Decoder, Explainer, Passed, Profile, shipped_names};
use dropwise::reading::{Reading, Stamp, Validity};
use proptest::prelude::*;
use std::path::{Path, PathBuf};
use std::sync::Arc;

fn captures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/captures")
}

fn with_captures() -> impl Iterator<Item = (&'static str, PathBuf)> {
    shipped_names()
        .map(|name| (name, captures().join(format!("{name}.jsonl"))))
        .filter(|(_, path)| path.is_file())
}

#[test]
fn every_shipped_profile_reads_its_capture() {
    let mut seen = 0;
    for (name, path) in with_captures() {
        let profile = Arc::new(Profile::shipped(name).unwrap());
        let frames = support::decode(&profile, &support::capture(&path));
        let readings: Vec<&Reading> = frames.iter().flat_map(|frame| &frame.readings).collect();
        let truth = std::fs::read_to_string(captures().join(format!("{name}.readings.jsonl"))).unwrap();
        let truth: Vec<serde_json::Value> =
            truth.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        for (at, wanted) in truth.iter().enumerate() {
            let got = readings.get(at).unwrap_or_else(|| panic!("{name}: reading {at} is missing: {wanted}"));
            let same = match wanted["value"].as_f64() {
                Some(value) if wanted["valid"] == true => {
                    got.value.is_some_and(|v| (v - value).abs() <= 1e-9 * value.abs().max(1.0))
                }
                _ => true,
            };
            let fits = got.quantity.name() == wanted["quantity"]
                && got.unit.symbol() == wanted["unit"]
                && (got.validity == Validity::Valid) == wanted["valid"].as_bool().unwrap();
            assert!(same && fits, "{name}: reading {at} is {got:?}, not {wanted}");
        }
        assert_eq!(readings.len(), truth.len(), "{name}: {:?}", readings.last());
        seen += 1;
    }
    assert!(seen >= 14, "{seen} captures");
}

/// The bytes of a capture in other chunks, each byte with the time of the chunk it came in.
#[expect(clippy::unwrap_used, reason = "a cycle does not end")]
fn cut_anew(chunks: &[support::Chunk], sizes: &[usize]) -> Vec<support::Chunk> {
    let mut sizes = sizes.iter().copied().cycle();
    let mut anew = Vec::new();
    for (t, from_instrument, bytes) in chunks {
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            let size = if *from_instrument { sizes.next().unwrap().min(rest.len()) } else { rest.len() };
            anew.push((*t, *from_instrument, rest[..size].to_vec()));
            rest = &rest[size..];
        }
    }
    anew
}

proptest! {
    #![proptest_config(cases::cases(24))]

    #[test]
    fn frames_do_not_depend_on_the_chunks(sizes in prop::collection::vec(1_usize..40, 1..12)) {
        for (name, path) in with_captures() {
            let profile = Arc::new(Profile::shipped(name).unwrap());
            let chunks = support::capture(&path);
            let anew = cut_anew(&chunks, &sizes);
            prop_assert_eq!(support::decode(&profile, &chunks), support::decode(&profile, &anew), "{}", name);
        }
    }

    #[test]
    fn no_bytes_panic_or_pile_up(
        noise in prop::collection::vec(any::<u8>(), 0..600),
        text in "[ -~\\r\\n\\x02\\x03\\x1b,;.:0-9]{0,300}",
    ) {
        for name in shipped_names() {
            let mut decoder = Decoder::new(Arc::new(Profile::shipped(name).unwrap()));
            let mut out = Vec::new();
            decoder.feed(Stamp::from_seconds(1.0, 0), &noise, &mut out);
            decoder.feed(Stamp::from_seconds(2.0, 0), text.as_bytes(), &mut out);
            decoder.finish(&mut out);
            let told: usize = out.iter().map(|frame| frame.frame.text.len()).sum();
            // A byte becomes at most three bytes of text.
            prop_assert!(told <= 3 * (noise.len() + text.len()), "{}", name);
        }
    }

    /// Captures with bytes changed, lost, doubled and put in, in chunks of any length: what can go wrong on a
    /// real line goes deeper than noise.
    #[test]
    fn no_damage_panics_or_piles_up(
        hurts in prop::collection::vec((0_usize..100_000, 0_u8..4, any::<u8>()), 1..20),
        size in 1_usize..200,
    ) {
        for (name, path) in with_captures() {
            let profile = Arc::new(Profile::shipped(name).unwrap());
            let mut chunks = support::capture(&path);
            for (place, what, byte) in &hurts {
                let chunk = place % chunks.len();
                let bytes = &mut chunks[chunk].2;
                let at = (place * 7919) % bytes.len().max(1);
                match what {
                    0 if at < bytes.len() => bytes[at] = *byte,
                    1 if at < bytes.len() => drop(bytes.remove(at)),
                    2 => bytes.insert(at, *byte),
                    _ => bytes.extend_from_within(at..),
                }
            }
            let sent: usize = chunks.iter().map(|chunk| chunk.2.len()).sum();
            let frames = support::decode(&profile, &cut_anew(&chunks, &[size]));
            let told: usize = frames.iter().map(|frame| frame.frame.text.len()).sum();
            prop_assert!(told <= 3 * sent, "{}: {} of {}", name, told, sent);
            let readings = frames.iter().flat_map(|frame| &frame.readings);
            prop_assert!(readings.filter_map(|reading| reading.value).all(f64::is_finite), "{}", name);
        }
    }

    #[test]
    fn good_lines_survive_garbage_between_them(noise in prop::collection::vec(any::<u8>(), 0..300)) {
        let profile = Arc::new(Profile::shipped("ph-stream-comma").unwrap());
        let mut decoder = Decoder::new(profile);
        let mut bytes = b"6.873,12.4,24.9\r\n".to_vec();
        bytes.extend(&noise);
        bytes.extend(b"\r\n7.001,0.1,24.9\r\n");
        let mut out = Vec::new();
        decoder.feed(Stamp::default(), &bytes, &mut out);
        let values: Vec<Option<f64>> = out.iter().flat_map(|f| &f.readings).filter(|r| &*r.channel == "ph").map(|r| r.value).collect();
        prop_assert_eq!(values.first(), Some(&Some(6.873)));
        prop_assert_eq!(values.last(), Some(&Some(7.001)));
    }
}

#[test]
fn a_line_without_an_end_is_damaged_in_pieces_and_the_next_line_is_read() {
    let profile = Arc::new(Profile::shipped("ph-stream-comma").unwrap());
    let mut decoder = Decoder::new(profile);
    let mut out: Vec<Decoded> = Vec::new();
    for _ in 0..1024 {
        decoder.feed(Stamp::default(), &[b'7'; 1024], &mut out);
    }
    decoder.feed(Stamp::default(), b"\r\n6.873,12.4,24.9\r\n", &mut out);
    let longest = out.iter().map(|frame| frame.frame.text.len()).max().unwrap();
    assert!(longest <= 65_536, "{longest}");
    let (last, pieces) = out.split_last().unwrap();
    assert_eq!(last.readings.len(), 3);
    assert!(pieces.iter().all(|piece| piece.readings.is_empty()));
    assert_eq!(pieces.iter().map(|piece| piece.frame.text.len()).sum::<usize>(), 1024 * 1024);
}

/// The parts of the worked example in the author's guide.
fn guide_part(kind: &str) -> String {
    let guide = include_str!("../protocols/README.md");
    let example = guide.split("## A worked example").nth(1).unwrap_or_default();
    let part = example.split(&format!("```{kind}\n")).nth(1).unwrap_or_default();
    part.split("```").next().unwrap_or_default().to_owned()
}

#[test]
fn the_guide_shows_what_explain_says() {
    let profile = Arc::new(Profile::parse("meter.toml", &guide_part("toml")).unwrap());
    assert_eq!(profile.check(), []);
    let mut explainer = Explainer::new(profile, false);
    let mut said = explainer.head();
    for (t, from_instrument, bytes) in support::parse_capture(&guide_part("jsonl")) {
        let passed = if from_instrument { Passed::In(&bytes) } else { Passed::Out(&bytes) };
        said.push_str(&explainer.chunk(Stamp::from_seconds(t, 0), passed));
    }
    said.push_str(&explainer.end());
    let shown: String = said.lines().map(|line| format!("{}\n", line.trim_end())).collect();
    assert_eq!(guide_part("text"), shown, "the guide must say:\n{shown}");
}
