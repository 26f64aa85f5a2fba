//! People at the screens of one bench: the hand on a run, the cover of a screen that was left, and the keys of a run.

use super::{Dashboard, ENTER, ESC, F8, LEFT, PATIENCE, Recorder};
use std::io::Write;
use std::net::TcpListener;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

const PROFILE: &str = "title = \"pH meter\"\nmeasures = [\"ph\", \"temperature\"]\n\
    [wire]\nbaud = 9600\nframe = { ends_with = \"CR LF\" }\n\
    [[line]]\nname = \"now\"\nlike = \"{ph} pH {temperature:degC} C\"\n\
    [[example]]\nwire = \"  3.525 pH   26.17 C\\r\\n\"\ngives = { ph = 3.525, temperature = 26.17 }\n";

/// A titration by eye.
const EYE: &str =
    "title = \"flask by eye\"\nid = \"flask-by-eye\"\n[[find]]\nname = \"V\"\nshape = \"seen\"\n";

/// A meter behind a network port that says the same pH again and again, until it is told another one.
struct Meter {
    port: u16,
    line: Arc<Mutex<String>>,
}

impl Meter {
    fn listen(first: &str) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let line = Arc::new(Mutex::new(first.to_owned()));
        let says = Arc::clone(&line);
        std::thread::spawn(move || {
            let Ok((mut stream, _)) = listener.accept() else { return };
            loop {
                let now = says.lock().unwrap().clone();
                if stream.write_all(format!("{now}\r\n").as_bytes()).is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_millis(50));
            }
        });
        Self { port, line }
    }

    fn say(&self, line: &str) {
        line.clone_into(&mut self.line.lock().unwrap());
    }
}

/// A home with one bench and its recorder.
struct Shelf {
    folder: tempfile::TempDir,
    meter: Meter,
    _recorder: Recorder,
}

impl Shelf {
    /// The meter says `first`; `more` stands in the bench file.
    fn set_up(first: &str, more: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let home = folder.path();
        let meter = Meter::listen(first);
        std::fs::create_dir_all(home.join("benches")).unwrap();
        std::fs::create_dir_all(home.join("procedures")).unwrap();
        let profile = home.join("meter.toml");
        std::fs::write(&profile, PROFILE).unwrap();
        let text = format!(
            "title = \"shelf bench\"\n{more}\n[[instrument]]\nprofile = \"{}\"\nport = \"tcp:127.0.0.1:{}\"\n",
            profile.display(),
            meter.port
        );
        std::fs::write(home.join("benches/shelf.toml"), text).unwrap();
        std::fs::write(home.join("procedures/flask.toml"), EYE).unwrap();
        let recorder = Recorder::start(home);
        Self { folder, meter, _recorder: recorder }
    }

    fn home(&self) -> &Path {
        self.folder.path()
    }
}

/// From the run page to a run, without a procedure unless some words of one are given.
fn start(screen: &mut Dashboard, sample: &str, procedure: &str) {
    screen.pedal();
    screen.sees("next portion");
    screen.text_at_once(procedure);
    screen.press(super::DOWN);
    screen.presses(&[super::DOWN, super::DOWN]);
    screen.text_at_once(sample);
    for _ in 0..8 {
        if screen.text().contains("the pedal or Enter starts") {
            break;
        }
        screen.press(super::DOWN);
    }
    std::thread::sleep(Duration::from_millis(400));
    screen.press(ENTER);
    screen.sees("run 1 started");
}

#[test]
fn the_hand_on_a_run_goes_from_screen_to_screen_only_when_it_is_given() {
    let shelf = Shelf::set_up(
        "6.870 pH 24.9 C",
        "volume = { from = \"rate\", ml_per_min = 60.0 }\n[people]\nidentity = \"named\"",
    );
    let mut rosa = Dashboard::open_as(shelf.home(), Some("Rosa"));
    rosa.sees("shelf bench");
    let mut ivo = Dashboard::open_as(shelf.home(), Some("Ivo"));
    ivo.sees("shelf bench");
    start(&mut rosa, "jar A", "");
    rosa.sees("hand: you");
    ivo.sees("you look on; h asks for it");
    // Whoever has not the hand ends nothing.
    ivo.twice(F8);
    ivo.sees("not done (end the run)");
    ivo.press("h");
    ivo.sees("asked for the hand");
    rosa.sees("asks for the hand on this run: h answers");
    rosa.press("h");
    rosa.sees("yes or no");
    rosa.text_at_once("yes");
    rosa.press(ENTER);
    ivo.sees("hand: you");
    rosa.sees("you look on; h asks for it");
    ivo.twice(F8);
    ivo.sees("run 1 ended");
    rosa.sees("run 1 ended");
}

#[test]
fn a_screen_that_is_left_covers_itself_and_opens_to_whoever_says_who_he_is() {
    let people = "volume = { from = \"rate\", ml_per_min = 60.0 }\n[people]\nidentity = \"named\"\nlock_after = \"5 s\"";
    let shelf = Shelf::set_up("6.870 pH 24.9 C", people);
    let mut screen = Dashboard::open(shelf.home());
    // Nobody has said yet who sits here.
    screen.sees("who sits here");
    screen.text_at_once("Rosa");
    screen.press(ENTER);
    screen.sees("open: Rosa");
    start(&mut screen, "jar A", "");
    screen.sees("no command is taken");
    // Under the cover no key is a command, and the run goes on.
    screen.twice(F8);
    assert!(!screen.text().contains("run 1 ended"), "{}", screen.text());
    screen.text_at_once("Ivo");
    screen.press(ENTER);
    screen.sees("open: Ivo");
    assert!(!screen.text().contains("no command is taken"), "{}", screen.text());
}

#[test]
fn a_titration_by_hand_is_keyed_corrected_seen_by_eye_and_looked_at_closer() {
    let keyed =
        "volume = { from = \"keyed\" }\nsettling = { drift_per_min = 0.5, window_s = 0.3, longest_s = 3.0 }";
    let shelf = Shelf::set_up("3.500 pH 24.9 C", keyed);
    let mut screen = Dashboard::open(shelf.home());
    screen.sees("shelf bench");
    start(&mut screen, "jar A", "flask");
    screen.sees("key the burette reading");
    screen.press("s");
    screen.sees("burette reading at the start");
    screen.text_at_once("1.00");
    screen.press(ENTER);
    screen.sees("volume kept");
    let keyed = |screen: &mut Dashboard, reading: &str, line: &str, shown: &str| {
        shelf.meter.say(line);
        // A digit opens the field by itself.
        for c in reading.chars() {
            screen.press(&c.to_string());
        }
        screen.sees("Enter takes it");
        screen.press(ENTER);
        let end = Instant::now() + PATIENCE;
        while !screen.text().contains(shown) {
            assert!(Instant::now() < end, "{reading}: {shown} does not come\n{}", screen.text());
            std::thread::sleep(Duration::from_millis(30));
        }
    };
    keyed(&mut screen, "2.00", "3.900 pH 24.9 C", "1.000 mL");
    // Mistyped: 32 for 3.2.
    keyed(&mut screen, "32.00", "4.300 pH 24.9 C", "31.000 mL");
    screen.press("c");
    screen.sees("the last burette reading should be");
    screen.text_at_once("3.20");
    screen.press(ENTER);
    screen.sees("2.200 mL");
    keyed(&mut screen, "4.00", "9.100 pH 24.9 C", "3.000 mL");
    // By eye: where, and what was seen.
    screen.press("i");
    screen.sees("seen: burette reading and what");
    screen.text_at_once("3.85 colourless to pink");
    screen.press(ENTER);
    screen.sees("seen and kept: colourless to pink");
    // Cursor and lens, and back to the whole.
    screen.press(LEFT);
    screen.sees("mL: pH ");
    screen.press("+");
    screen.sees("x2");
    screen.press("+");
    screen.sees("x4");
    screen.press(ESC);
    std::thread::sleep(Duration::from_millis(300));
    assert!(!screen.text().contains(" x4"), "{}", screen.text());
    screen.twice(F8);
    screen.sees("run 1 ended");
    let shown = crate::program::dropwise(shelf.home()).args(["show", "1", "--json"]).output().unwrap();
    let run: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
    let volumes: Vec<f64> =
        run["points"].as_array().unwrap().iter().map(|p| p["titrant"].as_f64().unwrap()).collect();
    assert!(
        volumes.iter().all(|v| *v < 3.01) && volumes.iter().any(|v| (*v - 2.2).abs() < 1e-9),
        "{volumes:?}"
    );
    assert!(run["notes"].to_string().contains("colourless to pink"), "{}", run["notes"]);
}
