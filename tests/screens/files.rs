//! Files of what a page shows, and practice on the simulated bench: moments, and what must hold of them.

use super::frames::shown;
use super::pages::{answered, looked_through, runs_page, series_page, waiting};
use super::scenario::{Bench, FULL, Moment, lane};
use super::told::{charts, group, series_result};
use dropwise::dashboard::desk::{Answer, FileKind, FileOf, FileWish, Question};
use dropwise::dashboard::{Effect, Input, Options, Theme};
use dropwise::work::{Command, Event, Origin};
use ratatui::crossterm::event::KeyCode;
use serde_json::json;

/// The moments of these pages.
pub(crate) const FILES: &[(&str, Moment)] = &[
    ("a file of a run", |theme| {
        let mut bench = of_a_run(theme);
        bench.press(KeyCode::Char('f'));
        bench
    }),
    ("a file without a name", |theme| {
        let mut bench = of_a_run(theme);
        bench.press(KeyCode::Char('f')).press(KeyCode::Down).press(KeyCode::Down);
        for _ in 0.."run-6".len() {
            bench.press(KeyCode::Backspace);
        }
        bench
    }),
    ("a file that is there", |theme| {
        let mut bench = of_a_run(theme);
        bench.press(KeyCode::Char('f'));
        enter(&mut bench, 3);
        let words = "nothing is written; run-6-2 is free: /home/rosa/run-6.pdf is there already and stays";
        bench.take(Input::Answer(Box::new(file_question(&bench)), Err(words.to_owned()))).wait(20);
        bench
    }),
    ("a file is written", |theme| {
        let mut bench = of_a_run(theme);
        bench.press(KeyCode::Char('f'));
        enter(&mut bench, 3);
        let words = "written to /home/rosa/run-6.pdf: report R-20261125-1";
        answered_file(&mut bench, words);
        bench
    }),
    ("a file of all runs listed", |theme| {
        let mut bench = at_home(theme);
        runs_page(&mut bench);
        bench.press(KeyCode::Char('f')).press(KeyCode::Left);
        bench
    }),
    ("a file of a chart", |theme| {
        let mut bench = at_home(theme);
        bench.press(KeyCode::Char('g'));
        answered(&mut bench, Question::Charts, Answer::Charts(charts()));
        bench.press(KeyCode::Char('f')).press(KeyCode::Left);
        bench
    }),
    ("a choice that was refused", |theme| {
        let mut bench = waiting(theme);
        refused_choice(&mut bench);
        bench
    }),
    ("cautions", |theme| {
        let mut bench = waiting(theme);
        bench.press(KeyCode::Char(' ')).press(KeyCode::Right).press(KeyCode::Enter).hand("CIDER-09");
        bench.press(KeyCode::Enter).press(KeyCode::Enter);
        bench
    }),
    ("practice bench", |theme| {
        let mut bench = Bench::new(theme);
        let mut practice = lane(1, "practice bench", false);
        practice.port = "simulator@10:1:buffers".to_owned();
        bench.attach(vec![practice]);
        bench
    }),
    ("series of practice", |theme| {
        let mut bench = waiting(theme);
        practised(&mut bench, None);
        bench
    }),
    ("series of practice accepted", |theme| {
        let mut bench = waiting(theme);
        practised(&mut bench, Some("rosa"));
        bench
    }),
];

/// A bench at a place where files go to a folder.
fn at_home(theme: Theme) -> Bench {
    let options = Options { folder: "/home/rosa".to_owned(), ..Options::with_theme(theme) };
    let mut bench = Bench::with(options);
    bench.attach(vec![lane(1, "bench 2", false)]);
    bench
}

fn of_a_run(theme: Theme) -> Bench {
    let mut bench = at_home(theme);
    looked_through(&mut bench);
    bench
}

fn enter(bench: &mut Bench, times: usize) {
    for _ in 0..times {
        bench.wait(400).press(KeyCode::Enter);
    }
}

/// The file that was asked for last.
fn file_question(bench: &Bench) -> Question {
    let asked = bench.effects.iter().rev().find_map(|effect| match effect {
        Effect::Consult(question) if matches!(**question, Question::File(_)) => Some((**question).clone()),
        _ => None,
    });
    asked.unwrap()
}

fn answered_file(bench: &mut Bench, words: &str) {
    let question = file_question(bench);
    answered(bench, question, Answer::Written(words.to_owned()));
}

/// A choice with its reason goes to the recorder, which refuses it.
fn refused_choice(bench: &mut Bench) {
    looked_through(bench);
    bench.press(KeyCode::Right).press(KeyCode::Char('c')).hand("the window held a bubble");
    bench.press(KeyCode::F(12)).wait(700).press(KeyCode::F(12));
    let document = dropwise::work::choice(6, 12, Origin::Serial, "the window held a bubble").unwrap();
    let question = Question::Choose { run: 6, reckoning: 12, why: "the window held a bubble".to_owned() };
    let asks = vec![Command::Enter { document: Box::new(document) }];
    answered(bench, question, Answer::Asks(asks, "chosen".to_owned()));
    let id = bench.effects.iter().rev().find_map(|effect| match effect {
        Effect::Send(id, Command::Enter { .. }) => Some(*id),
        _ => None,
    });
    let refused = Some("reckoning 9 of run 6 is signed".to_owned());
    bench.told(Event::Answer { id: id.unwrap(), refused, lane: None }).wait(20);
}

/// A series of the simulated bench that passes.
fn practised(bench: &mut Bench, by: Option<&str>) {
    series_page(bench);
    let mut group =
        group("jar A", Some(series_result(5.2, json!({ "next": "done" }), true)), Origin::Simulator);
    group.accepted = by.map(str::to_owned);
    answered(bench, Question::Series("monday".to_owned()), Answer::Series(vec![group]));
}

#[test]
fn a_file_goes_where_the_sheet_says_and_the_sheet_remembers() {
    let mut bench = of_a_run(FULL);
    bench.press(KeyCode::Char('f')).press(KeyCode::Right).press(KeyCode::Right);
    assert!(shown(&bench, 100, 30).contains("to /home/rosa/run-6.html"), "{}", shown(&bench, 100, 30));
    bench.press(KeyCode::Down).hand("/reports").press(KeyCode::Down).hand(" b");
    enter(&mut bench, 1);
    let wish = FileWish {
        of: FileOf::Run(6),
        kind: FileKind::Html,
        folder: "/home/rosa/reports".to_owned(),
        name: "run-6 b.html".to_owned(),
    };
    assert_eq!(file_question(&bench), Question::File(wish));
    answered_file(&mut bench, "written to /home/rosa/reports/run-6 b.html: report R-1");
    assert!(shown(&bench, 100, 30).contains("written to /home/rosa/reports/run-6 b.html"));
    // The next one begins with the same kind and the same folder, and with the name of what is shown.
    bench.press(KeyCode::Char('f'));
    let again = shown(&bench, 100, 30);
    assert!(again.contains("to /home/rosa/reports/run-6.html"), "{again}");
    assert!(again.contains("last: written to /home/rosa/reports/run-6 b.html"), "{again}");
}

#[test]
fn a_file_that_cannot_be_written_is_told_and_the_sheet_lies_open_again() {
    let mut bench = of_a_run(FULL);
    bench.press(KeyCode::Char('f')).press(KeyCode::Down).press(KeyCode::Down).hand("x");
    enter(&mut bench, 1);
    let question = file_question(&bench);
    bench.take(Input::Answer(Box::new(question), Err("the folder cannot be made".to_owned()))).wait(20);
    let shown = shown(&bench, 100, 30);
    assert!(shown.contains("cannot be made") && shown.contains("run-6x"), "{shown}");
}

#[test]
fn a_name_leads_to_no_other_folder() {
    for name in ["/etc/passwd", "..", ".hidden", "a\\b"] {
        let mut bench = of_a_run(FULL);
        bench.press(KeyCode::Char('f')).press(KeyCode::Down).press(KeyCode::Down);
        for _ in 0.."run-6".len() {
            bench.press(KeyCode::Backspace);
        }
        bench.hand(name);
        enter(&mut bench, 1);
        let asked = bench.effects.iter().any(
            |effect| matches!(effect, Effect::Consult(question) if matches!(**question, Question::File(_))),
        );
        assert!(!asked, "{name}");
        assert!(shown(&bench, 100, 30).contains("a name alone"), "{name}");
    }
}

#[test]
fn every_page_offers_files_or_says_where_they_are() {
    let mut bench = waiting(FULL);
    for key in ['w', 'b', 'x', 'q', 'd'] {
        bench.press(KeyCode::Char(key)).press(KeyCode::Char('f'));
        let shown = shown(&bench, 100, 30);
        assert!(shown.contains("files are written of a run (r)"), "{key}\n{shown}");
        bench.press(KeyCode::Esc);
    }
}

#[test]
fn what_the_recorder_refuses_lies_open_again_with_its_reason() {
    let mut bench = waiting(FULL);
    refused_choice(&mut bench);
    let shown = shown(&bench, 100, 30);
    assert!(shown.contains("report reckoning 12 of run 6"), "{shown}");
    assert!(shown.contains("the window held a bubble") && shown.contains("is signed"), "{shown}");
}
