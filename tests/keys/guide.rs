//! From an empty home: the guide with an instrument on a serial line, and a practice day by reading only the screen.

use super::{DOWN, Dashboard, ENTER, ESC, F12, RIGHT, Recorder, UP};
use crate::program::dropwise;
use dropwise::source::pty::play;
use std::path::Path;
use std::time::Duration;

/// To the last line of a list.
const END: &str = "\x1b[F";
/// Empties a line.
const CLEAR: &str = "\x15";
/// The pedal and Enter count a while after the last letter.
const QUIET: Duration = Duration::from_millis(400);

fn quiet() {
    std::thread::sleep(QUIET);
}

/// From an empty home to the sheet that takes a place as it is typed.
fn to_another_place(screen: &mut Dashboard) {
    screen.sees("No bench is set up");
    screen.pedal();
    screen.sees("where does the instrument hang");
    screen.sees("another place");
    screen.press(END);
    screen.press(ENTER);
    screen.sees("a device such as");
}

fn files_in(folder: &Path) -> Vec<std::path::PathBuf> {
    let found = std::fs::read_dir(folder).map(|all| all.flatten().map(|entry| entry.path()).collect());
    found.unwrap_or_default()
}

#[test]
fn the_guide_leads_from_an_instrument_on_a_serial_line_to_a_bench_that_understands_it() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    // A meter that says pH and temperature without naming the second.
    let line = |n: u32| {
        let t = f64::from(n % 400) * 0.01;
        (f64::from(n) * 0.01, format!("{:7.3} pH {:6.2}\r\n", 4.0 + t, 24.9 + 0.05 * t.sin()).into_bytes())
    };
    let instrument = play((0..200_000).map(line), 1.0).unwrap();
    let _recorder = Recorder::start(home);
    let mut screen = Dashboard::open(home);
    to_another_place(&mut screen);
    screen.text_at_once(&instrument.path.display().to_string());
    quiet();
    screen.press(ENTER);
    screen.sees("be opened?");
    screen.press(ENTER);
    screen.sees("Nothing is sent.");
    screen.sees("what came in");
    screen.sees("% of it text");
    screen.press(ENTER);
    screen.sees("what was understood");
    // Each question is answered by its guess.
    for _ in 0..5 {
        std::thread::sleep(Duration::from_millis(600));
        if screen.text().contains("Nothing is left to ask") {
            break;
        }
        screen.sees("Enter answers it");
        screen.press(ENTER);
        screen.sees("Enter answers; Left and Right choose");
        screen.press(ENTER);
    }
    screen.sees("Nothing is left to ask");
    screen.sees("it is keyed by hand");
    screen.press(ENTER);
    screen.sees("the new bench");
    screen.presses(&[ENTER, ENTER]);
    screen.sees("the bench is open");
    // What the meter says stands on the screen, and every line of it is understood.
    screen.press("b");
    screen.sees("line: open");
    screen.sees("not understood 0");
    screen.press(ESC);
    screen.sees("Volumes are keyed");
    let benches = files_in(&home.join("benches"));
    let profiles = files_in(&home.join("instruments"));
    assert!(benches.len() == 1 && profiles.len() == 1, "{benches:?} {profiles:?}");
    let checked = dropwise(home).args(["profile", "check"]).arg(&profiles[0]).output().unwrap();
    assert!(checked.status.success(), "{checked:?}");
    assert!(instrument.received().is_empty(), "something was sent to the instrument");
}

/// Types on a line of a sheet and goes to the next one.
fn fill(screen: &mut Dashboard, texts: &[&str]) {
    for text in texts {
        screen.text_at_once(text);
        screen.press(DOWN);
    }
}

/// Starts the portion in the form, cautions read where that is asked, and waits until its beaker is titrated.
fn titrate(screen: &mut Dashboard, run: u32) {
    let is_under_way = |screen: &Dashboard| {
        let text = screen.text();
        text.contains(&format!("run {run} started")) || text.contains(&format!("run {run} ended"))
    };
    for _ in 0..5 {
        quiet();
        screen.press(ENTER);
        std::thread::sleep(Duration::from_millis(700));
        if is_under_way(screen) {
            break;
        }
    }
    screen.sees(&format!("run {run} ended"));
}

/// Moves up to a line of the form.
fn up_to(screen: &mut Dashboard, line: &str) {
    for _ in 0..10 {
        if screen.text().contains(&format!("▸ {line}")) {
            return;
        }
        screen.press(UP);
    }
    screen.sees(&format!("▸ {line}"));
}

#[test]
#[ignore = "seven practice titrations of several seconds each: cargo test --test day_by_keys -- --ignored"]
fn a_new_user_comes_from_an_empty_home_to_an_accepted_practice_result_and_its_report() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let _recorder = Recorder::start(home);
    let mut screen = Dashboard::open(home);
    to_another_place(&mut screen);
    screen.text_at_once("simulator@40");
    quiet();
    screen.press(ENTER);
    screen.sees("A practice day");

    screen.press("e");
    screen.sees("no electrode was checked yet");
    screen.pedal();
    screen.sees("its name");
    screen.text_at_once("glass 1");
    screen.presses(&[ENTER, ENTER, ENTER]);
    quiet();
    screen.press(ENTER);
    screen.sees("verdict: ACCEPTED");
    screen.twice(F12);
    screen.sees("kept in the record");

    screen.press("t");
    screen.sees("no lot of titrant is entered yet: a enters one");
    screen.press("a");
    screen.sees("enter a titrant");
    fill(&mut screen, &["hydroxide 1", "sodium hydroxide", "0.1 mol/L"]);
    screen.twice(F12);
    screen.sees("never standardised");
    for (run, mass) in [(1, "0.3712"), (2, "0.3655"), (3, "0.3790")] {
        screen.pedal();
        screen.sees("next portion");
        screen.text_at_once(mass);
        titrate(&mut screen, run);
        screen.press("t");
        screen.sees(&format!("run {run}"));
    }
    screen.sees("complete, and passes");
    screen.twice(F12);
    screen.sees("accepted hydroxide 1");

    // A blank, then three portions of a sample.
    screen.press(ESC);
    screen.pedal();
    screen.sees("next portion");
    screen.text_at_once("vinegar");
    screen.sees("Acidity of vinegar");
    screen.presses(&[DOWN, RIGHT, RIGHT]);
    titrate(&mut screen, 4);
    for (run, mass) in [(5, "1.6021"), (6, "1.5873"), (7, "1.6110")] {
        screen.pedal();
        screen.sees("next portion");
        if run == 5 {
            up_to(&mut screen, "for");
            screen.presses(&[RIGHT, RIGHT, DOWN, DOWN]);
            screen.text_at_once("jar A");
            quiet();
            screen.press(ENTER);
        }
        screen.text_at_once(mass);
        titrate(&mut screen, run);
    }
    screen.press("p");
    screen.sees("complete, and passes");
    screen.sees("F12 F12 accepts jar A, as practice");
    screen.twice(F12);
    screen.sees("as practice: SIMULATED, never the result of a sample");

    // Its report: where it goes is told, and one that is there stays.
    screen.press("f");
    screen.sees("write a file");
    screen.presses(&[DOWN, CLEAR]);
    screen.text_at_once(&home.join("reports").display().to_string());
    quiet();
    screen.presses(&[ENTER, ENTER]);
    screen.sees("written to");
    let presses = screen.presses;
    println!(
        "{presses} presses from an empty home to the report of a practice result, texts counted letter by letter"
    );
    let report = files_in(&home.join("reports")).pop().unwrap();
    let bytes = std::fs::read(&report).unwrap();
    assert!(bytes.starts_with(b"%PDF"), "{}", report.display());
    let verified = dropwise(home).args(["record", "verify"]).arg(&report).output().unwrap();
    assert!(verified.status.success(), "{verified:?}");
    screen.press("f");
    screen.presses(&[ENTER, ENTER]);
    quiet();
    screen.press(ENTER);
    screen.sees("is there already and stays");
    assert_eq!(std::fs::read(&report).unwrap(), bytes);
    assert_eq!(files_in(&home.join("reports")).len(), 1);
    let accepted = dropwise(home).args(["export", "--state", "accepted"]).output().unwrap();
    assert_eq!(String::from_utf8_lossy(&accepted.stdout).lines().count(), 1, "the head alone: {accepted:?}");
}
