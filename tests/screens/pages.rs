//! The pages about electrodes, titrants, series, stored runs, and the guide to a bench, at the moments that matter.

use super::scenario::{Bench, Moment, end_point, lane, ph, reading, running, stamp};
use dropwise::dashboard::Theme;
use dropwise::dashboard::desk::{
    Answer, Decision, Decisions, Drafted, Group, Heard, LineChart, Lot, Place, Question, Readied, Reckoned,
    RunFile, SeriesLine,
};
use dropwise::dashboard::{Input, RunFate, StoredRun};
use dropwise::reading::{CurveHead, Point, Quantity, Titrant, Unit};
use dropwise::work::result::{PortionResult, SeriesPortion, SeriesResult};
use dropwise::work::{
    CheckPoint, CheckRecord, DueStep, Factor, Kept, LaneEvent, Origin, Readiness, Role, RunPlan, StepLine,
    StepRecord, Stock, WhenWord, read_equipment,
};
use ratatui::crossterm::event::KeyCode;
use serde_json::json;

const NOW_US: i64 = 1_795_615_200_000_000;
const HOUR_US: i64 = 3_600_000_000;

/// The moments of these pages.
pub(crate) const PAGES: &[(&str, Moment)] = &[
    ("electrode idle", |theme| {
        let mut bench = waiting(theme);
        bench.press(KeyCode::Char('e'));
        answered(&mut bench, Question::Stock, Answer::Stock(Box::new(stock()), NOW_US));
        bench
    }),
    ("electrode sheet", |theme| {
        let mut bench = waiting(theme);
        bench.press(KeyCode::Char('e'));
        answered(&mut bench, Question::Stock, Answer::Stock(Box::new(stock()), NOW_US));
        bench.press(KeyCode::Char(' '));
        bench
    }),
    ("electrode check", |theme| {
        let mut bench = checking(theme);
        dip(&mut bench, 0, 175.2, 30);
        dip(&mut bench, 30, 6.1, 12);
        bench
    }),
    ("electrode verdict", |theme| {
        let mut bench = checking(theme);
        dip(&mut bench, 0, 175.2, 30);
        dip(&mut bench, 30, 6.1, 30);
        dip(&mut bench, 60, -126.0, 30);
        bench.wait(11_000);
        bench
    }),
    ("titrants", |theme| {
        let mut bench = waiting(theme);
        bench.press(KeyCode::Char('t'));
        answered(&mut bench, Question::Lots, Answer::Lots(vec![lot()], NOW_US));
        bench
    }),
    ("series", |theme| {
        let mut bench = waiting(theme);
        series_page(&mut bench);
        bench
    }),
    ("accept first press", |theme| {
        let mut bench = waiting(theme);
        series_page(&mut bench);
        bench.press(KeyCode::F(12));
        bench
    }),
    ("run looked through", |theme| {
        let mut bench = waiting(theme);
        runs_page(&mut bench);
        bench.press(KeyCode::Enter);
        answered(&mut bench, Question::Run(6), Answer::Run(Box::new(file(6, 0.0))));
        bench
    }),
    ("curves laid over each other", |theme| {
        let mut bench = waiting(theme);
        runs_page(&mut bench);
        bench.press(KeyCode::Char('o'));
        answered(&mut bench, Question::Run(6), Answer::Run(Box::new(file(6, 0.0))));
        bench.press(KeyCode::Down).press(KeyCode::Char('o'));
        answered(&mut bench, Question::Run(5), Answer::Run(Box::new(file(5, 0.8))));
        bench
    }),
    ("search", |theme| {
        let mut bench = waiting(theme);
        runs_page(&mut bench);
        bench.hand("/jar aside").wait(400).press(KeyCode::Enter);
        bench
    }),
    ("sign", |theme| {
        let mut bench = waiting(theme);
        runs_page(&mut bench);
        bench.press(KeyCode::Enter);
        answered(&mut bench, Question::Run(6), Answer::Run(Box::new(file(6, 0.0))));
        bench.press(KeyCode::F(12)).hand("the analyst").press(KeyCode::Down).press(KeyCode::Right);
        bench.press(KeyCode::Down).hand("secret");
        bench
    }),
    ("evaluate again", |theme| {
        let mut bench = waiting(theme);
        looked_through(&mut bench);
        bench.press(KeyCode::Char('a')).press(KeyCode::Right).press(KeyCode::Down).press(KeyCode::Down);
        bench.hand("5").press(KeyCode::Down).hand("18");
        bench
    }),
    ("choose what is reported", |theme| {
        let mut bench = waiting(theme);
        looked_through(&mut bench);
        bench.press(KeyCode::Right).press(KeyCode::Char('c')).hand("the window held a bubble");
        bench
    }),
    ("steps", |theme| {
        let mut bench = waiting(theme);
        steps_page(&mut bench);
        bench
    }),
    ("a step is skipped", |theme| {
        let mut bench = waiting(theme);
        steps_page(&mut bench);
        bench.press(KeyCode::Char('s')).hand("the tubing was changed today");
        bench
    }),
    ("equipment", |theme| {
        let mut bench = waiting(theme);
        equipment_page(&mut bench);
        bench
    }),
    ("equipment as it is typed", |theme| {
        let mut bench = waiting(theme);
        equipment_page(&mut bench);
        bench.press(KeyCode::Char('a')).press(KeyCode::Down).hand("blue").press(KeyCode::Down);
        bench.press(KeyCode::Down).hand("20 metres");
        bench
    }),
    ("control chart", |theme| {
        let mut bench = waiting(theme);
        bench.press(KeyCode::Char('g'));
        answered(&mut bench, Question::Charts, Answer::Charts(charts()));
        bench
    }),
    ("trend", |theme| {
        let mut bench = waiting(theme);
        bench.press(KeyCode::Char('g'));
        answered(&mut bench, Question::Charts, Answer::Charts(charts()));
        bench.press(KeyCode::Right);
        bench
    }),
    ("decisions", |theme| {
        let mut bench = waiting(theme);
        decisions_page(&mut bench);
        bench
    }),
    ("decisions are signed", |theme| {
        let mut bench = waiting(theme);
        decisions_page(&mut bench);
        bench.press(KeyCode::F(12)).hand("the analyst").press(KeyCode::Down).hand("secret");
        bench
    }),
    ("form with checklist", |theme| {
        let mut bench = waiting(theme);
        bench.press(KeyCode::Char(' ')).press(KeyCode::Right).press(KeyCode::Enter).hand("CIDER-09");
        let plan = RunPlan {
            procedure: "p1".to_owned(),
            sample: "CIDER-09".to_owned(),
            portion: 1,
            portions: 1,
            ..RunPlan::default()
        };
        let question = Question::Readiness { plan: Box::new(plan), real: true };
        let point = |is, words: &str| CheckPoint { is, words: words.to_owned() };
        let points = vec![
            point(Readiness::Fine, "electrode glass 3 was checked 2 h ago"),
            point(
                Readiness::NeedsReason,
                "sodium hydroxide lot 7 was standardised 9 d ago; the procedure asks for 7 d at most",
            ),
        ];
        answered(
            &mut bench,
            question,
            Answer::Ready(Readied {
                points,
                expected: Some((11.4, 0.57)),
                holds: Some(("blue".to_owned(), 20.0)),
                by_mass: false,
            }),
        );
        bench
    }),
    ("guide places", |theme| {
        let mut bench = Bench::new(theme);
        bench.attach(vec![]).press(KeyCode::Char(' '));
        answered(&mut bench, Question::Places, Answer::Places(places()));
        bench
    }),
    ("guide permission", |theme| {
        let mut bench = Bench::new(theme);
        bench.attach(vec![]).press(KeyCode::Char(' '));
        answered(&mut bench, Question::Places, Answer::Places(places()));
        bench.press(KeyCode::Enter);
        bench
    }),
    ("guide heard", |theme| {
        let mut bench = Bench::new(theme);
        heard(&mut bench);
        bench
    }),
    ("guide question", |theme| {
        let mut bench = Bench::new(theme);
        heard(&mut bench);
        bench.press(KeyCode::Enter);
        let question = Question::Draft { port: "/dev/serial/by-id/usb-0".to_owned(), answers: vec![] };
        let asks = vec!["What is number 2?".to_owned(), "  12.3  6.87".to_owned(), "        ^^^^".to_owned()];
        let drafted = Drafted {
            columns: vec!["first: volume mL, 0.1 to 12.3, 96 % sure, is read".to_owned()],
            questions: vec![(1, asks, vec!["ph".to_owned(), "temperature degC".to_owned()])],
            not_understood: None,
            profile_text: "title = \"x\"".to_owned(),
            sends_volume: true,
        };
        answered(&mut bench, question, Answer::Drafted(drafted));
        bench.wait(400).press(KeyCode::Enter);
        bench
    }),
    ("help of a page", |theme| {
        let mut bench = waiting(theme);
        series_page(&mut bench);
        bench.hand("?");
        bench
    }),
];

fn looked_through(bench: &mut Bench) {
    runs_page(bench);
    bench.press(KeyCode::Enter);
    answered(bench, Question::Run(6), Answer::Run(Box::new(file(6, 0.0))));
}

fn steps_page(bench: &mut Bench) {
    bench.press(KeyCode::Char(' ')).press(KeyCode::Right).press(KeyCode::Enter).hand("CIDER-09");
    bench.press(KeyCode::Esc).press(KeyCode::Char('x'));
    let plan = RunPlan {
        procedure: "p1".to_owned(),
        sample: "CIDER-09".to_owned(),
        portion: 1,
        portions: 1,
        ..RunPlan::default()
    };
    let step = |when, text: &str, source: Option<&str>| DueStep {
        text: text.to_owned(),
        when,
        source: source.map(str::to_owned),
    };
    let steps = [
        step(WhenWord::BeforeSeries, "flush burette and tubing until old solution and air are out", None),
        step(WhenWord::BeforePortion, "turn the outlet away from the electrode; stir without a vortex", None),
        step(WhenWord::AfterPortion, "rinse the electrode and wipe it", None),
        step(WhenWord::AfterSeries, "store the electrode in its solution", Some("the maker's leaflet")),
    ];
    let said = |line: &DueStep, done, why| StepRecord::said(line, &plan, done, why).unwrap();
    let lines = vec![
        StepLine { said: Some(kept(said(&steps[0], true, ""), 1)), step: steps[0].clone() },
        StepLine { said: Some(kept(said(&steps[1], false, "no stirrer here"), 1)), step: steps[1].clone() },
        StepLine { said: None, step: steps[2].clone() },
        StepLine { said: None, step: steps[3].clone() },
    ];
    let series = RunPlan { series: "cider 2026-05-04".to_owned(), ..plan.clone() };
    answered(bench, Question::Steps(Box::new(plan)), Answer::Steps(Box::new(series), lines));
}

fn equipment_page(bench: &mut Bench) {
    bench.press(KeyCode::Char('q'));
    let list = "[[burette]]\nname = \"blue\"\nvalue = \"20 mL\"\nwithin = \"0.03 mL\"\ncertificate = \"certificate 114\"\n\
        valid_to = \"2026-04-30\"\n[[balance]]\nname = \"window\"\nvalue = \"220 g\"\nu = \"0.1 mg\"\n\
        [[standard]]\nname = \"phthalate 3\"\nwhat = \"potassium hydrogen phthalate\"\nvalue = \"0.9998\"\n";
    let equipment = read_equipment("list", list).unwrap().into_iter().map(|it| kept(it, 72)).collect();
    let stock = Stock { equipment, ..Stock::default() };
    answered(bench, Question::Stock, Answer::Stock(Box::new(stock), NOW_US));
}

fn charts() -> Vec<LineChart> {
    let values = [5.21, 5.23, 5.18, 5.2, 5.26, 5.19, 5.21, 5.31, 5.22];
    let point = |(n, value): (usize, &f64)| {
        let said = (n == 7).then(|| "beyond an action line".to_owned());
        (format!("series of day {}", n + 1), *value, said)
    };
    let slopes = [98.9, 98.8, 98.6, 98.7, 98.1, 97.9, 97.6, 97.4];
    vec![
        LineChart {
            title: "control samples: cider acidity".to_owned(),
            unit: "g/L".to_owned(),
            points: values.iter().enumerate().map(point).collect(),
            lines: Some([5.13, 5.155, 5.21, 5.26, 5.29]),
            words: vec![
                (false, "centre 5.2100, warning 5.1550 to 5.2600, action 5.1300 to 5.2900".to_owned()),
                (true, "one point asks for action".to_owned()),
            ],
        },
        LineChart {
            title: "trend of slope of the electrode: cider acidity".to_owned(),
            unit: "%".to_owned(),
            points: slopes.iter().enumerate().map(|(n, v)| (format!("run {}", n + 30), *v, None)).collect(),
            lines: None,
            words: vec![(true, "CHANGED: falls since run 34".to_owned())],
        },
    ]
}

fn decisions_page(bench: &mut Bench) {
    bench.press(KeyCode::Char('d'));
    let row = |n: i64, what: &str, why: &str| Decision {
        n,
        utc_us: NOW_US - (20 - n) * 60_000_000,
        who: "analyst".to_owned(),
        what: what.to_owned(),
        why: why.to_owned(),
    };
    let rows = vec![
        row(14, "begin run 6", ""),
        row(15, "end run 6", "ended by the operator"),
        row(16, "compute datum 9", ""),
        row(17, "set aside run 5", "the stirrer stood still"),
        row(18, "report datum 10", "reckoning 12: the window held a bubble"),
    ];
    let told = Decisions { all: false, rows, left_out: 0, since: Some((14, 18)) };
    answered(bench, Question::Decisions { all: false }, Answer::Decisions(told));
}

fn answered(bench: &mut Bench, question: Question, answer: Answer) {
    bench.take(Input::Answer(Box::new(question), Ok(answer))).wait(20);
}

fn waiting(theme: Theme) -> Bench {
    let mut bench = Bench::new(theme);
    bench.attach(vec![lane(1, "bench 2", false)]);
    bench.line(1, 0.0, 3.2);
    bench
}

fn check() -> CheckRecord {
    CheckRecord {
        electrode: "glass 3".to_owned(),
        slope_mv: -58.2,
        u_slope_mv: 0.1,
        slope_percent: 98.4,
        zero_mv: 3.1,
        u_zero_mv: 0.2,
        covariance: 0.0,
        zero_ph: 7.05,
        temperature_c: 24.9,
        accepted: true,
        words: vec!["ok       slope 98.4 %".to_owned()],
        buffers: Vec::new(),
    }
}

fn kept<T>(it: T, hours_ago: i64) -> Kept<T> {
    Kept { datum: 1, utc_us: NOW_US - hours_ago * HOUR_US, who: "analyst".to_owned(), it }
}

fn stock() -> Stock {
    let old = CheckRecord { accepted: false, slope_percent: 88.0, ..check() };
    Stock { checks: vec![kept(old, 200), kept(check(), 3)], ..Stock::default() }
}

fn checking(theme: Theme) -> Bench {
    let mut bench = waiting(theme);
    bench.press(KeyCode::Char('e'));
    answered(&mut bench, Question::Stock, Answer::Stock(Box::new(stock()), NOW_US));
    bench.press(KeyCode::Char(' ')).press(KeyCode::Down);
    for _ in 0..20 {
        bench.press(KeyCode::Backspace);
    }
    bench
        .hand("4.005 6.865 9.180")
        .press(KeyCode::Enter)
        .press(KeyCode::Enter)
        .wait(400)
        .press(KeyCode::Enter);
    bench
}

/// The electrode stands in a buffer for so many seconds.
fn dip(bench: &mut Bench, from_s: u32, level: f64, seconds: u32) {
    for s in 0..seconds {
        let at = stamp(1_000.0 + f64::from(from_s + s));
        let frame = u64::from(from_s + s) + 10;
        let reading = |channel, quantity, value, unit| reading(channel, quantity, value, unit, (frame, at));
        bench.lane(LaneEvent::Readings {
            readings: vec![
                reading("emf", Quantity::Emf, level + 0.1 * f64::from(s % 3), Unit::Millivolt),
                reading("temperature", Quantity::Temperature, 24.9, Unit::Celsius),
            ],
        });
    }
}

fn result(value: f64) -> PortionResult {
    serde_json::from_value(
        json!({ "inputs": [], "missing": [], "warnings": [], "results": [value_of(value)] }),
    )
    .unwrap()
}

fn value_of(value: f64) -> serde_json::Value {
    json!({
        "name": "acidity", "unit": "g/L", "value": value, "u": 0.01, "k": 2.0, "expanded": 0.02, "coverage": 0.95,
        "told": format!("{value:.2}"), "told_value": value, "told_expanded": "0.02", "budget": [],
    })
}

/// A portion with its end-points: titrant and its uncertainty.
type Portion = (SeriesPortion, Vec<(f64, Option<f64>)>);

fn portions(values: &[f64], first_run: i64) -> Vec<Portion> {
    let one = |(n, value): (u32, &f64)| {
        let portion = SeriesPortion {
            run: first_run + i64::from(n),
            portion: n + 1,
            role: Role::Sample,
            set_aside: (n == 1).then(|| "the stirrer stood still".to_owned()),
            going_on: false,
            result: result(*value),
        };
        (portion, vec![(2.2 * value, Some(0.006))])
    };
    (0..).zip(values).map(one).collect()
}

fn series_result(value: f64, next: serde_json::Value, passes: bool) -> SeriesResult {
    serde_json::from_value(json!({
        "results": [{
            "mean": value_of(value), "values": [value], "s": 0.012, "rsd": 0.0023, "confidence": 0.03,
            "median": value, "robust_s": 0.01, "u_propagated": 0.01, "u_shared": 0.008, "u_observed": 0.007,
            "scatter_used": false, "plausibility": 0.4,
        }],
        "counted": 2, "started": 3,
        "findings": [
            { "passes": passes, "words": "relative standard deviation 0.23 %, at most 0.5 %" },
            { "passes": true, "words": "result 5.2 g/L, 4 to 8 g/L" },
        ],
        "advice": [], "next": next,
    }))
    .unwrap()
}

fn group(sample: &str, result: Option<SeriesResult>, origin: Origin) -> Group {
    Group {
        series: "monday".to_owned(),
        role: if sample.is_empty() { Role::Blank } else { Role::Sample },
        sample: sample.to_owned(),
        title: "cider acidity".to_owned(),
        origin,
        plan: RunPlan { series: "monday".to_owned(), sample: sample.to_owned(), ..RunPlan::default() },
        portions: portions(&[5.21, 5.9, 5.19], if sample == "jar A" { 4 } else { 7 }),
        result,
        trouble: None,
        accepted: None,
    }
}

fn lot() -> Lot {
    let factor = Factor {
        lot: "hydroxide lot 7".to_owned(),
        value: 0.100_21,
        u: 0.000_06,
        unit: "mol/L".to_owned(),
        factor: Some(1.0021),
        series: "factor of april".to_owned(),
        procedure: "naoh-by-phthalate revision 1".to_owned(),
        origin: Origin::Serial,
        n: 3,
        s: Some(0.000_08),
        sources: Vec::new(),
    };
    let mut series = group(
        "phthalate",
        Some(series_result(
            0.1002,
            json!({ "next": "portion", "portion": 4, "why": "one was set aside" }),
            true,
        )),
        Origin::Serial,
    );
    series.role = Role::Standardisation;
    Lot {
        name: "hydroxide lot 7".to_owned(),
        what: "sodium hydroxide".to_owned(),
        nominal: Some((0.1, "mol/L".to_owned())),
        why_not: None,
        factors: vec![kept(factor, 30 * 24)],
        series: Some(series),
        procedure: Some("p1".to_owned()),
    }
}

fn series_page(bench: &mut Bench) {
    bench.press(KeyCode::Char('p'));
    let line = SeriesLine {
        series: "monday".to_owned(),
        title: "cider acidity".to_owned(),
        runs: 6,
        started_utc_us: NOW_US,
    };
    answered(bench, Question::SeriesList, Answer::SeriesList(vec![line]));
    let failed = series_result(5.2, json!({ "next": "failed", "why": "2 count, 3 are needed" }), false);
    let groups = vec![
        group("jar A", Some(series_result(5.2, json!({ "next": "done" }), true)), Origin::Serial),
        group("jar B", Some(failed), Origin::Simulator),
        group("", None, Origin::Serial),
    ];
    answered(bench, Question::Series("monday".to_owned()), Answer::Series(groups));
    bench.press(KeyCode::Down).press(KeyCode::Down);
}

fn runs_page(bench: &mut Bench) {
    bench.press(KeyCode::Char('r'));
    let run = |run: i64, sample: &str, fate| StoredRun {
        run,
        at: stamp(run as f64 * 600.0),
        title: "cider acidity".to_owned(),
        sample: sample.to_owned(),
        portion: (1, 3),
        origin: Origin::Serial,
        titrant: Titrant::Volume,
        end_points: vec![(11.412, Some(0.006))],
        fate,
    };
    let ended = || RunFate::Ended("ended by the operator".to_owned());
    let runs = vec![
        run(6, "jar A", ended()),
        run(5, "jar B", RunFate::SetAside("the stirrer stood still".to_owned())),
        run(4, "jar A", ended()),
    ];
    answered(bench, Question::Runs, Answer::Runs(runs));
}

fn file(run: i64, moved: f64) -> RunFile {
    let volumes = (0..70).map(|n| f64::from(n) * 0.2);
    let points = volumes.map(|v| Point { titrant: v + moved, signal: ph(v), temperature_c: None, t_s: None });
    let mut first = end_point();
    first.titrant += moved;
    let mut again = first.clone();
    again.titrant += 0.0042;
    let reckoned = |id, end_point, differs: &[&str], signatures: &[&str]| Reckoned {
        id,
        program: "dropwise 0.2.0".to_owned(),
        utc_us: NOW_US,
        who_why: Some(("analyst".to_owned(), "the window was too wide".to_owned())),
        differs: differs.iter().map(|&s| s.to_owned()).collect(),
        points: 70,
        end_points: vec![end_point],
        signatures: signatures.iter().map(|&s| s.to_owned()).collect(),
    };
    RunFile {
        run,
        curve: CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) },
        points: points.collect(),
        who: "analyst".to_owned(),
        plan: RunPlan::default(),
        result: Some(result(5.21)),
        reckonings: vec![
            reckoned(9, first, &[], &["performed by the analyst"]),
            reckoned(12, again, &["another procedure than the first"], &[]),
        ],
        reported: Some(9),
        choice: None,
        notes: vec![(41.0, "a drop on the wall".to_owned())],
        warnings: vec!["only 3 points in the steep part".to_owned()],
    }
}

fn places() -> Vec<Place> {
    vec![
        Place {
            port: "/dev/serial/by-id/usb-0".to_owned(),
            words: "USB bench cable".to_owned(),
            simulated: false,
        },
        Place {
            port: "simulator@10:1".to_owned(),
            words: "practice bench: a simulated burette and meter, ten times as fast as life".to_owned(),
            simulated: true,
        },
    ]
}

fn heard(bench: &mut Bench) {
    bench.attach(vec![]).press(KeyCode::Char(' '));
    answered(bench, Question::Places, Answer::Places(places()));
    bench.wait(400).press(KeyCode::Enter).press(KeyCode::Enter);
    let sample =
        ["  0.100 mL   3.21 pH  24.9 C", "  0.200 mL   3.\u{1b}[2J22 pH"].map(str::to_owned).to_vec();
    let port = "/dev/serial/by-id/usb-0".to_owned();
    let told = Heard { port: port.clone(), line: "9600 8N1, 98 % of it text".to_owned(), bytes: 640, sample };
    answered(bench, Question::Listen(port), Answer::Heard(told));
}

#[test]
fn esc_leads_back_from_every_page_and_keeps_what_was_typed() {
    let mut bench = running(super::scenario::FULL, 3.0);
    for key in ['e', 't', 'p', 'r', 'b', 'w'] {
        bench.press(KeyCode::Char(key)).press(KeyCode::Esc);
        assert!(super::frames::shown(&bench, 100, 30).contains("steepness"), "{key}");
    }
    let mut bench = waiting(super::scenario::FULL);
    bench.press(KeyCode::Char(' ')).press(KeyCode::Right).press(KeyCode::Enter).hand("CIDER-09");
    // To the titrants and back: the form is as it was.
    bench.press(KeyCode::F(4));
    bench.press(KeyCode::Esc);
    let shown = super::frames::shown(&bench, 100, 30);
    assert!(shown.contains("CIDER-09") && shown.contains("next portion"), "{shown}");
}
