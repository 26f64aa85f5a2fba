//! The whole program on a pseudo-terminal of 80 x 24, with instruments behind network ports.
//!
//! Latency: from before the byte that completes a frame is written until its figure stands on the terminal; budget 60 ms
//! for 99 of 100. Bytes: what the screen writes while a run gives a point a second; budget 600 bytes a second. Processor:
//! recorder and screen together with eight lanes that each take ten readings a second, a run on each; budget 10 % of one core.

use super::picture::Picture;
use dropwise::link::{self, RecordLock};
use dropwise::live::Session;
use dropwise::work::{Command as Wish, Event, LaneId, RunPlan};
use nix::pty::{Winsize, openpty};
use std::fs::File;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

const COLUMNS: u16 = 80;
const ROWS: u16 = 24;
const LANES: usize = 8;
/// Nothing takes longer than this.
const PATIENCE: Duration = Duration::from_secs(30);

/// How long each measurement takes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Extent {
    pub(super) frames: u32,
    pub(super) bytes_s: u32,
    pub(super) processor_s: u32,
}

/// Measures and prints.
pub(super) fn measure(extent: Extent) {
    one_lane(extent);
    eight_lanes(extent);
}

/// An instrument that is written for.
struct Instrument {
    stream: TcpStream,
    volume_ml: f64,
}

impl Instrument {
    /// Sends the next line; gives the figure that it brings.
    fn send(&mut self, step_ml: f64) -> String {
        self.volume_ml += step_ml;
        let ph = 7.0 + ((self.volume_ml - 11.41) * 400.0).asinh() / std::f64::consts::LN_10;
        let figure = format!("{:.3} mL", self.volume_ml);
        let line = format!("{figure}, {ph:.3} pH, 24.9 C, S\r\n");
        self.stream.write_all(line.as_bytes()).expect("the recorder listens");
        figure
    }
}

/// The program on its terminal, with what it writes and when.
struct Screen {
    child: Child,
    written: mpsc::Receiver<(Instant, Vec<u8>)>,
    picture: Picture,
    _keys: File,
}

impl Screen {
    fn open(home: &Path) -> Self {
        let size = Winsize { ws_row: ROWS, ws_col: COLUMNS, ws_xpixel: 0, ws_ypixel: 0 };
        let pty = openpty(Some(&size), None).expect("a pseudo-terminal");
        let (slave, master) = (File::from(pty.slave), File::from(pty.master));
        let child = Command::new(env!("CARGO_BIN_EXE_dropwise"))
            .envs([("LC_ALL", "C.UTF-8"), ("TERM", "xterm-256color"), ("TZ", "UTC")])
            .env("DROPWISE_HOME", home)
            .env_remove("DROPWISE_RECORD")
            .stdin(Stdio::from(slave.try_clone().expect("a descriptor")))
            .stdout(Stdio::from(slave))
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        let (sender, written) = mpsc::channel();
        let mut out = master.try_clone().expect("a descriptor");
        std::thread::spawn(move || {
            let mut buffer = [0; 16_384];
            while let Ok(n @ 1..) = out.read(&mut buffer) {
                if sender.send((Instant::now(), buffer[..n].to_vec())).is_err() {
                    return;
                }
            }
        });
        let picture = Picture::new(COLUMNS.into(), ROWS.into());
        Self { child, written, picture, _keys: master }
    }

    /// Waits until these words stand on the terminal; gives when the last byte for them came.
    fn sees(&mut self, words: &str) -> Instant {
        let end = Instant::now() + PATIENCE;
        while let Ok((at, bytes)) = self.written.recv_timeout(end.saturating_duration_since(Instant::now())) {
            self.picture.take(&bytes);
            if self.picture.text().contains(words) {
                return at;
            }
        }
        panic!("\"{words}\" does not come:\n{}", self.picture.text());
    }

    /// Bytes written since the last question.
    fn count(&mut self) -> usize {
        let mut count = 0;
        while let Ok((_, bytes)) = self.written.try_recv() {
            count += bytes.len();
            self.picture.take(&bytes);
        }
        count
    }
}

/// The program with so many benches, a run on each.
struct Lab {
    screen: Screen,
    instruments: Vec<Instrument>,
    recorder: u32,
    home: tempfile::TempDir,
}

impl Lab {
    fn open(lanes: usize) -> Self {
        let home = tempfile::tempdir().expect("a folder");
        let folder = home.path().join("benches");
        std::fs::create_dir_all(&folder).expect("a folder");
        let mut listeners = Vec::new();
        for n in 1..=lanes {
            let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
            let port = listener.local_addr().expect("its number").port();
            let text = format!(
                "title = \"bench {n}\"\n[[instrument]]\nprofile = \"demo-bench\"\nport = \"tcp:127.0.0.1:{port}\"\n"
            );
            std::fs::write(folder.join(format!("bench-{n}.toml")), text).expect("a bench file");
            listeners.push(listener);
        }
        let mut screen = Screen::open(home.path());
        let connect = |listener: TcpListener| {
            let (stream, _) = listener.accept().expect("the recorder connects");
            stream.set_nodelay(true).expect("a socket");
            Instrument { stream, volume_ml: 0.0 }
        };
        let instruments: Vec<Instrument> = listeners.into_iter().map(connect).collect();
        screen.sees("bench 1");
        let record = home.path().join("record.db");
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(start_runs(&record, lanes));
        let holder = RecordLock::holder(&record).expect("a lock").expect("a recorder");
        Self { screen, instruments, recorder: holder.pid, home }
    }

    /// Processor time of recorder and screen so far.
    fn processor(&self) -> (Duration, Duration) {
        (processor_of(self.recorder), processor_of(self.screen.child.id()))
    }
}

impl Drop for Lab {
    fn drop(&mut self) {
        let _gone = self.screen.child.kill();
        let _ended = self.screen.child.wait();
        let record = self.home.path().join("record.db");
        if let Ok(pid) = i32::try_from(self.recorder) {
            let pid = nix::unistd::Pid::from_raw(pid);
            let _asked = nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM);
        }
        while matches!(RecordLock::holder(&record), Ok(Some(_))) {
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

/// Starts a run on each lane.
async fn start_runs(record: &Path, lanes: usize) {
    let mut session: Session = link::connect(&link::socket_path(record)).await.expect("a recorder");
    let mut known: Vec<LaneId> = Vec::new();
    while known.len() < lanes {
        match session.events.recv().await.expect("the recorder stays") {
            Event::Snapshot { state } => known.extend(state.lanes.iter().map(|lane| lane.id)),
            Event::Opened { lane } => known.push(lane.id),
            _ => {}
        }
    }
    for (id, lane) in (1..).zip(known) {
        let plan = Box::new(RunPlan { portion: 1, portions: 1, ..RunPlan::default() });
        session.commands.send((id, Wish::Start { lane, plan })).await.expect("the recorder stays");
        loop {
            if let Event::Answer { id: of, refused, .. } = session.events.recv().await.expect("an answer")
                && of == id
            {
                assert_eq!(refused, None, "a run starts");
                break;
            }
        }
    }
}

/// User and system time of a process, by `/proc` in ticks of 10 ms.
fn processor_of(pid: u32) -> Duration {
    let text = std::fs::read_to_string(format!("/proc/{pid}/stat")).expect("the process is there");
    let after_name = text.rsplit_once(')').map_or("", |(_, rest)| rest);
    let ticks: u64 =
        after_name.split_whitespace().skip(11).take(2).filter_map(|field| field.parse::<u64>().ok()).sum();
    Duration::from_millis(ticks * 10)
}

fn one_lane(extent: Extent) {
    let mut lab = Lab::open(1);
    let mut times: Vec<Duration> = Vec::new();
    for n in 0..extent.frames {
        // Between 120 and 280 ms apart: never in step with a clock of the program.
        std::thread::sleep(Duration::from_millis(120 + u64::from(n * 37 % 161)));
        lab.screen.count();
        let began = Instant::now();
        let figure = lab.instruments[0].send(0.011);
        times.push(lab.screen.sees(&figure).duration_since(began));
    }
    times.sort();
    let of = |share: f64| times[((times.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
    println!(
        "byte to drawn screen, {} frames        median {:6.1} ms   p99 {:6.1} ms   worst {:6.1} ms   (budget p99 60 ms)",
        times.len(),
        of(0.5),
        of(0.99),
        of(1.0)
    );
    let (mut total, mut most) = (0, 0);
    lab.screen.count();
    let began = Instant::now();
    for second in 1..=extent.bytes_s {
        lab.instruments[0].send(0.05);
        std::thread::sleep(
            (began + Duration::from_secs(second.into())).saturating_duration_since(Instant::now()),
        );
        let bytes = lab.screen.count();
        total += bytes;
        most = most.max(bytes);
    }
    let mean = total as f64 / f64::from(extent.bytes_s.max(1));
    println!(
        "bytes to the terminal, a point a second  mean {mean:6.0} a second   most {most} in one   (budget 600)"
    );
}

fn eight_lanes(extent: Extent) {
    let mut lab = Lab::open(LANES);
    let (recorder, screen) = lab.processor();
    let began = Instant::now();
    for tick in 1..=extent.processor_s * 10 {
        for instrument in &mut lab.instruments {
            instrument.send(0.01);
        }
        let next = began + Duration::from_millis(u64::from(tick) * 100);
        std::thread::sleep(next.saturating_duration_since(Instant::now()));
        lab.screen.count();
    }
    let passed = began.elapsed().as_secs_f64();
    let (recorder_after, screen_after) = lab.processor();
    let share = |after: Duration, before: Duration| 100.0 * (after - before).as_secs_f64() / passed;
    let (recorder, screen) = (share(recorder_after, recorder), share(screen_after, screen));
    println!(
        "processor, {LANES} lanes at 10 a second         recorder {recorder:5.2} %   screen {screen:5.2} %   together {:5.2} % of one core (budget 10 %)",
        recorder + screen
    );
}
