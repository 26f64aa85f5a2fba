//! Tests of linear work: for each profile that ships, a line of 1 MB costs at most 12 times one of 100 kB.
//! Work is counted, not timed, so that the answer is the same on every machine.

use super::reader::Reader;
use super::{Profile, shipped_names};
use crate::frame::{Cut, Ending, Framer};
use crate::reading::Stamp;

/// Bytes handed out and work of the matcher for one line as it comes over the wire: in pieces, where it is
/// longer than the limit of the profile. What is still held at its end is handed out too.
fn over_the_wire(profile: &Profile, line: &[u8]) -> u64 {
    let start = match &profile.rules.ending {
        Ending::Between { start, .. } | Ending::Length { start, .. } => start.to_vec(),
        _ => Vec::new(),
    };
    let (mut framer, mut reader, mut handed) = (Framer::new(profile.rules.clone()), Reader::new(profile), 0);
    let mut take = |cut: Cut<'_>| {
        handed += cut.raw.len();
        reader.take(profile, cut, &mut |_| {});
    };
    for bytes in [&start, line, b"\r\n\x03\r\n"] {
        framer.feed(Stamp::default(), bytes, &mut take);
    }
    framer.finish(&mut take);
    handed as u64 + reader.scratch.work
}

/// The same for a line that the matcher sees as one sound frame, whatever its length.
fn as_one_frame(profile: &Profile, line: &[u8]) -> u64 {
    let mut reader = Reader::new(profile);
    let at = Stamp::default();
    let cut = Cut { body: line, raw: line, at, began: at, fault: None, control: false, ascii: None };
    reader.take(profile, cut, &mut |_| {});
    line.len() as u64 + reader.scratch.work
}

/// What lines are made of: what patterns like to see, and the lines of the profile's own examples, again and again.
fn fillers(profile: &Profile) -> Vec<Vec<u8>> {
    let common =
        ["7", "1 ", "a", "ab ", "-", "1.5,", "12.3 mV ", "0", "= "].map(|text| text.as_bytes().to_vec());
    let examples = profile.examples.iter().map(|example| {
        example.wire.iter().copied().filter(|byte| (b' '..0x7F).contains(byte)).collect::<Vec<u8>>()
    });
    common.into_iter().chain(examples.filter(|bytes| !bytes.is_empty())).collect()
}

#[test]
fn a_line_ten_times_as_long_is_at_most_twelve_times_the_work() {
    let mut worst: Vec<(f64, String)> = Vec::new();
    for name in shipped_names() {
        let profile = Profile::shipped(name).unwrap();
        let mut of_profile = (0.0, String::new());
        for filler in fillers(&profile) {
            let line = |length: usize| filler.iter().copied().cycle().take(length).collect::<Vec<u8>>();
            let (short, long) = (line(100_000), line(1_000_000));
            for (how, work) in
                [("wire", over_the_wire as fn(&Profile, &[u8]) -> u64), ("frame", as_one_frame)]
            {
                let (short, long) = (work(&profile, &short), work(&profile, &long));
                assert!(short >= 90_000, "{name}, {how}: {short} is too little work to be all of it");
                let ratio = long as f64 / short as f64;
                if ratio > of_profile.0 {
                    let filler = String::from_utf8_lossy(&filler);
                    of_profile = (ratio, format!("{name} ({how}), {filler:?}: {short} and {long}"));
                }
            }
        }
        println!("{of_profile:?}");
        worst.push(of_profile);
    }
    for (ratio, what) in worst {
        assert!(ratio <= 12.0, "{ratio}: {what}");
    }
}

/// Patterns made to go back and forth, on texts made for them.
#[test]
fn the_worst_patterns_are_linear_too() {
    let patterns = [
        "{a:text},{b:text},{c:text};{ph}",
        "{a:text}{b:text}{c:text},{ph}!",
        "{_}{_}{_}x {a:text} {b:text} {ph} pH",
        "[a][ab][b]{a:text}[ {b:text}][ {c:text}]{aa|a|ab}{_} {ph}.",
        "{ph:/-########0.0/} {a:text} {emf:mV:/n.0/} {b:text} {ph}",
    ];
    for like in patterns {
        let text = format!("title = \"t\"\n[[line]]\nlike = {like:?}\n");
        let profile = Profile::parse("t.toml", &text).unwrap();
        for filler in ["a", "ab ", "1,", "12.3 ", " ", "x y,", "aab"] {
            let work = |length: usize| {
                as_one_frame(&profile, (filler.repeat(length / filler.len()) + ".").as_bytes())
            };
            let (short, long) = (work(100_000), work(1_000_000));
            assert!(long <= 12 * short, "{like} on {filler:?}: {short} and {long}");
        }
    }
}
