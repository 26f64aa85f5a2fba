//! Lines a second through the profile's path, beside cutting lines alone and one regular expression of the
//! same meaning. The decoder here does everything: cutting, decoding, matching, making readings.

use divan::counter::{BytesCount, ItemsCount};
use divan::{Bencher, black_box};
use dropwise::frame::{FrameRules, Framer};
use dropwise::profile::{Decoder, Profile};
use dropwise::reading::Stamp;
use regex::bytes::{CaptureLocations, Regex};
use std::sync::Arc;

const LINES: usize = 10_000;

/// A layout: its name, its profile, a regular expression of the same meaning, and one of its lines.
struct Layout {
    name: &'static str,
    like: &'static str,
    regex: &'static str,
    line: fn(usize) -> String,
}

impl std::fmt::Display for Layout {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name)
    }
}

const LAYOUTS: [Layout; 4] = [
    Layout {
        name: "commas",
        like: "{ph:/n.000/},{emf:mV:/-n.0/},{temperature:degC:/n.0/}",
        regex: r"^\s*(\d+\.\d{3}),(-?\d+\.\d),(\d+\.\d)\s*$",
        line: |i| format!("{}.{:03},{}.4,24.9", i % 14, i % 1000, i % 300),
    },
    Layout {
        name: "units and flag",
        like: "{ph} pH  {emf:mV} mV  {temperature:degC} C  {steady:flag}",
        regex: r"^\s*([+-]?\d+\.?\d*)\s+(?i:pH)\s+([+-]?\d+\.?\d*)\s+(?i:mV)\s+([+-]?\d+\.?\d*)\s+(?i:°?C)\s+(S|\*)\s*$",
        line: |i| format!("  {}.{:02} pH  {:6}.1 mV  24.9 C  S", i % 14, i % 100, i % 300),
    },
    Layout {
        name: "table row",
        like: "{volume:mL:/####0.000/}{emf:mV:/-####0.0/}",
        regex: r"^( {0,4}\d{1,5}\.\d{3})( {0,5}-?\d{1,5}\.\d)\s*$",
        line: |i| format!("{:9.3}{:8.1}", i as f64 * 0.01, i as f64 * 0.1 - 300.0),
    },
    Layout {
        name: "labels",
        like: "V={volume:mL:/n.000/};U={voltage:mV:/n/};I={current:uA:/n.0/}",
        regex: r"^\s*V=(\d+\.\d{3});U=(\d+);I=(\d+\.\d)\s*$",
        line: |i| format!("V={}.{:03};U={};I=20.0", i % 20, i % 1000, i % 600),
    },
];

fn wire(layout: &Layout) -> Vec<u8> {
    (0..LINES).flat_map(|i| format!("{}\r\n", (layout.line)(i)).into_bytes()).collect()
}

#[expect(clippy::expect_used, reason = "a bench with a wrong layout ends")]
fn profile(layout: &Layout) -> Arc<Profile> {
    let text = format!(
        "title = \"bench\"\n[wire]\nframe = {{ ends_with = \"CR LF\" }}\n[flags.steady]\n\"S\" = true\n\"*\" = false\n[[line]]\nlike = \"{}\"\n",
        layout.like
    );
    Arc::new(Profile::parse("bench.toml", &text).expect("the layouts of this bench are sound"))
}

#[divan::bench(args = &LAYOUTS)]
fn decoder(bencher: Bencher<'_, '_>, layout: &Layout) {
    let (wire, profile) = (wire(layout), profile(layout));
    bencher.counter(ItemsCount::new(LINES)).counter(BytesCount::new(wire.len())).bench_local(|| {
        let mut decoder = Decoder::new(Arc::clone(&profile));
        let mut readings = 0;
        decoder.feed_each(Stamp::default(), &wire, &mut |seen| readings += seen.readings.len());
        assert!(readings >= 2 * LINES, "{readings}");
        readings
    });
}

#[divan::bench(args = &LAYOUTS)]
fn lines_alone(bencher: Bencher<'_, '_>, layout: &Layout) {
    let wire = wire(layout);
    let rules = FrameRules {
        ending: dropwise::frame::Ending::Marks(vec![(*b"\r\n").into()]),
        ..FrameRules::default()
    };
    bencher.counter(ItemsCount::new(LINES)).counter(BytesCount::new(wire.len())).bench_local(|| {
        let mut framer = Framer::new(rules.clone());
        let mut frames = 0;
        framer
            .feed(Stamp::default(), &wire, &mut |cut| frames += usize::from(!black_box(cut.body).is_empty()));
        frames
    });
}

/// Cut, match, and turn every captured number into a value; no readings are made.
#[expect(clippy::expect_used, reason = "a bench with a wrong expression ends")]
#[divan::bench(args = &LAYOUTS)]
fn one_regex(bencher: Bencher<'_, '_>, layout: &Layout) {
    let wire = wire(layout);
    let regex = Regex::new(layout.regex).expect("the expressions of this bench are sound");
    bencher.counter(ItemsCount::new(LINES)).counter(BytesCount::new(wire.len())).bench_local(|| {
        let mut locations: CaptureLocations = regex.capture_locations();
        let mut sum = 0.0;
        for line in wire.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
            if regex.captures_read(&mut locations, line).is_some() {
                for group in 1..locations.len() {
                    let text =
                        locations.get(group).and_then(|(from, to)| std::str::from_utf8(&line[from..to]).ok());
                    sum += text.and_then(|text| text.trim().parse::<f64>().ok()).unwrap_or(0.0);
                }
            }
        }
        sum
    });
}

fn main() {
    divan::main();
}
