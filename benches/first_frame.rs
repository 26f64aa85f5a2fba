//! From the start of `dropwise` to the first frame on its terminal, on a record of 1 000 runs.
//!
//! Budget: 100 ms. Two cases: a recorder runs already (attach), and none runs (it is started).
//! Yardstick in the same run: `dropwise --version`, the bare start of the same program.
#![expect(
    clippy::expect_used,
    clippy::print_stdout,
    clippy::zombie_processes,
    reason = "a bench stops where it cannot go on, prints its figures, and hands its child to the caller who waits"
)]

use dropwise::reading::{CurveHead, Quantity, Stamp, Titrant, Unit};
use dropwise::store::{Entry, Writer};
use dropwise::work::{Origin, RunHead, RunPlan};
use nix::pty::{Winsize, openpty};
use std::io::Read;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const RUNS: i64 = 1_000;
const TIMES: usize = 15;

fn fill(record: &Path) {
    let (writer, thread, _) = Writer::start(record).expect("the record can be written");
    let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime");
    runtime.block_on(async {
        for run in 1..=RUNS {
            let head = RunHead {
                run,
                plan: RunPlan { sample: format!("jar {run}"), portion: 1, portions: 3, ..RunPlan::default() },
                title: "Acidity of vinegar by sodium hydroxide".to_owned(),
                origin: Origin::Simulator,
                curve: CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) },
                warn_before: 0.5,
                cautions: Vec::new(),
                expectation: dropwise::work::Expectation::default(),
                at: Stamp { elapsed_ns: 0, utc_us: 1_770_000_000_000_000 + run * 600_000_000 },
            };
            let entries = vec![
                Entry::Run { head: Box::new(head.clone()), who: "bench".to_owned() },
                Entry::RunEnd {
                    run,
                    why: "done".to_owned(),
                    lines: Vec::new(),
                    at: head.at,
                    who: "bench".to_owned(),
                },
            ];
            writer.write_and_go_on(entries).await;
        }
    });
    drop(writer);
    assert_eq!(thread.finish(), None);
}

fn dropwise(home: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_dropwise"));
    command.env("DROPWISE_HOME", home).env("LC_ALL", "C.UTF-8").env("TERM", "xterm-256color");
    command
}

/// Time from start until the words of a drawn frame are on the terminal.
fn first_frame(home: &Path) -> (Duration, Child) {
    let size = Winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 };
    let pty = openpty(Some(&size), None).expect("a pseudo-terminal");
    let slave = std::fs::File::from(pty.slave);
    let mut master = std::fs::File::from(pty.master);
    let began = Instant::now();
    let child = dropwise(home)
        .stdin(Stdio::from(slave.try_clone().expect("a descriptor")))
        .stdout(Stdio::from(slave))
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let (mut seen, mut buffer) = (Vec::new(), [0; 4096]);
    loop {
        let count = master.read(&mut buffer).expect("the terminal is read");
        seen.extend_from_slice(&buffer[..count]);
        if String::from_utf8_lossy(&seen).contains("keys") {
            break (began.elapsed(), child);
        }
    }
}

fn tell(what: &str, mut times: Vec<Duration>) {
    times.sort();
    let ms = |d: Duration| d.as_secs_f64() * 1e3;
    println!(
        "{what:<34} median {:7.1} ms   worst {:7.1} ms",
        ms(times[times.len() / 2]),
        ms(times[times.len() - 1])
    );
}

fn main() {
    let home = tempfile::tempdir().expect("a folder");
    fill(&home.path().join("record.db"));
    let bare = (0..TIMES)
        .map(|_| {
            let began = Instant::now();
            dropwise(home.path())
                .arg("--version")
                .stdout(Stdio::null())
                .status()
                .expect("the program starts");
            began.elapsed()
        })
        .collect();
    tell("dropwise --version (yardstick)", bare);
    let cold = (0..TIMES)
        .map(|_| {
            let (time, mut child) = first_frame(home.path());
            child.kill().expect("the screen is there");
            child.wait().expect("it has ended");
            end_recorder(home.path());
            time
        })
        .collect();
    tell("first frame, recorder started", cold);
    let (_, mut keeper) = first_frame(home.path());
    let warm = (0..TIMES)
        .map(|_| {
            let (time, mut child) = first_frame(home.path());
            child.kill().expect("the screen is there");
            child.wait().expect("it has ended");
            time
        })
        .collect();
    tell("first frame, recorder runs already", warm);
    keeper.kill().expect("the screen is there");
    keeper.wait().expect("it has ended");
    end_recorder(home.path());
}

/// Asks the recorder of the record to end and waits until it has.
fn end_recorder(home: &Path) {
    use dropwise::link::RecordLock;
    let record = home.join("record.db");
    if let Ok(Some(holder)) = RecordLock::holder(&record) {
        let pid = nix::unistd::Pid::from_raw(i32::try_from(holder.pid).expect("a process number"));
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).expect("the recorder takes signals");
    }
    while matches!(RecordLock::holder(&record), Ok(Some(_))) {
        std::thread::sleep(Duration::from_millis(5));
    }
}
