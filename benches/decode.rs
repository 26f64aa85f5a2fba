//! Lines a second through the profile's path, beside cutting lines alone and one regular expression of the
//! same meaning. Both cut the lines, match them, and make the same readings: channel, quantity, unit, value,
//! plausibility and flag; before anything is measured their readings are compared.

use divan::counter::{BytesCount, ItemsCount};
use divan::{Bencher, black_box};
use dropwise::frame::{FrameRules, Framer};
use dropwise::profile::{Decoder, Profile};
use dropwise::reading::{Quantity, Reading, Stamp, Unit, Validity};
use memchr::memchr;
use regex::bytes::{CaptureLocations, Regex};
use std::sync::Arc;

const LINES: usize = 10_000;

/// A layout: its name, its profile, a regular expression of the same meaning, and one of its lines.
struct Layout {
    name: &'static str,
    like: &'static str,
    regex: &'static str,
    /// What the groups of the expression are; one group more is the flag.
    fields: &'static [(&'static str, Quantity, Unit)],
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
        fields: &[
            ("ph", Quantity::Ph, Unit::Ph),
            ("emf", Quantity::Emf, Unit::Millivolt),
            ("temperature", Quantity::Temperature, Unit::Celsius),
        ],
        line: |i| format!("{}.{:03},{}.4,24.9", i % 14, i % 1000, i % 300),
    },
    Layout {
        name: "units and flag",
        like: "{ph} pH  {emf:mV} mV  {temperature:degC} C  {steady:flag}",
        regex: r"^\s*([+-]?\d+\.?\d*)\s+(?i:pH)\s+([+-]?\d+\.?\d*)\s+(?i:mV)\s+([+-]?\d+\.?\d*)\s+(?i:°?C)\s+(S|\*)\s*$",
        fields: &[
            ("ph", Quantity::Ph, Unit::Ph),
            ("emf", Quantity::Emf, Unit::Millivolt),
            ("temperature", Quantity::Temperature, Unit::Celsius),
        ],
        line: |i| format!("  {}.{:02} pH  {:6}.1 mV  24.9 C  S", i % 14, i % 100, i % 300),
    },
    Layout {
        name: "table row",
        like: "{volume:mL:/####0.000/}{emf:mV:/-####0.0/}",
        regex: r"^( {0,4}\d{1,5}\.\d{3})( {0,5}-?\d{1,5}\.\d)\s*$",
        fields: &[("volume", Quantity::Volume, Unit::Millilitre), ("emf", Quantity::Emf, Unit::Millivolt)],
        line: |i| format!("{:9.3}{:8.1}", i as f64 * 0.01, i as f64 * 0.1 - 300.0),
    },
    Layout {
        name: "labels",
        like: "V={volume:mL:/n.000/};U={voltage:mV:/n/};I={current:uA:/n.0/}",
        regex: r"^\s*V=(\d+\.\d{3});U=(\d+);I=(\d+\.\d)\s*$",
        fields: &[
            ("volume", Quantity::Volume, Unit::Millilitre),
            ("voltage", Quantity::Voltage, Unit::Millivolt),
            ("current", Quantity::Current, Unit::Microampere),
        ],
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

/// The expression with everything that is needed to make readings of its groups.
struct Yardstick {
    regex: Regex,
    locations: CaptureLocations,
    fields: Vec<(Arc<str>, Quantity, Unit)>,
    readings: Vec<Reading>,
}

impl Yardstick {
    #[expect(clippy::expect_used, reason = "a bench with a wrong expression ends")]
    fn new(layout: &Layout) -> Self {
        let regex = Regex::new(layout.regex).expect("the expressions of this bench are sound");
        let locations = regex.capture_locations();
        let fields =
            layout.fields.iter().map(|(channel, quantity, unit)| ((*channel).into(), *quantity, *unit));
        Self { regex, locations, fields: fields.collect(), readings: Vec::new() }
    }

    /// Cuts, matches, and makes readings.
    fn each(&mut self, wire: &[u8], each: &mut impl FnMut(&str, &[Reading])) {
        let (mut rest, mut frame) = (wire, 0);
        while let Some(end) = memchr(b'\n', rest) {
            let line = rest[..end].strip_suffix(b"\r").unwrap_or(&rest[..end]);
            rest = &rest[end + 1..];
            self.readings.clear();
            if let Ok(text) = std::str::from_utf8(line)
                && self.regex.captures_read(&mut self.locations, line).is_some()
            {
                let group = |index: usize| self.locations.get(index).map(|(from, to)| &text[from..to]);
                let steady = group(self.fields.len() + 1).map(|flag| flag == "S");
                for (index, (channel, quantity, unit)) in self.fields.iter().enumerate() {
                    let value = group(index + 1).and_then(|text| text.trim_start().parse::<f64>().ok());
                    let plausible = value.is_some_and(|v| quantity.is_plausible(unit.to_canonical(v)));
                    let validity = if plausible {
                        Validity::Valid
                    } else {
                        Validity::NotValid(format!("out of the plausible range of {quantity}"))
                    };
                    self.readings.push(Reading {
                        channel: Arc::clone(channel),
                        quantity: *quantity,
                        value,
                        unit: *unit,
                        validity,
                        steady,
                        frame,
                        at: Stamp::default(),
                    });
                }
                each(text, &self.readings);
            }
            frame += 1;
        }
    }
}

#[divan::bench(args = &LAYOUTS)]
fn one_regex(bencher: Bencher<'_, '_>, layout: &Layout) {
    let wire = wire(layout);
    let mut yardstick = Yardstick::new(layout);
    bencher.counter(ItemsCount::new(LINES)).counter(BytesCount::new(wire.len())).bench_local(|| {
        let mut readings = 0;
        yardstick.each(&wire, &mut |_, made| readings += made.len());
        assert!(readings >= 2 * LINES, "{readings}");
        readings
    });
}

/// Both ways give the same readings.
fn compare(layout: &Layout) {
    let (wire, mut by_decoder, mut by_regex) = (wire(layout), Vec::new(), Vec::new());
    let mut decoder = Decoder::new(profile(layout));
    decoder.feed_each(Stamp::default(), &wire, &mut |seen| by_decoder.extend_from_slice(seen.readings));
    Yardstick::new(layout).each(&wire, &mut |_, made| by_regex.extend_from_slice(made));
    assert!(by_decoder == by_regex, "{layout}: {:?} and {:?}", by_decoder.first(), by_regex.first());
}

fn main() {
    LAYOUTS.iter().for_each(compare);
    divan::main();
}
