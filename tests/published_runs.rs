//! Published titrations played through a real pseudo-terminal into `dropwise run --plain`.
//!
//! Each found volume must agree with the published one within the spacing of the points around it. The figures
//! are facts carried over from the sources named beside them.
#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

mod program;

use dropwise::source::capture::{CaptureReader, Captured};
use dropwise::source::pty;
use program::dropwise;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

fn streams() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/streams")
}

/// Runs the program on what a pseudo-terminal plays; `type_in` gets its standard input and a count of its points.
fn run(profile: &Path, port: &Path, volume: &str, type_in: impl FnOnce(&mut Child, &AtomicUsize)) -> String {
    let home = tempfile::tempdir().unwrap();
    let mut child = dropwise(home.path())
        .args(["run", "--plain", "--volume", volume, "--profile"])
        .arg(profile)
        .arg("--port")
        .arg(port)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let stdout = child.stdout.take().unwrap();
    let points = Arc::new(AtomicUsize::new(0));
    let counted = Arc::clone(&points);
    let reader = std::thread::spawn(move || {
        let lines = BufReader::new(stdout).lines().map_while(Result::ok);
        let counting = lines.inspect(|line| {
            counted.fetch_add(usize::from(line.starts_with("point ")), Ordering::Relaxed);
        });
        counting.collect::<Vec<_>>().join("\n")
    });
    type_in(&mut child, &points);
    child.stdin.take().unwrap().write_all(b"end\n").unwrap();
    let text = reader.join().unwrap();
    assert!(child.wait().unwrap().success(), "{text}");
    text
}

fn end_points(text: &str) -> Vec<f64> {
    let lines = text.lines().filter(|line| line.starts_with("end-point "));
    lines.filter_map(|line| line.split_whitespace().nth(1)?.parse().ok()).collect()
}

/// Plays a table as the lines of an instrument, one row each 20 ms.
fn play_table(rows: &[(f64, f64)], unit: &str, quantity: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let profile = folder.path().join("table.toml");
    let text = format!(
        "title = \"table of volume and signal\"\nmeasures = [\"volume\", \"{quantity}\"]\n\
         [wire]\nframe = {{ ends_with = \"CR LF\" }}\n\
         [[line]]\nname = \"row\"\nlike = \"{{volume:mL}};{{{quantity}:{unit}}}\"\n"
    );
    std::fs::write(&profile, text).unwrap();
    let lines: Vec<(f64, Vec<u8>)> = (0..)
        .zip(rows)
        .map(|(i, (volume, signal))| {
            (0.5 + 0.02 * f64::from(i), format!("{volume};{signal}\r\n").into_bytes())
        })
        .collect();
    let player = pty::play(lines.into_iter(), 1.0).unwrap();
    run(&profile, &player.path, "line", |_, points| {
        let deadline = Instant::now() + Duration::from_secs(60);
        while points.load(Ordering::Relaxed) < rows.len() && Instant::now() < deadline {
            std::thread::sleep(Duration::from_millis(10));
        }
    })
}

#[test]
fn chloride_with_silver_nitrate_ends_at_24_3_to_24_4_ml() {
    // D. A. Skoog, D. M. West, F. J. Holler, Fundamentals of Analytical Chemistry, table of a potentiometric titration of
    // 2.433 mmol chloride with 0.1000 mol/L silver nitrate: equivalence at 24.33 mL, points 0.1 mL apart there.
    let text = play_table(&read_table("skoog_chloride"), "V", "emf");
    let found = end_points(&text);
    assert_eq!(found.len(), 1, "{text}");
    assert!((24.3..=24.4).contains(&found[0]), "{text}");
}

#[test]
fn a_weak_acid_ends_at_15_65_ml() {
    // D. Harvey, Modern Analytical Chemistry, McGraw-Hill 2000, table 9.5: largest printed derivative at 15.65 mL,
    // points 0.1 mL apart there.
    let rows = read_table("harvey_2000_weak_acid");
    let text = play_table(&rows, "pH", "ph");
    let found = end_points(&text);
    assert_eq!(found.len(), 1, "{text}");
    assert!((found[0] - 15.65).abs() <= 0.1, "{text}");
}

#[test]
fn phosphoric_acid_ends_at_11_03_and_22_06_ml() {
    // J. Martin et al., Int. J. Adv. Res. Chem. Sci. 4(9) 2017, doi 10.20431/2349-0403.0409002: 11.03 and 22.06 mL;
    // measured, points 0.5 mL apart.
    let rows = read_table("martin_2017_phosphoric");
    let text = play_table(&rows, "pH", "ph");
    let found = end_points(&text);
    assert_eq!(found.len(), 2, "{text}");
    assert!((found[0] - 11.03).abs() <= 0.5 && (found[1] - 22.06).abs() <= 0.5, "{text}");
}

fn read_table(name: &str) -> Vec<(f64, f64)> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/published").join(format!("{name}.csv"));
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(path).unwrap();
    reader.deserialize().map(|row| row.unwrap()).collect()
}

/// One reading a second with volumes noted by hand (fixtures/streams/README.md names the source and its licence):
/// the steepest step as recomputed from the figures; marks are 0.1 to 0.5 mL apart there.
fn stream_with_noted_volumes(number: u32, steepest_ml: f64) {
    const SPEED: f64 = 30.0;
    let reader = CaptureReader::open(&streams().join(format!("acetic_run{number}.capture"))).unwrap();
    let lines: Vec<(f64, Vec<u8>)> = reader
        .map(|entry| entry.unwrap())
        .filter_map(|entry| match entry.what {
            Captured::In(bytes) => Some((entry.t_s, bytes)),
            _ => None,
        })
        .collect();
    let last_s = lines.last().unwrap().0;
    let mut marks = csv::Reader::from_path(streams().join(format!("acetic_run{number}.marks.csv"))).unwrap();
    let marks: Vec<(f64, f64)> = marks.deserialize().map(|row| row.unwrap()).collect();
    let player = pty::play(lines.into_iter(), SPEED).unwrap();
    let began = Instant::now();
    let profile = streams().join("ph_and_temperature.toml");
    let text = run(&profile, &player.path, "keyed", |child, _| {
        let typed = child.stdin.as_mut().unwrap();
        for (t_s, volume_ml) in &marks {
            let due = Duration::from_secs_f64(t_s / SPEED);
            std::thread::sleep(due.saturating_sub(began.elapsed()));
            writeln!(typed, "volume {volume_ml}").unwrap();
        }
        std::thread::sleep(Duration::from_secs_f64(last_s / SPEED).saturating_sub(began.elapsed()));
    });
    let found = end_points(&text);
    assert_eq!(found.len(), 1, "{text}");
    assert!((found[0] - steepest_ml).abs() <= 0.5, "{text}");
}

#[test]
fn the_first_stream_with_two_mistyped_volumes_ends_near_25_85_ml() {
    stream_with_noted_volumes(1, 25.85);
}

#[test]
fn the_second_stream_ends_near_26_10_ml() {
    stream_with_noted_volumes(2, 26.10);
}

#[test]
fn the_third_stream_ends_near_24_60_ml() {
    stream_with_noted_volumes(3, 24.60);
}
