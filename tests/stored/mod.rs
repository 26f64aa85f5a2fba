//! A record of many runs, made without an instrument.

use dropwise::detector::EndPoint;
use dropwise::reading::{CurveHead, Point, Quantity, Stamp, Titrant, Unit};
use dropwise::store::{Commit, Entry, LineRow, ReckoningRows, Writer};
use dropwise::work::{Origin, RunHead, RunPlan};
use std::path::Path;

/// When the first of many runs began: 2016-01-04, microseconds since 1970 UTC.
const FIRST_UTC_US: i64 = 1_451_901_600_000_000;
/// A run each hour.
const APART_US: i64 = 3_600_000_000;

/// Writes `runs` runs of `points` points each into a new record.
pub(crate) fn many_runs(path: &Path, runs: u32, points: u32) {
    let (writer, thread, _) = Writer::start(path).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let line = LineRow {
            line_id: 1,
            bench: "bench by the window".to_owned(),
            instrument: "pH meter".to_owned(),
            port: "/dev/ttyUSB0".to_owned(),
            origin: Origin::Serial,
            bench_text: "title = \"bench by the window\"".to_owned(),
            opened_utc_us: FIRST_UTC_US,
            utc_offset_s: 0,
        };
        let decoding = Entry::Decoding {
            decoding_id: 1,
            line_id: 1,
            profile_text: "title = \"x\"".into(),
            from_seq: 0,
            utc_us: FIRST_UTC_US,
        };
        writer.write_and_go_on(vec![Entry::Line(Box::new(line)), decoding]).await;
        for run in 1..=i64::from(runs) {
            let mut entries = Vec::new();
            one_run(run, points, &mut entries);
            let answer = writer.write(entries).await;
            if run % 64 == 0 || run == i64::from(runs) {
                assert_eq!(answer.await, Ok(Commit::Saved));
            }
        }
    });
    drop(writer);
    assert_eq!(thread.finish(), None);
}

fn one_run(run: i64, points: u32, entries: &mut Vec<Entry>) {
    let at = Stamp { elapsed_ns: run.unsigned_abs() * 1_000_000_000, utc_us: FIRST_UTC_US + run * APART_US };
    let plan = RunPlan {
        sample: format!("jar {}", run % 50),
        portion: 1,
        portions: 1,
        mass_g: Some(1.6),
        series: format!("week {}", run / 168),
        ..RunPlan::default()
    };
    let head = RunHead {
        run,
        plan,
        title: "Acidity of vinegar".to_owned(),
        origin: Origin::Serial,
        curve: CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) },
        warn_before: 0.0,
        cautions: Vec::new(),
        at,
        expectation: Default::default(),
    };
    let who = "rosa".to_owned();
    entries.push(Entry::Run { head: Box::new(head), who: who.clone() });
    entries.push(Entry::Reckoning { reckoning_id: run, run, decodings: vec![(1, 0)], utc_us: at.utc_us });
    let rows = ReckoningRows::new(run);
    for n in 1..=points {
        let volume = f64::from(n) * 20.0 / f64::from(points);
        // No two curves are alike to the last digit, as those of instruments are not.
        let noise = f64::from(u32::try_from((run * 7_919 + i64::from(n) * 104_729) % 1_000).unwrap()) * 1e-5;
        let point = Point {
            titrant: volume,
            signal: 7.0 + 3.5 * ((volume - 11.4) * 4.0).tanh() + noise,
            temperature_c: Some(24.9),
            t_s: Some(f64::from(n) * 1.5),
        };
        entries.push(rows.point(usize::try_from(n).unwrap(), u64::from(n), point));
    }
    let found = EndPoint {
        titrant: 11.4,
        u: Some(0.004),
        signal: Some(8.2),
        confirmed_at: Some(11.6),
        confirmed_at_point: Some(61),
        method: "model".to_owned(),
    };
    entries.extend(rows.result(&[found], &[]));
    entries.push(rows.reckoned(who.clone(), String::new(), None));
    entries.push(Entry::RunEnd { run, why: "done".to_owned(), lines: vec![(1, 0)], at, who });
}
