//! The scripted day of an analyst, by keys alone: the real program in a pseudo-terminal, the bench behind a network port.
//!
//! The bench plays the beakers of a simulated day, but stands behind a port like a real one: its runs may be accepted and
//! signed. Whoever puts the beakers under the electrode is this test.
#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "a test that cannot go on stops here")]

mod program;

use dropwise::source::simulate::{Beaker, Day, Simulated};
use nix::pty::{Winsize, openpty};
use program::dropwise;
use serde_json::Value;
use std::fs::File;
use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant};

/// The seed of the day.
const SEED: u64 = 11;
/// How many times faster than life titrations and buffers are.
const SPEED: f64 = 600.0;
const SPEED_OF_BUFFERS: f64 = 40.0;
/// Nothing takes longer than this.
const PATIENCE: Duration = Duration::from_secs(60);
/// Two presses that belong together are at least so far apart.
const APART: Duration = Duration::from_millis(760);

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

/// What a terminal of 100 x 30 shows: as much of a terminal as the program asks for.
struct Picture {
    cells: Vec<Vec<char>>,
    at: (usize, usize),
    rest: Vec<u8>,
}

const SCREEN: Winsize = Winsize { ws_row: 30, ws_col: 100, ws_xpixel: 0, ws_ypixel: 0 };
const COLUMNS: usize = SCREEN.ws_col as usize;
const ROWS: usize = SCREEN.ws_row as usize;

impl Picture {
    fn new() -> Self {
        Self { cells: vec![vec![' '; COLUMNS]; ROWS], at: (0, 0), rest: Vec::new() }
    }

    fn text(&self) -> String {
        self.cells.iter().map(|row| row.iter().collect::<String>().trim_end().to_owned() + "\n").collect()
    }

    fn take(&mut self, bytes: &[u8]) {
        self.rest.extend_from_slice(bytes);
        let mut at = 0;
        while at < self.rest.len() {
            match self.one(at) {
                Some(next) => at = next,
                None => break,
            }
        }
        self.rest.drain(..at);
    }

    /// Takes one character or sequence; `None`: it is not complete yet.
    fn one(&mut self, at: usize) -> Option<usize> {
        let rest = &self.rest[at..];
        if rest[0] == 0x1b {
            if *rest.get(1)? != b'[' {
                return Some(at + 2);
            }
            let end = rest.iter().skip(2).position(|b| (0x40..=0x7e).contains(b))? + 2;
            let numbers = String::from_utf8_lossy(&rest[2..end]).into_owned();
            let number = |n: usize| numbers.split(';').nth(n).and_then(|t| t.parse::<usize>().ok());
            match rest[end] {
                b'H' => self.at = (number(0).unwrap_or(1) - 1, number(1).unwrap_or(1) - 1),
                b'J' => self.cells = vec![vec![' '; COLUMNS]; ROWS],
                _ => {}
            }
            return Some(at + end + 1);
        }
        let long = match rest[0] {
            0..=0x7f => 1,
            0xc0..=0xdf => 2,
            0xe0..=0xef => 3,
            _ => 4,
        };
        let text = std::str::from_utf8(rest.get(..long)?).unwrap_or("?");
        for c in text.chars().filter(|c| !c.is_control()) {
            if let Some(cell) = self.cells.get_mut(self.at.0).and_then(|row| row.get_mut(self.at.1)) {
                *cell = c;
            }
            self.at.1 += 1;
        }
        Some(at + long)
    }
}

/// The dashboard in its terminal.
struct Dashboard {
    child: Child,
    keys: File,
    picture: Arc<Mutex<Picture>>,
    presses: usize,
}

const F8: &str = "\x1b[19~";
const F9: &str = "\x1b[20~";
const F12: &str = "\x1b[24~";
const UP: &str = "\x1b[A";
const DOWN: &str = "\x1b[B";
const RIGHT: &str = "\x1b[C";
const LEFT: &str = "\x1b[D";
const ENTER: &str = "\r";
const BACKSPACE: &str = "\x7f";

impl Dashboard {
    fn open(home: &Path) -> Self {
        let pair = openpty(&SCREEN, None).unwrap();
        let slave = File::from(pair.slave);
        let child = Command::new("setsid")
            .args(["--ctty", "--wait", env!("CARGO_BIN_EXE_dropwise")])
            .env("DROPWISE_HOME", home)
            .env_remove("DROPWISE_RECORD")
            .envs([("LC_ALL", "C.UTF-8"), ("TERM", "xterm-256color"), ("TZ", "UTC")])
            .stdin(Stdio::from(slave.try_clone().unwrap()))
            .stdout(Stdio::from(slave.try_clone().unwrap()))
            .stderr(Stdio::from(slave))
            .spawn()
            .unwrap();
        let keys = File::from(pair.master);
        let picture = Arc::new(Mutex::new(Picture::new()));
        let (mut out, shown) = (keys.try_clone().unwrap(), Arc::clone(&picture));
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(n @ 1..) = out.read(&mut buffer) {
                shown.lock().unwrap().take(&buffer[..n]);
            }
        });
        Self { child, keys, picture, presses: 0 }
    }

    fn text(&self) -> String {
        self.picture.lock().unwrap().text()
    }

    /// Waits until the screen shows this.
    fn sees(&self, words: &str) {
        let end = Instant::now() + PATIENCE;
        while !self.text().contains(words) {
            assert!(Instant::now() < end, "\"{words}\" does not come:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(15));
        }
    }

    /// Presses a key as a hand does.
    fn press(&mut self, key: &str) {
        self.keys.write_all(key.as_bytes()).unwrap();
        self.presses += 1;
        std::thread::sleep(Duration::from_millis(60));
    }

    /// The pedal: it counts a while after the last letter, and after it was up for a while.
    fn pedal(&mut self) {
        std::thread::sleep(APART);
        self.press(" ");
    }

    fn presses(&mut self, keys: &[&str]) {
        for key in keys {
            self.press(key);
        }
    }

    /// Text that comes at once, without Enter.
    fn text_at_once(&mut self, text: &str) {
        self.keys.write_all(text.as_bytes()).unwrap();
        self.presses += text.chars().count();
        std::thread::sleep(Duration::from_millis(90));
    }

    /// A label or a mass as scanner and balance type it.
    fn scan(&mut self, text: &str) {
        self.keys.write_all(format!("{text}\r").as_bytes()).unwrap();
        self.presses += 1;
        std::thread::sleep(Duration::from_millis(90));
    }

    /// Two presses of one key, a moment apart.
    fn twice(&mut self, key: &str) {
        self.press(key);
        std::thread::sleep(APART);
        self.press(key);
    }

    /// From the line of the mass to the run that has started.
    fn weigh_and_start(&mut self, mass: &str, run: u32) {
        self.sees("next portion");
        self.scan(mass);
        self.start(run);
    }

    fn start(&mut self, run: u32) {
        self.press(ENTER);
        self.sees("Enter");
        self.press(ENTER);
        // The first portion of a series wants its cautions read.
        std::thread::sleep(Duration::from_millis(350));
        if self.text().contains("cautions read, for this series") {
            self.press(ENTER);
        }
        self.sees(&format!("run {run} started"));
    }

    fn end(&mut self, run: u32) {
        std::thread::sleep(Duration::from_millis(150));
        self.twice(F8);
        self.sees(&format!("run {run} ended"));
        // The result is computed and kept.
        self.sees("next portion");
    }
}

impl Drop for Dashboard {
    fn drop(&mut self) {
        let _gone = self.child.kill();
        let _ended = self.child.wait();
    }
}

/// A recorder that ends with the test.
struct Recorder(Child);

impl Drop for Recorder {
    fn drop(&mut self) {
        let _gone = self.0.kill();
        let _ended = self.0.wait();
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
    let mut recorder = Recorder(dropwise(home).arg("recorder").stdout(Stdio::piped()).spawn().unwrap());
    let mut ready = [0; 1];
    recorder.0.stdout.as_mut().unwrap().read_exact(&mut ready).unwrap();

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

    // The titrant: three portions of phthalate.
    day.press("t");
    day.sees("never standardised");
    day.pedal();
    for (n, mass) in [(1, "0.3712"), (2, "0.3655"), (3, "0.3790")] {
        if n > 1 {
            day.pedal();
        }
        day.weigh_and_start(mass, n);
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
        ("jar A", "vinegar-a", 3, LEFT, 2),
        ("jar B", "vinegar-b", 3, RIGHT, 0),
        ("control", "control", 1, LEFT, 1),
    ];
    let mut nth = 0;
    for (sample, beaker, count, turn, turns) in samples {
        for portion in 1..=count {
            day.pedal();
            day.sees("next portion");
            if portion == 1 && turns > 0 {
                // To the line that says what it is for.
                day.presses(&[UP, UP, UP, UP, UP]);
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

    // Jar A is accepted.
    day.presses(&["\x1b[H"]);
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
    let verbs: Vec<Value> = asked(home, &["review", "--all", "--json"]);
    for verb in ["check", "accept", "sign", "enrol"] {
        assert!(verbs.iter().any(|row| row["verb"] == verb), "{verb}: {verbs:?}");
    }
}
