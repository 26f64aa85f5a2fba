//! The pages about electrodes, titrants, series, stored runs, and the guide to a bench, at the moments that matter.

use super::scenario::{Bench, Moment, lane, running, stamp};
use super::told::{NOW_US, charts, file, group, kept, lot, places, series_result, stock};
use dropwise::dashboard::Theme;
use dropwise::dashboard::desk::{Answer, Decision, Decisions, Drafted, Heard, Question, Readied, SeriesLine};
use dropwise::dashboard::{Input, RunFate, StoredRun};
use dropwise::reading::{Quantity, Titrant, Unit};
use dropwise::work::{
    CheckPoint, DueStep, Origin, Readiness, RunPlan, StepLine, StepRecord, Stock, WhenWord, read_equipment,
};
use ratatui::crossterm::event::KeyCode;
use serde_json::json;

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
        bench.wait(400).press(KeyCode::Char(' '));
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

/// The first stored run, looked through.
pub(crate) fn looked_through(bench: &mut Bench) {
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

/// The desk answers.
pub(crate) fn answered(bench: &mut Bench, question: Question, answer: Answer) {
    bench.take(Input::Answer(Box::new(question), Ok(answer))).wait(20);
}

/// A bench where a line came in and no run goes on.
pub(crate) fn waiting(theme: Theme) -> Bench {
    let mut bench = Bench::new(theme);
    bench.attach(vec![lane(1, "bench 2", false)]);
    bench.line(1, 0.0, 3.2);
    bench
}

fn checking(theme: Theme) -> Bench {
    let mut bench = waiting(theme);
    bench.press(KeyCode::Char('e'));
    answered(&mut bench, Question::Stock, Answer::Stock(Box::new(stock()), NOW_US));
    bench.wait(400).press(KeyCode::Char(' ')).press(KeyCode::Down);
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
        let frame = (u64::from(from_s + s) + 10, stamp(1_000.0 + f64::from(from_s + s)));
        bench.readings(
            frame,
            &[
                ("emf", Quantity::Emf, level + 0.1 * f64::from(s % 3), Unit::Millivolt),
                ("temperature", Quantity::Temperature, 24.9, Unit::Celsius),
            ],
        );
    }
}

/// The page of a series.
pub(crate) fn series_page(bench: &mut Bench) {
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

/// The page of the stored runs.
pub(crate) fn runs_page(bench: &mut Bench) {
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
fn the_pictures_of_the_electrode_show_what_they_are_called() {
    for (name, words) in [
        ("electrode sheet", "check an electrode"),
        ("electrode check", "later"),
        ("electrode verdict", "verdict"),
    ] {
        let moment = PAGES.iter().find(|(known, _)| *known == name).unwrap().1;
        let shown = super::frames::shown(&moment(super::scenario::FULL), 80, 24);
        assert!(shown.contains(words), "{name}:\n{shown}");
    }
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
