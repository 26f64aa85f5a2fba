//! The real program in a pseudo-terminal of 100 x 30, worked by keys.

mod guide;
mod hands;
mod picture;

use crate::program::dropwise;
use nix::pty::{Winsize, openpty};
use picture::Picture;
use std::fs::File;
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Nothing takes longer than this.
pub(crate) const PATIENCE: Duration = Duration::from_secs(60);
/// Two presses that belong together are at least so far apart.
pub(crate) const APART: Duration = Duration::from_millis(760);

const SCREEN: Winsize = Winsize { ws_row: 30, ws_col: 100, ws_xpixel: 0, ws_ypixel: 0 };

/// The dashboard in its terminal.
pub(crate) struct Dashboard {
    pub(crate) child: Child,
    keys: File,
    picture: Arc<Mutex<Picture>>,
    pub(crate) presses: usize,
}

pub(crate) const F8: &str = "\x1b[19~";
pub(crate) const F9: &str = "\x1b[20~";
pub(crate) const F12: &str = "\x1b[24~";
pub(crate) const UP: &str = "\x1b[A";
pub(crate) const DOWN: &str = "\x1b[B";
pub(crate) const RIGHT: &str = "\x1b[C";
pub(crate) const LEFT: &str = "\x1b[D";
pub(crate) const ENTER: &str = "\r";
pub(crate) const ESC: &str = "\x1b";
pub(crate) const BACKSPACE: &str = "\x7f";

impl Dashboard {
    pub(crate) fn open(home: &Path) -> Self {
        Self::open_as(home, None)
    }

    /// The dashboard of somebody who gives a name.
    pub(crate) fn open_as(home: &Path, name: Option<&str>) -> Self {
        let pair = openpty(&SCREEN, None).unwrap();
        let slave = File::from(pair.slave);
        let child = Command::new("setsid")
            .args(["--ctty", "--wait", env!("CARGO_BIN_EXE_dropwise")])
            .env("DROPWISE_HOME", home)
            .env_remove("DROPWISE_RECORD")
            .env_remove("DROPWISE_NAME")
            .envs(name.map(|name| ("DROPWISE_NAME", name)))
            .envs([("LC_ALL", "C.UTF-8"), ("TERM", "xterm-256color"), ("TZ", "UTC")])
            .stdin(Stdio::from(slave.try_clone().unwrap()))
            .stdout(Stdio::from(slave.try_clone().unwrap()))
            .stderr(Stdio::from(slave))
            .spawn()
            .unwrap();
        let keys = File::from(pair.master);
        let picture = Arc::new(Mutex::new(Picture::new(SCREEN.ws_col.into(), SCREEN.ws_row.into())));
        let (mut out, shown) = (keys.try_clone().unwrap(), Arc::clone(&picture));
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(n @ 1..) = out.read(&mut buffer) {
                shown.lock().unwrap().take(&buffer[..n]);
            }
        });
        Self { child, keys, picture, presses: 0 }
    }

    pub(crate) fn text(&self) -> String {
        self.picture.lock().unwrap().text()
    }

    /// Waits until the screen shows this.
    pub(crate) fn sees(&self, words: &str) {
        let end = Instant::now() + PATIENCE;
        while !self.text().contains(words) {
            assert!(Instant::now() < end, "\"{words}\" does not come:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(15));
        }
    }

    /// Presses a key as a hand does.
    pub(crate) fn press(&mut self, key: &str) {
        self.keys.write_all(key.as_bytes()).unwrap();
        self.presses += 1;
        std::thread::sleep(Duration::from_millis(60));
    }

    /// The pedal: it counts a while after the last letter, and after it was up for a while.
    pub(crate) fn pedal(&mut self) {
        std::thread::sleep(APART);
        self.press(" ");
    }

    pub(crate) fn presses(&mut self, keys: &[&str]) {
        for key in keys {
            self.press(key);
        }
    }

    /// Text that comes at once, without Enter.
    pub(crate) fn text_at_once(&mut self, text: &str) {
        self.keys.write_all(text.as_bytes()).unwrap();
        self.presses += text.chars().count();
        std::thread::sleep(Duration::from_millis(90));
    }

    /// A label or a mass as scanner and balance type it.
    pub(crate) fn scan(&mut self, text: &str) {
        self.keys.write_all(format!("{text}\r").as_bytes()).unwrap();
        self.presses += 1;
        std::thread::sleep(Duration::from_millis(90));
    }

    /// Two presses of one key, a moment apart.
    pub(crate) fn twice(&mut self, key: &str) {
        self.press(key);
        std::thread::sleep(APART);
        self.press(key);
    }

    /// From the line of the mass to the run that has started.
    pub(crate) fn weigh_and_start(&mut self, mass: &str, run: u32) {
        self.sees("next portion");
        self.scan(mass);
        self.start(run);
    }

    pub(crate) fn start(&mut self, run: u32) {
        self.press(ENTER);
        self.sees("Enter");
        self.press(ENTER);
        // The first portion of a series wants its cautions read; a key that came too soon after another is asked for again.
        let started = format!("run {run} started");
        let until = Instant::now() + PATIENCE;
        loop {
            let soon = Instant::now() + Duration::from_millis(1_500);
            while Instant::now() < soon.min(until) && !self.text().contains(&started) {
                std::thread::sleep(Duration::from_millis(40));
                if self.text().contains("cautions read, for this series") {
                    break;
                }
            }
            let text = self.text();
            if text.contains(&started) || Instant::now() >= until {
                break;
            }
            if text.contains("cautions read, for this series") || text.contains("the pedal or Enter starts") {
                std::thread::sleep(APART);
                self.press(ENTER);
            }
        }
        self.sees(&started);
    }

    pub(crate) fn end(&mut self, run: u32) {
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
pub(crate) struct Recorder(pub(crate) Child);

impl Drop for Recorder {
    fn drop(&mut self) {
        let _gone = self.0.kill();
        let _ended = self.0.wait();
    }
}

impl Recorder {
    /// Starts it and waits until it says that it is ready.
    pub(crate) fn start(home: &Path) -> Self {
        let mut recorder = Self(dropwise(home).arg("recorder").stdout(Stdio::piped()).spawn().unwrap());
        let mut ready = [0; 1];
        recorder.0.stdout.as_mut().unwrap().read_exact(&mut ready).unwrap();
        recorder
    }
}
