//! One morning at a bench of our own, stopped at the moments that matter.

use dropwise::dashboard::desk::{Answer, EarlierCurve, Question};
use dropwise::dashboard::{
    Effect, Input, Options, Palette, Procedure, RunFate, State, StoredRun, Theme, update,
};
use dropwise::detector::{Because, Change, EndPoint, Outlook, WatchState};
use dropwise::reading::{CurveHead, Point, Quantity, Reading, Stamp, Titrant, Unit, Validity};
use dropwise::work::result::{PortionResult, ResultValue};
use dropwise::work::{
    BenchState, Event, FrameFate, FrameLine, Health, LaneEvent, LaneState, Origin, RunEnd, RunHead, RunPlan,
    RunState, StoreHealth,
};
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use std::time::Duration;

/// 2026-11-25 14:00:00 UTC.
const BEGAN_US: i64 = 1_795_615_200_000_000;
/// Where the made-up curve has its end-point, in mL.
pub(crate) const END_POINT_ML: f64 = 11.41;

/// A state and the clock it runs by.
pub(crate) struct Bench {
    /// What is shown.
    pub(crate) state: State,
    /// Milliseconds of the screen's clock.
    pub(crate) now_ms: u64,
    /// Everything that was to be done so far.
    pub(crate) effects: Vec<Effect>,
}

/// Colour and Unicode.
pub(crate) const FULL: Theme = Theme { colour: true, ascii: false, palette: Palette::DARK };

impl Bench {
    /// A screen that has heard nothing yet.
    pub(crate) fn new(theme: Theme) -> Self {
        Self::with(Options { runs: stored(), procedures: procedures(), ..Options::with_theme(theme) })
    }

    /// A screen with these options.
    pub(crate) fn with(options: Options) -> Self {
        Self { state: State::new(options), now_ms: 0, effects: Vec::new() }
    }

    /// Takes one input in.
    pub(crate) fn take(&mut self, input: Input) -> &mut Self {
        let now = Duration::from_millis(self.now_ms);
        self.effects.extend(update(&mut self.state, now, input));
        self
    }

    /// Lets time pass, a tick now and then.
    pub(crate) fn wait(&mut self, ms: u64) -> &mut Self {
        let until = self.now_ms + ms;
        while self.now_ms < until {
            self.now_ms = (self.now_ms + 10).min(until);
            self.take(Input::Tick);
        }
        self
    }

    /// Presses a key as a hand does.
    pub(crate) fn press(&mut self, code: KeyCode) -> &mut Self {
        self.take(Input::Key(KeyEvent::new(code, KeyModifiers::NONE))).wait(200)
    }

    /// Types a text as a hand does.
    pub(crate) fn hand(&mut self, text: &str) -> &mut Self {
        for c in text.chars() {
            self.press(KeyCode::Char(c));
        }
        self
    }

    /// Sends a text as a scanner does: one character each 2 ms, then Enter.
    pub(crate) fn scan(&mut self, text: &str) -> &mut Self {
        for c in text.chars() {
            self.take(Input::Key(KeyEvent::new(KeyCode::Char(c), KeyModifiers::NONE)));
            self.now_ms += 2;
        }
        self.take(Input::Key(KeyEvent::new(KeyCode::Enter, KeyModifiers::NONE))).wait(200)
    }

    /// The recorder says something.
    pub(crate) fn told(&mut self, event: Event) -> &mut Self {
        self.take(Input::Recorder(event))
    }

    /// Something happens on the first lane.
    pub(crate) fn lane(&mut self, what: LaneEvent) -> &mut Self {
        self.told(Event::Lane { lane: 1, what })
    }

    /// The recorder shows itself with these lanes.
    pub(crate) fn attach(&mut self, lanes: Vec<LaneState>) -> &mut Self {
        let state = BenchState {
            lanes,
            store: StoreHealth { saved_lines: 1_284, ..StoreHealth::default() },
            record: "record.db".to_owned(),
            leaving: None,
        };
        self.told(Event::Snapshot { state: Box::new(state) })
    }

    /// A run begins on the first lane.
    pub(crate) fn start(&mut self) -> &mut Self {
        self.lane(LaneEvent::Started { head: Box::new(head(41)) })
    }

    /// The curve is recorded up to a volume, with lines, readings and points.
    pub(crate) fn titrate(&mut self, to_ml: f64) -> &mut Self {
        let mut number = 0;
        let mut volume = 0.0;
        while volume < to_ml - 1e-9 {
            volume += if (10.6..12.0).contains(&volume) { 0.05 } else { 0.2 };
            self.line(number, volume, ph(volume));
            self.lane(LaneEvent::Point {
                point: Point { titrant: volume, signal: ph(volume), temperature_c: Some(24.9), t_s: None },
            });
            number += 1;
        }
        self
    }

    /// One line comes in and is understood.
    pub(crate) fn line(&mut self, number: u64, volume: f64, ph: f64) -> &mut Self {
        let at = stamp(60.0 + number as f64);
        self.lane(LaneEvent::Frame {
            frame: FrameLine {
                number,
                at,
                text: format!("{volume:7.3} mL {ph:6.2} pH 24.9"),
                fate: FrameFate::Understood { by: "reading".to_owned() },
            },
        });
        self.readings(
            (number, at),
            &[
                ("volume", Quantity::Volume, (volume * 1e3).round() / 1e3, Unit::Millilitre),
                ("ph", Quantity::Ph, (ph * 1e2).round() / 1e2, Unit::Ph),
                ("temperature", Quantity::Temperature, 24.9, Unit::Celsius),
            ],
        )
    }

    /// The readings of one frame: channel, quantity, value, unit.
    pub(crate) fn readings(&mut self, frame: (u64, Stamp), of: &[(&str, Quantity, f64, Unit)]) -> &mut Self {
        let one = |&(channel, quantity, value, unit): &(&str, Quantity, f64, Unit)| {
            reading(channel, quantity, value, unit, frame)
        };
        self.lane(LaneEvent::Readings { readings: of.iter().map(one).collect() })
    }

    /// The watch changes its state.
    pub(crate) fn watch(&mut self, state: WatchState, titrant: f64) -> &mut Self {
        let found = matches!(state, WatchState::Found);
        self.lane(LaneEvent::Watch {
            change: Change {
                point: 60,
                titrant,
                state,
                find: matches!(state, WatchState::Found | WatchState::Withdrawn).then_some(1),
                end_point: found.then_some(END_POINT_ML),
                u: found.then_some(0.012),
                because: Because {
                    what: "slope against the running maximum".to_owned(),
                    figure: 0.42,
                    limit: 0.5,
                    points: 9,
                },
            },
        })
    }

    /// The watch expects an end-point.
    pub(crate) fn expect(&mut self, half_ml: f64, advice: &[&str]) -> &mut Self {
        self.lane(LaneEvent::Outlook {
            outlook: Outlook {
                expected: Some(END_POINT_ML),
                interval: Some((END_POINT_ML - half_ml, END_POINT_ML + half_ml)),
                next_addition: Some(0.05),
                advice: advice.iter().map(|&s| s.to_owned()).collect(),
                u_reached: None,
                u_reachable: None,
            },
        })
    }

    /// The run ends.
    pub(crate) fn end(&mut self, end_points: Vec<EndPoint>, warnings: &[&str]) -> &mut Self {
        self.lane(LaneEvent::Ended {
            end: Box::new(RunEnd {
                run: 41,
                why: "ended by the operator".to_owned(),
                end_points,
                warnings: warnings.iter().map(|&s| s.to_owned()).collect(),
                at: stamp(900.0),
            }),
        })
    }
}

/// A strong acid with a strong base at constant volume: [H+] - Kw/[H+] = excess, so pH = 7 + asinh(...)/ln 10.
pub(crate) fn ph(volume_ml: f64) -> f64 {
    7.0 + ((volume_ml - END_POINT_ML) * 1e-3 / 2e-7).asinh() / std::f64::consts::LN_10
}

/// A moment of that morning.
pub(crate) fn stamp(seconds: f64) -> Stamp {
    Stamp::from_seconds(seconds, BEGAN_US)
}

/// An end-point as the final evaluation gives it.
pub(crate) fn end_point() -> EndPoint {
    EndPoint {
        titrant: 11.4123,
        u: Some(0.0061),
        signal: Some(7.04),
        confirmed_at: Some(11.7),
        confirmed_at_point: Some(74),
        method: "inflection by a local cubic".to_owned(),
    }
}

fn head(run: i64) -> RunHead {
    RunHead {
        run,
        plan: RunPlan {
            procedure: "p1".to_owned(),
            sample: "CIDER-07".to_owned(),
            portion: 2,
            portions: 3,
            mass_g: Some(5.02),
            ..RunPlan::default()
        },
        title: "cider acidity".to_owned(),
        origin: Origin::Serial,
        curve: CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) },
        warn_before: 1.0,
        cautions: Vec::new(),
        expectation: dropwise::work::Expectation::default(),
        at: stamp(60.0),
    }
}

/// A run without points.
pub(crate) fn run_state() -> RunState {
    RunState {
        head: head(41),
        points: Vec::new(),
        changes: Vec::new(),
        outlook: Outlook::default(),
        notes: Vec::new(),
        end: None,
        result: None,
        fit: Vec::new(),
    }
}

/// A bench that waits.
pub(crate) fn lane(id: u32, title: &str, keyed: bool) -> LaneState {
    LaneState {
        id,
        title: title.to_owned(),
        instrument: "pH meter, lines with units".to_owned(),
        profiles: vec!["ph-stream-comma".to_owned()],
        port: "/dev/serial/by-id/usb-0".to_owned(),
        keyed,
        health: Health::Open { remarks: Vec::new() },
        frames: Default::default(),
        frames_total: 0,
        frames_not_understood: 0,
        latest: Vec::new(),
        run: None,
        warnings: Default::default(),
        people: Default::default(),
    }
}

fn procedures() -> Vec<Procedure> {
    vec![
        Procedure {
            title: "cider acidity".to_owned(),
            text: "p1".to_owned(),
            cautions: vec![
                "sodium hydroxide is corrosive: eye protection; follow the safety data sheet".to_owned(),
            ],
        },
        Procedure { title: "chloride in brine".to_owned(), text: "p2".to_owned(), cautions: Vec::new() },
    ]
}

fn stored() -> Vec<StoredRun> {
    let run = |run: i64, portion, end_points, origin, fate| StoredRun {
        run,
        at: stamp(-86_400.0 + run as f64 * 600.0),
        title: "cider acidity".to_owned(),
        sample: "CIDER-06".to_owned(),
        portion: (portion, 3),
        origin,
        titrant: Titrant::Volume,
        end_points,
        fate,
    };
    vec![
        run(
            40,
            1,
            vec![(11.387, Some(0.006))],
            Origin::Serial,
            RunFate::Ended("ended by the operator".into()),
        ),
        run(39, 3, vec![], Origin::Serial, RunFate::Interrupted),
        run(
            38,
            2,
            vec![(9.1, Some(0.3))],
            Origin::Serial,
            RunFate::SetAside("bubble in the burette tip".into()),
        ),
        run(37, 1, vec![(11.4, None)], Origin::Simulator, RunFate::Ended("end of the simulation".into())),
    ]
}

/// A bench in the middle of a run.
pub(crate) fn running(theme: Theme, to_ml: f64) -> Bench {
    let mut bench = Bench::new(theme);
    bench.attach(vec![lane(1, "bench 2", false)]).start().titrate(to_ml);
    bench.wait(11_000);
    bench
}

/// A hand titration with a few keyed volumes.
pub(crate) fn keyed(theme: Theme) -> Bench {
    let mut bench = Bench::new(theme);
    bench.attach(vec![lane(1, "bench 3", true)]).start();
    for (number, volume) in [0.0, 2.0, 4.0, 6.0, 8.0, 10.0].into_iter().enumerate() {
        bench.line(number as u64, 0.0, ph(volume));
        bench.lane(LaneEvent::Point {
            point: Point { titrant: volume, signal: ph(volume), temperature_c: None, t_s: None },
        });
    }
    bench.wait(3_000);
    bench
}

/// How the bench comes to a moment.
pub(crate) type Moment = fn(Theme) -> Bench;

/// Every moment that has a picture, by name.
pub(crate) const MOMENTS: &[(&str, Moment)] = &[
    ("nothing heard yet", Bench::new),
    ("no run", |theme| {
        let mut bench = Bench::new(theme);
        bench.attach(vec![lane(1, "bench 2", false)]);
        bench
    }),
    ("started", |theme| {
        let mut bench = Bench::new(theme);
        bench.attach(vec![lane(1, "bench 2", false)]).start();
        bench
    }),
    ("far", |theme| running(theme, 6.0)),
    ("closing", |theme| {
        let mut bench = running(theme, 10.8);
        bench.watch(WatchState::Closing, 10.8).expect(0.12, &[]);
        bench
    }),
    ("single drops", |theme| {
        let mut bench = running(theme, 11.3);
        bench.watch(WatchState::Closing, 10.8).expect(0.04, &[]);
        bench
    }),
    ("turning", |theme| {
        let mut bench = running(theme, 11.45);
        bench.watch(WatchState::Turning, 11.45).expect(0.02, &[]);
        bench
    }),
    ("found", |theme| {
        let mut bench = running(theme, 12.0);
        bench.watch(WatchState::Found, 11.7);
        bench.lane(LaneEvent::Outlook {
            outlook: Outlook { u_reached: Some(0.012), u_reachable: Some(0.006), ..Outlook::default() },
        });
        bench
    }),
    ("withdrawn", |theme| {
        let mut bench = running(theme, 9.0);
        bench.watch(WatchState::Found, 8.0).watch(WatchState::Withdrawn, 9.0);
        bench
    }),
    ("honest stop", |theme| {
        let mut bench = running(theme, 11.0);
        bench.watch(WatchState::Closing, 10.8).expect(
            0.5,
            &["the steps are too wide for this jump: add 0.05 mL at a time from 11.1 mL on, or u stays above 0.1 mL"],
        );
        bench
    }),
    ("ended", |theme| {
        let mut bench = running(theme, 13.0);
        bench.watch(WatchState::Found, 11.7).end(vec![end_point()], &["only 3 points in the steep part"]);
        bench.wait(11_000);
        bench
    }),
    ("ended without", |theme| {
        let mut bench = running(theme, 6.0);
        bench.end(vec![], &["the run ended before the curve turned"]);
        bench
    }),
    ("line gone", |theme| {
        let mut bench = running(theme, 9.0);
        bench.lane(LaneEvent::Line { health: Health::Gone { why: "the device was unplugged".to_owned() } });
        bench
    }),
    ("record in trouble", |theme| {
        let mut bench = running(theme, 9.0);
        bench.told(Event::Store {
            health: StoreHealth {
                saved_lines: 1_301,
                unsaved_chunks: 40,
                unsaved_bytes: 12_345,
                oldest_unsaved_ms: 4_200,
                trouble: Some("no space left on the disk of record.db".to_owned()),
            },
        });
        bench
    }),
    ("record behind", |theme| {
        let mut bench = running(theme, 9.0);
        bench.told(Event::Store {
            health: StoreHealth { saved_lines: 1_301, oldest_unsaved_ms: 2_400, ..StoreHealth::default() },
        });
        bench
    }),
    ("recorder left", |theme| {
        let mut bench = running(theme, 9.0);
        bench.told(Event::Leaving { why: "it was told to end".to_owned() });
        bench
    }),
    ("silent", |theme| {
        let mut bench = running(theme, 6.0);
        bench.wait(120_000);
        bench
    }),
    ("keyed", keyed),
    ("keyed entry", |theme| {
        let mut bench = keyed(theme);
        bench.hand("11,32");
        bench
    }),
    ("keyed entry wrong", |theme| {
        let mut bench = keyed(theme);
        bench.hand("c1.1.2");
        bench
    }),
    ("note", |theme| {
        let mut bench = running(theme, 6.0);
        bench.hand("nstirrer was off");
        bench
    }),
    ("form", |theme| {
        let mut bench = Bench::new(theme);
        bench.attach(vec![lane(1, "bench 2", false)]).scan("CIDER-07");
        bench
    }),
    ("form ready", |theme| {
        let mut bench = running(theme, 6.0);
        bench.end(vec![end_point()], &[]).press(KeyCode::Enter).hand("5.017").press(KeyCode::Enter);
        bench
    }),
    ("first of two presses", |theme| {
        let mut bench = running(theme, 12.0);
        bench.watch(WatchState::Found, 11.7).press(KeyCode::F(8));
        bench
    }),
    ("cursor", |theme| {
        let mut bench = running(theme, 13.0);
        bench.press(KeyCode::Left).hand("++").press(KeyCode::Left);
        bench
    }),
    ("help", |theme| {
        let mut bench = running(theme, 6.0);
        bench.hand("?");
        bench
    }),
    ("wire", |theme| {
        let mut bench = hostile(theme);
        bench.press(KeyCode::F(3));
        bench
    }),
    ("wire scrolled", |theme| {
        let mut bench = hostile(theme);
        bench.press(KeyCode::F(3)).press(KeyCode::Up).press(KeyCode::Up);
        bench
    }),
    ("one bench", |theme| {
        let mut bench = running(theme, 6.0);
        bench.lane(LaneEvent::Note { at: stamp(300.0), text: "stirrer was off".to_owned() });
        bench.lane(LaneEvent::Warning { text: "the clock of this machine jumped by 3 s".to_owned() });
        bench.wait(11_000).press(KeyCode::F(4));
        bench
    }),
    ("three benches", |theme| {
        let mut bench = Bench::new(theme);
        let mut gone = lane(2, "bench 3", true);
        gone.health = Health::Gone { why: "permission denied".to_owned() };
        let mut odd = lane(3, "fume cupboard", false);
        odd.health = Health::Open { remarks: vec!["asked 9600 baud, the port says 9615".to_owned()] };
        bench.attach(vec![lane(1, "bench 2", false), gone, odd]).start().titrate(6.0);
        bench.wait(11_000).press(KeyCode::F(4)).press(KeyCode::Down);
        bench
    }),
    ("stored runs", |theme| {
        let mut bench = running(theme, 6.0);
        bench.press(KeyCode::F(5)).press(KeyCode::Down).press(KeyCode::Down).press(KeyCode::Down);
        bench
    }),
    ("reason", |theme| {
        let mut bench = running(theme, 6.0);
        bench.press(KeyCode::F(5)).press(KeyCode::Down).press(KeyCode::F(9)).hand("air bubble");
        bench
    }),
    ("earlier portions", |theme| {
        let mut bench = running(theme, 10.0);
        let told = bench.effects.iter().find_map(|effect| match effect {
            Effect::Consult(question) if matches!(**question, Question::Earlier(_)) => Some(question.clone()),
            _ => None,
        });
        let curves = Answer::Earlier(vec![earlier(40, 1, 11.387)]);
        bench.take(Input::Answer(told.unwrap(), Ok(curves)));
        bench
    }),
    ("ended with result", |theme| {
        let mut bench = running(theme, 13.0);
        bench.watch(WatchState::Found, 11.7);
        bench.lane(LaneEvent::Result { run: 41, result: Box::new(result()) });
        bench.lane(LaneEvent::Fit { points: earlier(41, 2, 11.41).points });
        bench.end(vec![end_point()], &[]);
        bench.wait(11_000);
        bench
    }),
    ("silenced", |theme| {
        let mut bench = running(theme, 11.45);
        bench.watch(WatchState::Turning, 11.45).hand("m");
        bench
    }),
    ("another lane needs somebody", |theme| {
        let mut bench = eight(theme);
        bench.wait(11_000);
        bench
    }),
    ("eight lanes", |theme| {
        let mut bench = eight(theme);
        bench.wait(11_000).press(KeyCode::F(4));
        bench
    }),
    ("hand asked for", |theme| {
        let mut bench = handed(theme, "rosa");
        bench.lane(LaneEvent::Hand { holder: Some("rosa".to_owned()), asks: Some("ivo".to_owned()) });
        bench.wait(11_000);
        bench
    }),
    ("looking on", |theme| {
        let mut bench = handed(theme, "ivo");
        bench.wait(11_000);
        bench
    }),
    ("covered", |theme| {
        let mut bench = handed(theme, "rosa");
        bench.lane(LaneEvent::Warning { text: "the titrant runs low".to_owned() });
        bench.press(KeyCode::F(11)).wait(11_000).hand("ivo").press(KeyCode::Enter);
        bench
    }),
    ("seen", |theme| {
        let mut bench = keyed(theme);
        bench.hand("i11.32 colourless to pink");
        bench
    }),
    ("simulated", |theme| {
        let mut bench = Bench::with(Options { simulated: true, ..Options::with_theme(theme) });
        bench.attach(vec![lane(1, "bench 2", false)]).start().titrate(6.0);
        bench.wait(11_000);
        bench
    }),
];

/// The curve of an earlier portion.
fn earlier(run: i64, portion: u32, end_point: f64) -> EarlierCurve {
    let volumes = (0..70).map(|n| f64::from(n) * 0.2);
    let points = volumes.map(|v| (v, ph(v + END_POINT_ML - end_point))).collect();
    EarlierCurve { run, portion, points, end_point: Some(end_point) }
}

/// The result of a portion.
fn result() -> PortionResult {
    let value = ResultValue {
        name: "acidity as malic acid".to_owned(),
        symbol: None,
        unit: "g/100 g".to_owned(),
        value: 0.5234,
        u: 0.0021,
        k: 2.01,
        expanded: 0.0042,
        coverage: 0.95,
        degrees: None,
        told: "0.523".to_owned(),
        told_value: 0.523,
        told_expanded: "0.004".to_owned(),
        incomplete: None,
        budget: Vec::new(),
    };
    PortionResult { results: vec![value], ..PortionResult::default() }
}

/// Eight lanes: one runs, one is gone, one waits for its end.
fn eight(theme: Theme) -> Bench {
    let mut bench = Bench::new(theme);
    let mut lanes: Vec<LaneState> = (1..=8).map(|id| lane(id, &format!("bench {id}"), false)).collect();
    lanes[4].health = Health::Gone { why: "the device was unplugged".to_owned() };
    lanes[6].run = Some(run_state());
    bench.attach(lanes).start().titrate(6.0);
    bench
}

/// A run on which Rosa has the hand, seen at the screen of somebody.
fn handed(theme: Theme, who: &str) -> Bench {
    let mut bench = Bench::new(theme);
    bench.attach(vec![lane(1, "bench 2", false)]);
    bench.told(Event::You { who: who.to_owned(), challenge: "c".to_owned() });
    bench.start().lane(LaneEvent::Hand { holder: Some("rosa".to_owned()), asks: None }).titrate(6.0);
    bench
}

/// A wire on which not everything is well.
fn hostile(theme: Theme) -> Bench {
    let mut bench = running(theme, 3.0);
    let mut frame = |number, text: &str, fate| {
        bench.lane(LaneEvent::Frame {
            frame: FrameLine { number, at: stamp(70.0 + number as f64), text: text.to_owned(), fate },
        });
    };
    frame(15, "pH METER  PAGE 2", FrameFate::Ignored { by: "heading".to_owned() });
    frame(16, "\x1b[2J\x1b]0;title\x07 3.2 pH", FrameFate::NotUnderstood);
    frame(17, "12.0\u{202e}1 mL\u{200b}\u{9b}31m", FrameFate::NotUnderstood);
    frame(18, "  3.200 mL   2.", FrameFate::Damaged { why: "checksum 4F, computed 5A".to_owned() });
    frame(19, &"7".repeat(5_000), FrameFate::Damaged { why: "longer than 1024 bytes".to_owned() });
    bench
}

/// A reading of a frame at its time.
pub(crate) fn reading(
    channel: &str,
    quantity: Quantity,
    value: f64,
    unit: Unit,
    (frame, at): (u64, Stamp),
) -> Reading {
    let validity = Validity::Valid;
    Reading { channel: channel.into(), quantity, value: Some(value), unit, validity, steady: None, frame, at }
}
