//! The scripted day of an analyst, by keys alone: the real program in a pseudo-terminal, the bench behind a network port.
//!
//! The bench plays the beakers of a simulated day, but stands behind a port like a real one: its runs may be accepted and
//! signed. Whoever puts the beakers under the electrode is this test.
#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

mod keys;
mod program;

use dropwise::source::simulate::{Beaker, Day, Simulated};
use keys::{BACKSPACE, DOWN, Dashboard, ENTER, ESC, F9, F12, LEFT, PATIENCE, RIGHT, Recorder, UP};
use program::dropwise;
use serde_json::Value;
use std::io::Write;
use std::net::TcpListener;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

/// The seed of the day.
const SEED: u64 = 11;
/// How many times faster than life titrations and buffers are.
const SPEED: f64 = 600.0;
const SPEED_OF_BUFFERS: f64 = 40.0;

const EQUIPMENT: &str = include_str!("lab/equipment.toml");

/// The bench behind its port.
struct Instrument {
    port: u16,
    beakers: mpsc::Sender<(String, f64)>,
    finished: Arc<AtomicUsize>,
    put: usize,
}

impl Instrument {
    fn listen() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let (beakers, waiting) = mpsc::channel::<(String, f64)>();
        let finished = Arc::new(AtomicUsize::new(0));
        let done = Arc::clone(&finished);
        std::thread::spawn(move || {
            let Ok((mut stream, _)) = listener.accept() else { return };
            stream.set_nodelay(true).unwrap();
            let day = Day::drawn(SEED);
            while let Ok((text, speed)) = waiting.recv() {
                let (beaker, nth) = Beaker::parse(&text).unwrap();
                let began = Instant::now();
                for (at, bytes) in Simulated::new(day.scenario(&beaker, nth).at_speed(speed), SEED) {
                    std::thread::sleep(Duration::from_secs_f64(at).saturating_sub(began.elapsed()));
                    if stream.write_all(&bytes).is_err() {
                        return;
                    }
                }
                done.fetch_add(1, Ordering::SeqCst);
            }
        });
        Self { port, beakers, finished, put: 0 }
    }

    /// Puts a beaker under the electrode and waits until its titration is through.
    fn titrate(&mut self, beaker: &str, speed: f64) {
        self.beakers.send((beaker.to_owned(), speed)).unwrap();
        self.put += 1;
        let end = Instant::now() + PATIENCE;
        while self.finished.load(Ordering::SeqCst) < self.put {
            assert!(Instant::now() < end, "{beaker} did not come to its end");
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

fn asked(home: &Path, arguments: &[&str]) -> Vec<Value> {
    let output = dropwise(home).args(arguments).output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect()
}

#[test]
fn a_day_from_the_electrode_to_the_signature_by_keys_alone() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let mut bench = Instrument::listen();
    std::fs::create_dir_all(home.join("benches")).unwrap();
    let text = format!(
        "title = \"window bench\"\n[[instrument]]\nprofile = \"demo-bench\"\nport = \"tcp:127.0.0.1:{}\"\n",
        bench.port
    );
    std::fs::write(home.join("benches/window.toml"), text).unwrap();
    let list = home.join("equipment.toml");
    std::fs::write(&list, EQUIPMENT).unwrap();
    let added = dropwise(home).args(["equipment", "add", list.to_str().unwrap()]).output().unwrap();
    assert!(added.status.success(), "{added:?}");
    let _recorder = Recorder::start(home);

    let mut day = Dashboard::open(home);
    day.sees("window bench");

    // The electrode: three buffers, by dipping alone.
    day.press("e");
    day.sees("no electrode was checked yet");
    day.pedal();
    day.sees("glass 3");
    day.presses(&[DOWN, DOWN, BACKSPACE, BACKSPACE]);
    day.text_at_once("0.5");
    day.presses(&[ENTER, ENTER]);
    day.sees("rinse the electrode");
    bench.titrate("buffers", SPEED_OF_BUFFERS);
    day.sees("verdict: ACCEPTED");
    day.twice(F12);
    day.sees("kept in the record");

    // A thermometer is entered, the typing judged as it is typed.
    day.press("q");
    day.sees("hydroxide lot 7");
    day.press("a");
    day.sees("enter a piece of equipment");
    day.presses(&[RIGHT, RIGHT, RIGHT, RIGHT, DOWN]);
    day.text_at_once("window thermometer");
    day.presses(&[DOWN, DOWN, DOWN]);
    day.text_at_once("0.1 furlong");
    day.sees("is not a unit");
    day.presses(&[BACKSPACE; 7]);
    day.text_at_once("K");
    day.twice(F12);
    day.sees("thermometer window thermometer is entered");

    // The titrant: three portions of phthalate.
    day.press("t");
    day.sees("never standardised");
    day.pedal();
    day.sees("not ticked yet");
    // Two steps of preparation from the start line of the form: one done, one skipped; Esc leads back.
    day.scan("0.3712");
    day.press(ENTER);
    day.press("x");
    day.sees("before the series");
    day.pedal();
    day.sees("done: ");
    day.press("s");
    day.sees("why is this step skipped");
    day.text_at_once("boiled yesterday");
    std::thread::sleep(Duration::from_millis(350));
    day.press(ENTER);
    day.sees("skipped: ");
    day.press(ESC);
    for (n, mass) in [(1, "0.3712"), (2, "0.3655"), (3, "0.3790")] {
        if n == 1 {
            day.sees("next portion");
            day.start(n);
        } else {
            day.pedal();
            day.weigh_and_start(mass, n);
        }
        bench.titrate(&format!("phthalate={mass}/{n}"), SPEED);
        day.end(n);
    }
    day.press("t");
    day.sees("complete, and passes");
    day.twice(F12);
    day.sees("accepted hydroxide lot 7");

    // Two blanks of the series that the samples will be in.
    day.pedal();
    day.sees("next portion");
    day.presses(&[UP, UP, UP, UP, UP, UP]);
    day.text_at_once("vinegar");
    day.sees("Acidity of vinegar");
    day.presses(&[DOWN, RIGHT, RIGHT]);
    day.start(4);
    bench.titrate("blank/1", SPEED);
    day.end(4);
    day.pedal();
    day.sees("next portion");
    day.press(ENTER);
    day.sees("run 5 started");
    bench.titrate("blank/2", SPEED);
    day.end(5);

    // Two samples of three portions, and a control.
    let mut run = 5;
    let samples = [
        ("jar A", "vinegar-a", 3, (5, LEFT, 2)),
        ("jar B", "vinegar-b", 3, (0, RIGHT, 0)),
        // After the last portion of a sample the cursor waits for the name of the next one.
        ("control", "control", 1, (2, LEFT, 1)),
    ];
    let mut nth = 0;
    for (sample, beaker, count, (ups, turn, turns)) in samples {
        for portion in 1..=count {
            day.pedal();
            day.sees("next portion");
            if portion == 1 {
                // To the line that says what it is for.
                for _ in 0..ups {
                    day.press(UP);
                }
                for _ in 0..turns {
                    day.press(turn);
                }
            }
            if portion == 1 {
                day.scan(sample);
            }
            let mass = ["1.6021", "1.5873", "1.6110"][portion - 1];
            run += 1;
            nth += 1;
            day.weigh_and_start(mass, run);
            bench.titrate(&format!("{beaker}={mass}/{nth}"), SPEED);
            day.end(run);
        }
    }

    // The second portion of jar B is set aside with a reason.
    day.press("p");
    day.sees("sample jar B");
    day.presses(&[DOWN, DOWN, DOWN, DOWN, DOWN, DOWN]);
    day.press(F9);
    day.sees("why is run 10 set aside");
    day.text_at_once("the stirrer stood still");
    day.twice(F9);
    day.sees("SET ASIDE: the stirrer stood still");
    day.sees("closed as failed");
    day.twice(F12);
    day.sees("nothing is accepted");

    // The first portion of jar B is evaluated again with another look, and that one chosen with a reason.
    day.press("r");
    day.sees("stored runs");
    day.press("/");
    day.text_at_once("jar B");
    std::thread::sleep(Duration::from_millis(350));
    day.press(ENTER);
    day.presses(&[DOWN, DOWN, ENTER]);
    day.sees("sample jar B, portion 1");
    day.press("a");
    day.sees("evaluate run 9 again");
    day.presses(&[RIGHT, RIGHT, RIGHT, DOWN, DOWN, DOWN, DOWN]);
    day.text_at_once("8.2 pH");
    day.presses(&[DOWN, DOWN, DOWN]);
    day.text_at_once("the procedure of last year");
    day.twice(F12);
    day.sees("run 9 is evaluated again");
    day.sees("reckoning 13");
    day.press("c");
    day.sees("report reckoning 13 of run 9");
    day.text_at_once("compared with last year");
    day.twice(F12);
    day.sees("is the reported one from now on");
    day.sees("reckoning 13, reported");

    // Jar A is accepted, with a remark.
    day.press("p");
    day.sees("sample jar A");
    day.presses(&["\x1b[H"]);
    day.press("n");
    day.sees("a remark with the next acceptance");
    day.text_at_once("as expected");
    std::thread::sleep(Duration::from_millis(350));
    day.press(ENTER);
    day.sees("with the remark: as expected");
    day.twice(F12);
    day.sees("accepted jar A");

    // A key, and a signature under the first portion of jar A.
    day.press("k");
    day.text_at_once("the analyst");
    day.press(DOWN);
    day.text_at_once("a phrase for a day");
    day.press(DOWN);
    day.text_at_once("a phrase for a day");
    day.twice(F12);
    day.sees("made and enrolled");
    day.press(DOWN);
    day.press(ENTER);
    day.sees("not signed");
    day.press(F12);
    day.sees("whose key signs");
    day.presses(&[DOWN, DOWN]);
    day.text_at_once("a phrase for a day");
    day.twice(F12);
    day.sees("signed: performed by the analyst");

    // The control sample on its chart; the ledger, gone through and signed.
    day.press("g");
    day.sees("control samples: Acidity of vinegar");
    day.press("d");
    day.sees("decisions since the last review");
    day.press(F12);
    day.sees("of the ledger as reviewed");
    day.press(DOWN);
    day.text_at_once("a phrase for a day");
    day.twice(F12);
    day.sees("are signed: reviewed by the analyst");
    println!("{} presses, a scan counted as one", day.presses);

    // Closing the screen ends nothing.
    day.presses(&["\x03", "\x03"]);
    assert!(day.child.wait().unwrap().success());

    // What the record has of that day, by the command line.
    let check = asked(home, &["electrode", "list", "--json"]).pop().unwrap();
    assert_eq!(check["check"]["accepted"], true, "{check}");
    let factor = asked(home, &["titrant", "list", "--json"]).pop().unwrap()["factor"].clone();
    let truth = Day::drawn(SEED);
    let strength = truth.base_mol_l * (1.0 - truth.carbonate / 2.0);
    let (value, u) = (factor["value"].as_f64().unwrap(), factor["u"].as_f64().unwrap());
    assert!((value - strength).abs() < 4.0 * u, "{value} ± {u}, truth {strength}");
    let series = asked(home, &["series", "--json"]);
    let name = series[0]["series"].as_str().unwrap().to_owned();
    let rows = asked(home, &["series", &name, "--json"]);
    let of = |sample: &str| rows.iter().find(|row| row["sample"] == sample).unwrap().clone();
    for (sample, truth) in [("jar A", truth.content_g_100g[0]), ("control", truth.content_g_100g[2])] {
        let mean = of(sample)["result"]["results"][0]["mean"].clone();
        let (value, expanded) = (mean["value"].as_f64().unwrap(), mean["expanded"].as_f64().unwrap());
        assert!((value - truth).abs() < 2.0 * expanded, "{sample}: {value} ± {expanded}, truth {truth}");
    }
    assert_eq!(of("jar A")["result"]["counted"], 3);
    assert_eq!(of("jar B")["result"]["counted"], 2);
    assert_eq!(of("jar B")["portions"][1]["set_aside"], "the stirrer stood still");
    // What was chosen is what the record reports, and what was accepted or signed cannot be chosen otherwise.
    let run = asked(home, &["show", "9", "--json"]).pop().unwrap();
    assert_eq!(
        (&run["reckoning"], &run["choice"]["reckoning"]),
        (&Value::from(13), &Value::from(13)),
        "{run}"
    );
    let first = asked(home, &["show", "8", "--json"]).pop().unwrap()["reckoning"].as_i64().unwrap();
    let again = dropwise(home).args(["reckon", "8", "--shape", "jump", "--why", "x"]).output().unwrap();
    assert!(again.status.success(), "{again:?}");
    let refused = dropwise(home).args(["choose", "14", "--why", "x"]).output().unwrap();
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(!refused.status.success() && said.contains("was accepted by"), "{said}");
    assert_eq!(asked(home, &["show", "8", "--json"]).pop().unwrap()["reckoning"], first);
    let accepted = asked(home, &["review", "--all", "--json"]);
    assert!(accepted.iter().any(|row| row["verb"] == "accept" && row["why"] == "as expected"));
    let verified = dropwise(home).args(["record", "verify"]).output().unwrap();
    assert!(verified.status.success(), "{}", String::from_utf8_lossy(&verified.stdout));
    let verbs: Vec<Value> = asked(home, &["review", "--all", "--json"]);
    for verb in ["check", "accept", "sign", "enrol", "report", "do", "skip"] {
        assert!(verbs.iter().any(|row| row["verb"] == verb), "{verb}: {verbs:?}");
    }
}
