//! A record of many gigabytes: opened, listed, shown, written to and copied as any other.
//!
//!     DROPWISE_GIGABYTES=10 cargo test --test faults large -- --nocapture
//!
//! The long form needs twice that much space in the temporary folder.

use super::{Recorder, follow, open_and_run};
use crate::program::dropwise;
use crate::stored::many_runs;
use dropwise::reading::Stamp;
use dropwise::store::{Commit, Direction, Entry, LineRow, Writer};
use dropwise::work::{BenchState, Command as Wish, Origin};
use std::path::Path;
use std::time::Instant;

/// Bytes of a chunk of the wire: a long one.
const CHUNK: usize = 65_536;

/// Fills a record with the wire of a further line to about so many bytes.
fn fill(record: &Path, bytes: u64) {
    let (writer, thread, ids) = Writer::start(record).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let line_id = ids.line;
    let mut chance = super::Chance(0x2545_f491_4f6c_dd1d);
    runtime.block_on(async {
        let line = LineRow {
            line_id,
            bench: "bench that talks much".to_owned(),
            instrument: "meter".to_owned(),
            port: "/dev/ttyS3".to_owned(),
            origin: Origin::Serial,
            bench_text: "title = \"bench that talks much\"".to_owned(),
            opened_utc_us: 1_770_000_000_000_000,
            utc_offset_s: 0,
        };
        writer.write_and_go_on(vec![Entry::Line(Box::new(line))]).await;
        for seq in 0..i64::try_from(bytes / CHUNK as u64).unwrap() {
            let letters: Vec<u8> =
                (0..CHUNK / 8).flat_map(|_| chance.below(u64::MAX).to_le_bytes()).collect();
            let at =
                Stamp { elapsed_ns: seq.unsigned_abs() * 1_000_000, utc_us: 1_770_000_000_000_000 + seq };
            let chunk = Entry::Wire { line_id, seq, direction: Direction::In, at, bytes: letters.into() };
            let answer = writer.write(vec![chunk]).await;
            if seq % 64 == 0 {
                assert_eq!(answer.await, Ok(Commit::Saved));
            }
        }
    });
    drop(writer);
    assert_eq!(thread.finish(), None);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_large_record_is_used_as_any_other() {
    let gigabytes = std::env::var("DROPWISE_GIGABYTES").ok().and_then(|text| text.parse::<u64>().ok());
    let bytes = gigabytes.map_or(30_000_000, |gigabytes| gigabytes * 1_000_000_000);
    let home = tempfile::tempdir().unwrap();
    let record = home.path().join("record.db");
    let began = Instant::now();
    let path = record.clone();
    let filled = tokio::task::spawn_blocking(move || {
        many_runs(&path, 200, 50);
        fill(&path, bytes);
    });
    filled.await.unwrap();
    let size = std::fs::metadata(&record).unwrap().len();
    assert!(size > bytes);
    println!("{:.2} GB written in {:.1} s", size as f64 * 1e-9, began.elapsed().as_secs_f64());
    let timed = |what: &str, arguments: &[&str]| {
        let began = Instant::now();
        let output = dropwise(home.path()).args(arguments).output().unwrap();
        println!("{what:<28} {:.3} s", began.elapsed().as_secs_f64());
        assert!(output.status.success(), "{what}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout).into_owned()
    };
    timed("list", &["list"]);
    timed("show", &["show", "77"]);
    let began = Instant::now();
    let recorder = Recorder::start(home.path(), &[]);
    println!("{:<28} {:.3} s", "a recorder is ready", began.elapsed().as_secs_f64());
    let mut session = recorder.attach().await;
    // The run has to last as long as the copy is made.
    open_and_run(&session, 1, if gigabytes.is_some() { 4 } else { 60 }).await;
    let mut state = BenchState::default();
    let began = Instant::now();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 0).await;
    println!("{:<28} {:.3} s", "to the first saved line", began.elapsed().as_secs_f64());
    let copy = home.path().join("copy.db");
    let text = timed("backup while a run goes on", &["record", "backup", copy.to_str().unwrap()]);
    assert!(text.contains("the copy is verified"), "{text}");
    std::fs::remove_file(&copy).unwrap();
    // Whoever waited for the copy did not read meanwhile, and has been dropped where that took long.
    let mut session = recorder.attach().await;
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 100).await;
    session.commands.send((9, Wish::End { lane: 1, reason: None })).await.unwrap();
    follow(&mut session, &mut state, |s| s.lanes[0].run.as_ref().is_some_and(|run| run.end.is_some())).await;
    assert!(timed("show the new run", &["show", "201"]).contains("ended by hand"));
    timed("verify, hashes", &["record", "verify", "--hashes-only"]);
}
