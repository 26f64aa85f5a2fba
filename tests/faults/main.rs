//! What goes wrong around a recorder, done to a real one: kills, a full disk, a record that goes, a terminal or a login that
//! goes, power that goes, a clock that is set, a socket with somebody strange at its other end.
//!
//! The short forms run with the other tests. The long form of the kills, of the power cuts, and a record of ten gigabytes,
//! by hand:
//!
//!     DROPWISE_KILLS=200 DROPWISE_CUTS=200 DROPWISE_GIGABYTES=10 cargo test --test faults -- --nocapture
#![cfg(target_os = "linux")]
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on stops here; the long forms tell their figures"
)]

#[path = "../attached/mod.rs"]
mod attached;
#[path = "../program/mod.rs"]
mod program;
#[path = "../stored/mod.rs"]
mod stored;

mod disk;
mod kills;
mod large;
mod people;
mod power;
mod service;
mod socket;
mod terminal;

use dropwise::link;
use dropwise::live::Session;
use dropwise::profile::Profile;
use dropwise::work::{
    Bench, BenchPlan, BenchState, Command as Wish, Instrument, LinePlan, RunPlan, VolumeFrom,
};
use program::dropwise;
use rusqlite::Connection;
use std::io::{BufRead, BufReader};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// A recorder with its whole process group.
struct Recorder {
    process: Child,
    record: PathBuf,
}

impl Recorder {
    /// Starts one and waits until screens can attach.
    fn start(home: &Path, more: &[&str]) -> Self {
        let mut command = dropwise(home);
        command.arg("recorder").args(more);
        Self::start_by(command, home)
    }

    fn start_by(mut command: Command, home: &Path) -> Self {
        let mut process = command.stdout(Stdio::piped()).process_group(0).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(process.stdout.take().unwrap()).read_line(&mut line).unwrap();
        assert!(line.contains("screens attach"), "{line}");
        Self { process, record: home.join("record.db") }
    }

    async fn attach(&self) -> Session {
        link::connect(&link::socket_path(&self.record)).await.unwrap()
    }

    fn signal(&self, signal: nix::sys::signal::Signal) {
        let group = nix::unistd::Pid::from_raw(i32::try_from(self.process.id()).unwrap());
        // Gone already is as good.
        let _gone = nix::sys::signal::killpg(group, signal);
    }

    /// The whole process group goes at once, as with the power.
    fn kill(&mut self) {
        self.signal(nix::sys::signal::Signal::SIGKILL);
        self.process.wait().unwrap();
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.signal(nix::sys::signal::Signal::SIGKILL);
        let _ended = self.process.wait();
    }
}

/// A bench with one simulated instrument that sends so many times as fast as life.
fn simulated(seed: u64, speed: u32) -> BenchPlan {
    let profile = Profile::shipped("demo-bench").unwrap();
    let port = format!("simulator@{speed}:{seed}");
    let title = format!("shelf {seed}");
    BenchPlan {
        text: format!(
            "title = \"{title}\"\ninstrument = [{{ profile = \"demo-bench\", port = \"{port}\" }}]\n"
        ),
        bench: Bench {
            title,
            instrument: vec![Instrument { profile: "demo-bench".to_owned(), port: port.clone() }],
            volume: VolumeFrom::Line,
            settling: None,
            burette: None,
            people: dropwise::work::People::default(),
            anchors: None,
        },
        lines: vec![LinePlan {
            port,
            profile_name: "demo-bench.toml".to_owned(),
            profile_text: profile.text,
        }],
    }
}

async fn open_and_run(session: &Session, seed: u64, speed: u32) {
    let plan = RunPlan { portion: 1, portions: 1, ..RunPlan::default() };
    let bench = Box::new(simulated(seed, speed));
    let wish = Wish::Open { bench, start: Some(Box::new(plan)), confirms_sending: false };
    session.commands.send((seed, wish)).await.unwrap();
}

/// Applies events until the state satisfies `until`; panics after a while.
async fn follow(session: &mut Session, state: &mut BenchState, until: impl FnMut(&BenchState) -> bool) {
    attached::follow_for(Duration::from_secs(90), session, state, until).await;
}

/// Complete lines in the wire of the record.
fn complete_lines(record: &Path) -> u64 {
    let connection = Connection::open(record).unwrap();
    let mut statement = connection.prepare("SELECT bytes FROM wire ORDER BY line_id, seq").unwrap();
    let chunks = statement.query_map([], |row| row.get::<_, Vec<u8>>(0)).unwrap();
    chunks.map(|bytes| bytes.unwrap().iter().filter(|b| **b == b'\n').count() as u64).sum()
}

/// Moments that no author chose: xorshift.
struct Chance(u64);

impl Chance {
    fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % n
    }
}

/// How often something is done: in the long form as often as the variable says.
fn rounds(variable: &str, short: u32) -> u32 {
    std::env::var(variable).ok().and_then(|text| text.parse().ok()).unwrap_or(short)
}
