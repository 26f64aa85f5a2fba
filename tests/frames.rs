//! Framing against open standards: fixtures/reference/frames.toml holds the vectors with their sources.

use dropwise::frame::{Check, CheckKind, CheckPlace, Cut, Ending, FrameRules, Framer};
use dropwise::reading::Stamp;

#[expect(clippy::unwrap_used, reason = "a fixture that is none ends the test")]
fn vectors() -> Vec<toml::Table> {
    let text = include_str!("../fixtures/reference/frames.toml");
    let table: toml::Table = toml::from_str(text).unwrap();
    table["vector"].as_array().unwrap().iter().map(|v| v.as_table().unwrap().clone()).collect()
}

#[expect(clippy::unwrap_used, reason = "a fixture that is none ends the test")]
fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len() / 2).map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).unwrap()).collect()
}

/// The first piece that the rules make of these bytes: its body, or `None` when it is damaged.
fn first(rules: FrameRules, wire: &[u8]) -> Option<Vec<u8>> {
    let mut pieces = Vec::new();
    let mut take = |cut: Cut<'_>| pieces.push(cut.fault.is_none().then(|| cut.body.to_vec()));
    let mut framer = Framer::new(rules);
    framer.feed(Stamp::default(), wire, &mut take);
    framer.finish(&mut take);
    pieces.remove(0)
}

fn rules(start: &[u8], ends: &[&[u8]], check: Check) -> FrameRules {
    FrameRules {
        ending: Ending::Between { start: start.into(), ends: ends.iter().map(|end| (*end).into()).collect() },
        check: Some(check),
        ..FrameRules::default()
    }
}

fn hex_check(kind: CheckKind, place: CheckPlace, covers_end: bool) -> Check {
    Check { kind, hex: true, low_first: false, place, covers_start: false, covers_end }
}

#[test]
fn modbus_ascii_frames_hold_their_lrc() {
    let mut seen = 0;
    for vector in vectors()
        .iter()
        .filter(|v| v["standard"].as_str().unwrap().starts_with("Modbus over serial line, ASCII"))
    {
        let payload = vector["payload_hex"].as_str().unwrap();
        let lrc = CheckKind::Lrc.value(payload.as_bytes()).unwrap();
        assert_eq!(format!("{lrc:02X}"), vector["check"].as_str().unwrap(), "{vector}");
        let rules = rules(
            b":",
            &[b"\r\n"],
            hex_check(CheckKind::Lrc, CheckPlace::BeforeEnd { sign: [].into() }, false),
        );
        let wire = match vector.get("frame_hex") {
            Some(hex) => bytes(hex.as_str().unwrap()),
            None => format!(":{payload}EE\r\n").into_bytes(),
        };
        let rejected = vector.get("expect").is_some();
        assert_eq!(first(rules, &wire), (!rejected).then(|| payload.as_bytes().to_vec()), "{vector}");
        seen += 1;
    }
    assert!(seen >= 6);
}

#[test]
fn crc_16_variants_give_their_published_check_values() {
    let kinds = [
        ("crc_check_crc_16_modbus", CheckKind::Crc16Modbus),
        ("crc_check_crc_16_arc", CheckKind::Crc16Arc),
        ("crc_check_crc_16_xmodem", CheckKind::Crc16Xmodem),
        ("crc_check_crc_16_ccitt_false", CheckKind::Crc16CcittFalse),
        ("crc_check_crc_16_aug_ccitt", CheckKind::Crc16AugCcitt),
        ("crc_check_crc_16_dnp", CheckKind::Crc16Dnp),
        ("crc_check_crc_16_kermit", CheckKind::Crc16Kermit),
        ("crc_check_crc_16_x_25", CheckKind::Crc16X25),
    ];
    let vectors = vectors();
    for (id, kind) in kinds {
        let vector = vectors.iter().find(|v| v["id"].as_str() == Some(id)).unwrap();
        let value = kind.value(&bytes(vector["payload_hex"].as_str().unwrap())).unwrap();
        assert_eq!(format!("0x{value:04X}"), vector["crc_value"].as_str().unwrap(), "{id}");
    }
    // On the wire of Modbus RTU the low byte goes first.
    let mut seen = 0;
    for vector in vectors.iter().filter(|v| v["id"].as_str().unwrap().starts_with("modbus_rtu")) {
        let check = Check {
            low_first: true,
            hex: false,
            ..hex_check(CheckKind::Crc16Modbus, CheckPlace::AfterEnd, false)
        };
        let payload = bytes(vector["payload_hex"].as_str().unwrap());
        let mut frame = payload.clone();
        frame.extend(check.written(&payload).unwrap());
        assert_eq!(frame, bytes(vector["frame_hex"].as_str().unwrap()));
        seen += 1;
    }
    assert_eq!(seen, 3);
}

#[test]
fn sentences_with_an_exclusive_or_sum() {
    let mut seen = 0;
    for vector in vectors().iter().filter(|v| v["id"].as_str().unwrap().starts_with("nmea")) {
        let check = hex_check(CheckKind::Xor8, CheckPlace::BeforeEnd { sign: (*b"*").into() }, false);
        let found = first(rules(b"$", &[b"\r\n"], check), &bytes(vector["frame_hex"].as_str().unwrap()));
        let sentence = vector["sentence"].as_str().unwrap();
        let body = sentence.as_bytes()[1..sentence.len() - 3].to_vec();
        let accepted = vector["expect"].as_str() == Some("accept");
        assert_eq!(found, accepted.then_some(body), "{sentence}");
        seen += 1;
    }
    assert_eq!(seen, 5);
}

#[test]
fn lis01_frames_hold_their_sum() {
    let mut seen = 0;
    for vector in vectors().iter().filter(|v| v["id"].as_str().unwrap().starts_with("lis01")) {
        let check = hex_check(CheckKind::Sum8, CheckPlace::AfterEnd, true);
        let summed = bytes(vector["summed_hex"].as_str().unwrap());
        assert_eq!(check.written(&summed).unwrap(), vector["check"].as_str().unwrap().as_bytes());
        let wire = bytes(vector["frame_hex"].as_str().unwrap());
        let rules = rules(&[2], &[&[3], &[0x17]], check);
        assert_eq!(first(rules.clone(), &wire), Some(summed[..summed.len() - 1].to_vec()));
        let mut hurt = wire;
        hurt[3] ^= 1;
        assert_eq!(first(rules, &hurt), None);
        seen += 1;
    }
    assert_eq!(seen, 4);
}

#[test]
fn a_lost_check_byte_does_not_cost_the_next_frame() {
    let check = Check { hex: false, ..hex_check(CheckKind::Xor8, CheckPlace::AfterEnd, true) };
    let sum = CheckKind::Xor8.value(b"7.00\x03").unwrap().to_be_bytes()[1];
    let mut wire = b"\x027.00\x03\x027.00\x03".to_vec();
    wire.push(sum);
    let mut sound = Vec::new();
    Framer::new(rules(&[2], &[&[3]], check))
        .feed(Stamp::default(), &wire, &mut |cut| sound.push(cut.fault.is_none()));
    assert_eq!(sound, [false, true]);
}

#[test]
fn a_pause_ends_a_frame_and_a_length_does() {
    let gap = FrameRules { ending: Ending::Gap { ns: 50_000_000 }, ..FrameRules::default() };
    let mut framer = Framer::new(gap);
    let mut bodies: Vec<Vec<u8>> = Vec::new();
    for (t, part) in [(0.0, "6."), (0.02, "87"), (0.5, "7.0"), (0.52, "1")] {
        framer.feed(Stamp::from_seconds(t, 0), part.as_bytes(), &mut |cut| bodies.push(cut.body.to_vec()));
    }
    assert_eq!(framer.wake_at(), Some(570_000_000));
    framer.tick(Stamp::from_seconds(0.58, 0), &mut |cut| bodies.push(cut.body.to_vec()));
    assert_eq!(bodies, [b"6.87".to_vec(), b"7.01".to_vec()]);

    let length =
        FrameRules { ending: Ending::Length { start: (*b"#").into(), bytes: 5 }, ..FrameRules::default() };
    let mut bodies: Vec<Vec<u8>> = Vec::new();
    Framer::new(length).feed(Stamp::default(), b"87#6.87#7.0", &mut |cut| bodies.push(cut.body.to_vec()));
    assert_eq!(bodies, [b"87".to_vec(), b"6.87".to_vec()]);
}
