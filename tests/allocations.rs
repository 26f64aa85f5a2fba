//! A steady stream is read without allocating: not for each line, and not for each thousand of them.
//!
//! The count is of the whole process, so this test stands alone in its binary.

use dropwise::profile::{Decoder, Profile};
use dropwise::reading::Stamp;
use stats_alloc::{INSTRUMENTED_SYSTEM, Region, StatsAlloc};
use std::alloc::System;
use std::sync::Arc;

#[global_allocator]
static COUNTED: &StatsAlloc<System> = &INSTRUMENTED_SYSTEM;

const PATTERNS: [(&str, &str, usize); 5] = [
    ("{ph:/n.000/},{emf:mV:/-n.0/},{temperature:degC:/n.0/}", "6.873,-12.4,24.9\r\n", 3),
    ("{ph} pH  {emf:mV} mV  {temperature:degC} C  {steady:flag}", "6.87 pH  -12.4 mV  24.9 C  S\r\n", 3),
    ("{volume:mL:/####0.000/}{emf:mV:/-####0.0/}", "   12.345  -301.5\r\n", 2),
    ("V={volume:mL:/n.000/}[;U={voltage:mV:/n/}];{a|b}={current:uA:/n.0/}", "V=1.250;U=301;b=20.0\r\n", 3),
    ("{mass} {mass:unit} {_} {conductance} {conductance:unit}", "1.2345 g x 12.5 uS/cm\r\n", 2),
];

#[test]
fn a_line_allocates_nothing() {
    for (like, line, readings) in PATTERNS {
        let text = format!(
            "title = \"t\"\n[wire]\nframe = {{ ends_with = \"CR LF\" }}\n[flags.steady]\n\"S\" = true\n\"*\" = false\n[[line]]\nlike = {like:?}\n"
        );
        let profile = Arc::new(Profile::parse("t.toml", &text).unwrap_or_else(|told| panic!("{told:?}")));
        let mut decoder = Decoder::new(profile);
        let mut seen = 0;
        let mut feed = |decoder: &mut Decoder, bytes: &[u8]| {
            decoder.feed_each(Stamp::default(), bytes, &mut |frame| seen += frame.readings.len());
        };
        // Memory grows to the usual length once; a line in two chunks is held.
        let (begin, end) = line.as_bytes().split_at(line.len() / 2);
        for _ in 0..3 {
            feed(&mut decoder, line.as_bytes());
            feed(&mut decoder, begin);
            feed(&mut decoder, end);
        }
        let region = Region::new(COUNTED);
        for _ in 0..1_000 {
            feed(&mut decoder, line.as_bytes());
            feed(&mut decoder, begin);
            feed(&mut decoder, end);
        }
        let change = region.change();
        assert_eq!((change.allocations, change.reallocations), (0, 0), "{like}: {change:?}");
        assert_eq!(seen, 2_006 * readings, "{like}");
    }
}
