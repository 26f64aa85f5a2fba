//! The profile language: mistakes and where they are told, asking in turn, linear time.

#[path = "support/cases.rs"]
mod cases;

use dropwise::profile::{Decoded, Decoder, Explainer, Passed, Profile, Severity, json_schema};
use dropwise::reading::{FrameFate, Stamp, Validity};
use proptest::prelude::*;
use std::sync::Arc;

fn profile(text: &str) -> Arc<Profile> {
    Arc::new(Profile::parse("test.toml", text).unwrap_or_else(|mistakes| {
        panic!("{}", mistakes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    }))
}

fn at(seconds: f64) -> Stamp {
    Stamp::from_seconds(seconds, 0)
}

#[test]
fn ten_mistakes_are_told_at_once_each_with_its_place() {
    let text = r#"title = "a profile with ten mistakes"
measures = ["ph", "emv"]

[wire]
buad = 9600
parity = "evan"
data_bits = 9
frame = { starts_with = "STX", ends_with = "ETX", check = "sum-9-hex" }

[[ask]]
name = "now"
send = ":010600010017E1\r\n"
answers = ["nothing"]
every = "2 fortnights"

[[line]]
name = "reading"
like = "{ph:mV} {emf:/0.x/} mV"

[[line]]
like = "{temperature:degC"
"#;
    let mistakes = Profile::parse("ten.toml", text).unwrap_err();
    let told: Vec<(&str, usize, usize)> =
        mistakes.iter().map(|m| (m.code.as_ref(), m.line, m.column)).collect();
    assert_eq!(
        told,
        [
            ("profile.unknown-word", 2, 19),
            ("profile.unknown-key", 5, 1),
            ("profile.unknown-word", 6, 10),
            ("profile.out-of-range", 7, 13),
            ("profile.unknown-check", 8, 59),
            ("profile.writes", 12, 8),
            ("profile.unknown-line", 13, 12),
            ("profile.duration", 14, 9),
            ("profile.unit", 18, 13),
            ("profile.shape", 18, 25),
            ("profile.pattern", 21, 9),
        ]
    );
    insta::assert_snapshot!(mistakes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n\n"));
}

#[test]
fn broken_toml_is_told_with_its_place() {
    let mistakes = Profile::parse("t.toml", "title = \"x\n[wire]\nbaud = = 3\n").unwrap_err();
    assert!(mistakes.iter().all(|m| m.severity == Severity::Error));
    assert!(mistakes.iter().any(|m| m.code == "profile.toml" && m.line == 1), "{mistakes:?}");
    assert!(mistakes.iter().any(|m| m.code == "profile.toml" && m.line == 3), "{mistakes:?}");
}

#[test]
fn lints_name_patterns_that_do_not_mean_what_they_seem() {
    let text = r#"title = "lints"
measures = ["ph", "mass"]
[[line]]
like = "{ph}"
[[line]]
like = "{temperature:degC:/00.0/}"
[[line]]
name = "a"
like = "X {a:text}"
marks = "ignore"
[[line]]
name = "b"
like = "X {volume:mL} mL[ full]"
"#;
    let found = profile(text).check();
    let codes: Vec<&str> = found.iter().map(|d| d.code.as_ref()).collect();
    assert_eq!(
        codes,
        ["profile.no-example", "profile.unused-quantity", "profile.never-reached", "profile.never-reached"],
        "{found:?}"
    );
    let text = "title = \"t\"\n[[line]]\nname = \"a\"\nlike = \"{ph} pH[ {x:text}]\"\n[[line]]\nname = \"b\"\nlike = \"{ph} {a|pH|b}\"\n[[example]]\nwire = \"7 pH\\n\"\ngives = { ph = 7.5 }\n";
    let found = profile(text).check();
    let codes: Vec<&str> = found.iter().map(|d| d.code.as_ref()).collect();
    assert_eq!(codes, ["profile.same-line", "profile.example-fails"], "{found:?}");
}

#[test]
fn the_schema_knows_every_table_and_refuses_others() {
    let schema = json_schema();
    for key in ["title", "wire", "ask", "line", "block", "field", "flags", "handshake", "example"] {
        assert!(schema["properties"].get(key).is_some(), "{key}");
    }
    assert_eq!(schema["additionalProperties"], false);
}

const IN_TURN: &str = r#"title = "two bare answers"
[wire]
frame = { ends_with = "LF" }
[[ask]]
name = "a"
send = "A\n"
answers = ["ph"]
every = "2 s"
within = "500 ms"
retries = 1
[[ask]]
name = "b"
send = "B\n"
answers = ["temperature"]
every = "2 s"
within = "500 ms"
[[line]]
name = "ph"
like = "{ph}"
[[line]]
name = "temperature"
like = "{temperature:degC}"
"#;

#[test]
fn requests_go_in_turn_and_are_repeated_when_no_answer_comes() {
    let mut decoder = Decoder::new(profile(IN_TURN));
    let mut out = Vec::new();
    let mut sent = Vec::new();
    let mut now = 0;
    while now < 40_000_000_000 {
        let stamp = Stamp { elapsed_ns: now, utc_us: 0 };
        while let Some(bytes) = decoder.tick(stamp, &mut out) {
            decoder.sent(stamp, &bytes);
            sent.push((now / 1_000_000, String::from_utf8(bytes.clone()).unwrap()));
            if bytes == b"B\n" {
                decoder.feed(stamp, b"24.5\n", &mut out);
            }
        }
        let wake = decoder.wake_at().unwrap();
        assert!(wake > now, "a wake that is due at once would spin");
        now = wake;
    }
    let asked: Vec<&str> = sent.iter().map(|(_, bytes)| bytes.trim()).collect();
    assert_eq!(asked[..3], ["A", "A", "B"]);
    assert!(sent[1].0 >= 500 && sent[1].0 < 510, "{sent:?}");
    assert!(sent[2].0 >= 1500, "the line rests before another request: {sent:?}");
    // The first answers might be late ones to the other request; when that is silent for good, they are not.
    let readings: Vec<_> = out.iter().flat_map(|f| &f.readings).collect();
    assert!(readings.iter().all(|r| &*r.channel == "temperature"));
    assert_ne!(readings[0].validity, Validity::Valid);
    assert!(readings.iter().skip(8).all(|r| r.validity == Validity::Valid) && readings.len() > 10);
    assert_eq!(
        decoder.take_warnings().first().map(String::as_str),
        Some("no answer to `a` within 500 ms (asked 2 times)")
    );
}

#[test]
fn a_late_answer_is_never_taken_for_the_next() {
    let readings = |steps: &[(f64, Result<&str, &str>)]| {
        let mut decoder = Decoder::new(profile(IN_TURN));
        let mut out: Vec<Decoded> = Vec::new();
        for (t, step) in steps {
            match step {
                Ok(sent) => decoder.sent(at(*t), sent.as_bytes()),
                Err(received) => decoder.feed(at(*t), received.as_bytes(), &mut out),
            }
        }
        let readings = out.iter().flat_map(|f| &f.readings);
        readings.map(|r| (r.channel.to_string(), r.value, r.validity == Validity::Valid)).collect::<Vec<_>>()
    };
    // Late, but before the next request.
    assert_eq!(readings(&[(0.0, Ok("A\n")), (0.9, Err("7.1\n"))]), [("ph".into(), Some(7.1), false)]);
    // Late, after the next request: the first of two answers is doubtful, the second sure.
    assert_eq!(
        readings(&[(0.0, Ok("A\n")), (1.0, Ok("B\n")), (1.1, Err("7.1\n")), (1.3, Err("24.5\n"))]),
        [("temperature".into(), Some(7.1), false), ("temperature".into(), Some(24.5), true)]
    );
    // In time, with an echo before it.
    assert_eq!(readings(&[(0.0, Ok("A\n")), (0.1, Err("A\n7.1\n"))]), [("ph".into(), Some(7.1), true)]);
    // Nobody asked: nobody knows.
    assert_eq!(readings(&[(0.0, Err("7.1\n"))]), [("ph".into(), Some(7.1), false)]);
    // Begun in time, ended late.
    assert_eq!(
        readings(&[(0.0, Ok("A\n")), (0.4, Err("7.")), (0.8, Err("1\n"))]),
        [("ph".into(), Some(7.1), true)]
    );
}

#[test]
fn a_damaged_answer_uses_up_its_request_and_only_that() {
    let readings = |steps: &[(f64, Result<&str, &str>)]| {
        let mut decoder = Decoder::new(profile(IN_TURN));
        let mut out: Vec<Decoded> = Vec::new();
        for (t, step) in steps {
            match step {
                Ok(sent) => decoder.sent(at(*t), sent.as_bytes()),
                Err(received) => decoder.feed(at(*t), received.as_bytes(), &mut out),
            }
        }
        let readings = out.iter().flat_map(|f| &f.readings);
        readings.map(|r| (r.channel.to_string(), r.value, r.validity == Validity::Valid)).collect::<Vec<_>>()
    };
    // The answer to A comes damaged: the next answers are those to the next requests.
    assert_eq!(
        readings(&[
            (0.0, Ok("A\n")),
            (0.1, Err("7.#1\n")),
            (1.0, Ok("B\n")),
            (1.1, Err("24.5\n")),
            (2.0, Ok("A\n")),
            (2.1, Err("7.1\n")),
        ]),
        [("temperature".into(), Some(24.5), true), ("ph".into(), Some(7.1), true)]
    );
    // Noise before the answer does not cost it, as long as it comes in time.
    assert_eq!(
        readings(&[(0.0, Ok("A\n")), (0.1, Err("#\n")), (0.2, Err("7.1\n"))]),
        [("ph".into(), Some(7.1), true)]
    );
    // Noise that comes when nothing is expected any more uses up nothing: the answer is still owed.
    assert_eq!(
        readings(&[(0.0, Ok("A\n")), (0.9, Err("#\n")), (1.0, Ok("B\n")), (1.1, Err("7.1\n"))]),
        [("temperature".into(), Some(7.1), false)]
    );
}

#[test]
fn one_damaged_answer_leaves_the_later_ones_valid() {
    let mut decoder = Decoder::new(profile(IN_TURN));
    let (mut out, mut now, mut answers) = (Vec::new(), 0, 0);
    while now < 20_000_000_000 {
        let stamp = Stamp { elapsed_ns: now, utc_us: 0 };
        while let Some(bytes) = decoder.tick(stamp, &mut out) {
            decoder.sent(stamp, &bytes);
            answers += 1;
            let answer: &[u8] = match &bytes[..] {
                _ if answers == 3 => b"7.#1\n",
                b"A\n" => b"7.1\n",
                _ => b"24.5\n",
            };
            decoder.feed(stamp, answer, &mut out);
        }
        now = decoder.wake_at().unwrap().max(now + 1);
    }
    let readings: Vec<_> = out.iter().flat_map(|f| &f.readings).collect();
    assert!(readings.len() >= 15, "{}", readings.len());
    for reading in readings {
        assert_eq!(reading.validity, Validity::Valid, "{reading:?}");
        let is_ph = &*reading.channel == "ph";
        assert_eq!(is_ph, reading.value == Some(7.1), "{reading:?}");
    }
}

#[test]
fn a_handshake_is_answered_and_a_repeated_frame_is_read_once() {
    let profile = Arc::new(Profile::shipped("lab-link-handshake").unwrap());
    let mut decoder = Decoder::new(profile);
    let mut out = Vec::new();
    let frame = b"\x021R|1|pH|6.87|24.9|F\r\x03";
    let sum = frame[1..].iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
    let whole = [frame.as_slice(), format!("{sum:02X}\r\n").as_bytes()].concat();
    let mut answers = Vec::new();
    for bytes in [
        b"\x05".to_vec(),
        whole.clone(),
        whole.clone(),
        whole.iter().map(|b| if *b == b'6' { b'5' } else { *b }).collect(),
    ] {
        decoder.feed(at(1.0), &bytes, &mut out);
        answers.push(decoder.tick(at(1.0), &mut out));
    }
    assert_eq!(answers, [Some(vec![6]), Some(vec![6]), Some(vec![6]), Some(vec![0x15])]);
    let fates: Vec<&FrameFate> = out.iter().map(|f| &f.frame.fate).collect();
    assert!(matches!(fates[0], FrameFate::Understood { .. }));
    assert!(matches!(fates[1], FrameFate::Ignored { .. }));
    assert!(matches!(fates[2], FrameFate::Damaged { .. }));
}

#[test]
fn numbers_that_cannot_be_are_kept_as_not_valid_with_the_reason() {
    let profile = profile(
        "title = \"t\"\n[wire]\ndecimal = \"either\"\n[[line]]\nlike = \"{ph};{emf:mV}\"\nflags = {}\n",
    );
    let mut out = Vec::new();
    Decoder::new(profile).feed(at(0.0), b"70.1;1,234\n7,01;12.5\n", &mut out);
    let why: Vec<String> = out
        .iter()
        .flat_map(|f| &f.readings)
        .map(|r| match &r.validity {
            Validity::Valid => format!("{:?}", r.value),
            Validity::NotValid(why) => why.clone(),
        })
        .collect();
    assert_eq!(
        why,
        [
            "out of the plausible range of ph",
            "the number can be read with a decimal comma and with thousands",
            "Some(7.01)",
            "Some(12.5)"
        ]
    );
}

#[test]
fn explain_shows_what_is_sent_first_and_why_a_line_was_not_read() {
    let profile = Arc::new(Profile::shipped("ph-asked-in-turn").unwrap());
    let mut explainer = Explainer::new(profile, false);
    let head = explainer.head();
    assert!(head.lines().nth(1).unwrap().starts_with("sends GET 1<CR>  (47 45 54 20 31 0D)"), "{head}");
    let profile = Arc::new(Profile::shipped("dead-stop-current").unwrap());
    let mut told = Explainer::new(profile, false);
    let text = told.chunk(at(1.0), Passed::In(b" 1.250 mL |   4l.06 uA\n\x1b[31m 1.250 mL |   41.06 uA\n"));
    assert!(
        text.contains("column 12: a number of its shape for `current` was expected, \"4l.06\" stands there"),
        "{text}"
    );
    assert!(!text.contains('\u{1b}'), "{text}");
    drop(explainer.chunk(at(1.0), Passed::Out(b"GET 1\r")));
}

proptest! {
    #![proptest_config(cases::cases(96))]

    #[test]
    fn no_profile_text_panics(text in "(title = \"t\"\n)?(\\[wire\\]|\\[\\[line\\]\\]|\\[\\[block\\]\\]|\\[field\\.ph\\]|like = \"|begins = \"|\\{ph|:/n\\.0|[\\[\\]{}\"=\n:/a-z0-9 ]){0,30}") {
        if let Err(mistakes) = Profile::parse("fuzz.toml", &text) {
            prop_assert!(!mistakes.is_empty());
            for mistake in mistakes {
                prop_assert!(!mistake.to_string().is_empty());
            }
        }
    }

    #[test]
    fn no_pattern_panics_on_any_line(like in "([ab,;. ]|\\{ph\\}|\\{emf:mV:/-n\\.0/\\}|\\{x:text\\}|\\{_\\}|\\[ \\{ph\\}\\]|\\{a\\|b\\}|\\{ph@3\\.\\.7\\}|\\{conductance:unit\\}|\\{time:clock\\}){1,8}", line in "[ab,;.: 0-9+\\-µ°]{0,40}") {
        let text = format!("title = \"t\"\n[wire]\ntext = \"utf-8\"\n[[line]]\nlike = {like:?}\n");
        if let Ok(profile) = Profile::parse("fuzz.toml", &text) {
            let profile = Arc::new(profile);
            let mut out = Vec::new();
            let mut decoder = Decoder::new(Arc::clone(&profile));
            decoder.feed(at(0.0), line.as_bytes(), &mut out);
            decoder.finish(&mut out);
            drop(profile.check());
        }
    }

    /// A straight pattern is read in one go; the same with an optional part at its end goes the long way.
    #[test]
    fn the_straight_way_and_the_long_way_read_the_same(
        like in "[VU=;, ]{0,2}(\\{(ph|emf:mV|volume:mL|temperature:degF)(|:/-n\\.0/|:/n\\.000/|:/-##0\\.0/|:/\\+00/|:/n/)\\}(|[;,= ]{1,2}| mV| pH |POTENTIAL|\\{steady:flag\\})){1,3}",
        lines in prop::collection::vec("[VU=;, ]{0,2}([-+]?[0-9]{0,5}\\.?[0-9]{0,4}(|[;,= ]{1,2}| mV| pH |POTENTIAL|S|\\*)){1,3}", 1..20),
        comma: bool,
    ) {
        let read = |like: String| {
            let decimal = if comma { "comma" } else { "point" };
            let text = format!("title = \"t\"\n[wire]\ndecimal = \"{decimal}\"\n[flags.steady]\n\"S\" = true\n\"*\" = false\n[[line]]\nname = \"l\"\nlike = {like:?}\n");
            let profile = Profile::parse("straight.toml", &text).ok()?;
            let mut out = Vec::new();
            let mut decoder = Decoder::new(Arc::new(profile));
            for line in &lines {
                let line = if comma { line.replace('.', ",") } else { line.clone() };
                decoder.feed(at(0.0), format!("{line}\r\n").as_bytes(), &mut out);
            }
            Some(out)
        };
        // Blanks at the end of a pattern mean nothing; those before another part would.
        let like = like.trim_end();
        prop_assert_eq!(read(like.to_owned()), read(format!("{like}[NEVER]")));
    }
}
