//! Time for one frame of the run page. Budget: under 5 ms with 10 000 points, so that twenty frames a
//! second leave the processor alone even on an old machine. After that the whole program is measured, on a
//! pseudo-terminal; without `--bench` (under `cargo test --bench screen`) in short.
#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a bench stops where it cannot go on, and prints its figures"
)]

#[path = "../tests/keys/picture.rs"]
mod picture;
#[path = "screen/whole.rs"]
mod whole;

use dropwise::dashboard::{Input, Options, Palette, State, Theme, update, view};
use dropwise::reading::{CurveHead, Point, Quantity, Stamp, Titrant, Unit};
use dropwise::work::{BenchState, Event, Health, LaneState, Origin, RunHead, RunPlan, RunState};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use std::time::Duration;

fn main() {
    divan::main();
    let extent = if std::env::args().any(|argument| argument == "--bench") {
        whole::Extent { frames: 300, bytes_s: 60, processor_s: 60 }
    } else {
        whole::Extent { frames: 30, bytes_s: 6, processor_s: 5 }
    };
    whole::measure(extent);
}

/// A screen in the middle of a run with that many points.
fn screen(points: u32) -> State {
    let run = RunState {
        head: RunHead {
            run: 1,
            plan: RunPlan::default(),
            title: "long run".to_owned(),
            origin: Origin::Simulator,
            curve: CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) },
            warn_before: 1.0,
            cautions: Vec::new(),
            expectation: dropwise::work::Expectation::default(),
            at: Stamp::default(),
        },
        points: (0..points)
            .map(|n| {
                let titrant = f64::from(n) * 20.0 / f64::from(points);
                let signal = 7.0 + ((titrant - 11.41) * 1e4).asinh() / std::f64::consts::LN_10;
                Point { titrant, signal, temperature_c: None, t_s: None }
            })
            .collect(),
        changes: Vec::new(),
        outlook: Default::default(),
        notes: Vec::new(),
        end: None,
        result: None,
        fit: Vec::new(),
    };
    let lane = LaneState {
        id: 1,
        title: "bench".to_owned(),
        instrument: "pH meter".to_owned(),
        port: "port".to_owned(),
        profiles: Vec::new(),
        keyed: false,
        health: Health::Open { remarks: Vec::new() },
        frames: Default::default(),
        frames_total: 0,
        frames_not_understood: 0,
        latest: Vec::new(),
        run: Some(run),
        warnings: Default::default(),
        people: Default::default(),
    };
    let mut state =
        State::new(Options::with_theme(Theme { colour: true, ascii: false, palette: Palette::DARK }));
    let snapshot = BenchState { lanes: vec![lane], ..BenchState::default() };
    let event = Event::Snapshot { state: Box::new(snapshot) };
    update(&mut state, Duration::ZERO, Input::Recorder(event));
    state
}

#[divan::bench(args = [(1_000, 80, 24), (10_000, 80, 24), (10_000, 160, 50), (100_000, 160, 50)])]
fn frame(bencher: divan::Bencher<'_, '_>, (points, columns, rows): (u32, u16, u16)) {
    let state = screen(points);
    let mut terminal = match Terminal::new(TestBackend::new(columns, rows)) {
        Ok(terminal) => terminal,
        Err(never) => match never {},
    };
    bencher.bench_local(|| terminal.draw(|frame| view::draw(&state, frame)).is_ok());
}

/// One more point in a long run.
#[divan::bench]
fn point(bencher: divan::Bencher<'_, '_>) {
    let mut state = screen(100_000);
    let point = Point { titrant: 20.0, signal: 11.0, temperature_c: None, t_s: None };
    let event = Event::Lane { lane: 1, what: dropwise::work::LaneEvent::Point { point } };
    bencher.bench_local(|| update(&mut state, Duration::ZERO, Input::Recorder(event.clone())));
}
