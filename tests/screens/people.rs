//! Who sits at the screen: the cover, the hand on a run, silenced alarms, lanes that need somebody, the mouse.

use super::scenario::{Bench, END_POINT_ML, FULL, keyed, lane, running};
use dropwise::dashboard::desk::{Answer, Question};
use dropwise::dashboard::{Effect, Input, Notify, Options, view};
use dropwise::detector::WatchState;
use dropwise::work::{Command, Event, HandWish, Health, Identity, LaneEvent, LaneState};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::crossterm::event::{KeyCode, KeyModifiers, MouseButton, MouseEvent, MouseEventKind};

fn sent(bench: &mut Bench) -> Vec<Command> {
    let effects = std::mem::take(&mut bench.effects);
    effects.into_iter().filter_map(|e| if let Effect::Send(_, c) = e { Some(c) } else { None }).collect()
}

/// Everything that was asked is done.
fn grant(bench: &mut Bench) {
    let ids: Vec<u64> = bench
        .effects
        .iter()
        .filter_map(|effect| if let Effect::Send(id, _) = effect { Some(*id) } else { None })
        .collect();
    for id in ids {
        bench.told(Event::Answer { id, refused: None, lane: None });
    }
}

fn shown(bench: &Bench) -> String {
    let mut terminal = Terminal::new(TestBackend::new(100, 30)).unwrap();
    terminal.draw(|frame| view::draw(&bench.state, frame)).unwrap();
    terminal.backend().to_string()
}

fn locked(identity: Identity, lock_after_s: Option<u64>) -> LaneState {
    let mut lane = lane(1, "bench 2", false);
    lane.people.identity = identity;
    lane.people.lock_after_s = lock_after_s;
    lane
}

fn you(bench: &mut Bench, who: &str) {
    bench.told(Event::You { who: who.to_owned(), challenge: "c1".to_owned() });
}

#[test]
fn an_untouched_screen_is_covered_and_takes_no_command_until_its_account_is_named() {
    let mut bench = Bench::new(FULL);
    bench.attach(vec![locked(Identity::Account, Some(60))]).start();
    you(&mut bench, "rosa");
    bench.titrate(6.0).wait(30_000).press(KeyCode::Left).wait(40_000);
    assert!(!shown(&bench).contains("no command is taken"), "a key in between counts");
    bench.wait(25_000);
    let cover = shown(&bench);
    assert!(cover.contains("no command is taken") && cover.contains("recording goes on"), "{cover}");
    assert!(cover.contains("6.00 mL"), "{cover}");
    bench.effects.clear();
    bench.press(KeyCode::F(8)).wait(1_000).press(KeyCode::F(8)).hand("n ").scan("LABEL-1");
    assert_eq!(sent(&mut bench), []);
    assert!(shown(&bench).contains("no command is taken"));
    bench.press(KeyCode::Esc).hand("ivo").press(KeyCode::Enter);
    assert!(shown(&bench).contains("not the account"), "{}", shown(&bench));
    bench.hand("rosa").press(KeyCode::Enter);
    assert!(!shown(&bench).contains("no command is taken"), "{}", shown(&bench));
    bench.press(KeyCode::F(8)).wait(1_000).press(KeyCode::F(8));
    assert_eq!(sent(&mut bench), [Command::End { lane: 1, reason: None }]);
}

#[test]
fn a_bench_of_names_forgets_who_left_and_asks_the_next() {
    let mut bench = Bench::new(FULL);
    bench.attach(vec![locked(Identity::Named, Some(60))]);
    you(&mut bench, "bench7");
    assert!(shown(&bench).contains("who sits here?"), "{}", shown(&bench));
    bench.hand("Rosa Lind").press(KeyCode::Enter);
    let named = |name: &str| Command::Name { name: name.to_owned(), proof: None };
    you(&mut bench, "Rosa Lind (account bench7)");
    grant(&mut bench);
    assert_eq!(sent(&mut bench), [named("Rosa Lind")]);
    assert!(!shown(&bench).contains("who sits here?"));
    bench.wait(61_000);
    assert_eq!(sent(&mut bench), [named("")]);
    you(&mut bench, "bench7");
    bench.hand("Ivo").press(KeyCode::Enter);
    grant(&mut bench);
    assert_eq!(sent(&mut bench), [named("Ivo")]);
    assert!(!shown(&bench).contains("no command is taken"));
}

#[test]
fn a_bench_of_keys_opens_by_a_pass_phrase_that_no_screen_shows() {
    let mut bench = Bench::new(FULL);
    bench.attach(vec![locked(Identity::Key, None)]);
    you(&mut bench, "bench7");
    bench.hand("Rosa").press(KeyCode::Enter).hand("three blue jars");
    let cover = shown(&bench);
    assert!(cover.contains("key of Rosa") && cover.contains("*****") && !cover.contains("blue"), "{cover}");
    bench.press(KeyCode::Enter);
    let asked =
        bench.effects.iter().find_map(|e| if let Effect::Consult(e) = e { Some(e.clone()) } else { None });
    assert!(!format!("{asked:?}").contains("blue"), "{asked:?}");
    let Some(question) = asked else { panic!("nothing was asked") };
    let Question::Prove { name, phrase, challenge } = question.as_ref() else { panic!("{question:?}") };
    assert_eq!((name.as_str(), phrase.0.as_str(), challenge.as_str()), ("Rosa", "three blue jars", "c1"));
    let proof = |proof: Result<String, String>| Input::Answer(question.clone(), proof.map(Answer::Proof));
    bench.take(proof(Err("the pass-phrase does not open the key of Rosa".to_owned())));
    assert!(shown(&bench).contains("does not open"), "{}", shown(&bench));
    assert_eq!(sent(&mut bench), []);
    bench.take(proof(Ok("aa".to_owned())));
    assert_eq!(sent(&mut bench), [Command::Name { name: "Rosa".to_owned(), proof: Some("aa".to_owned()) }]);
}

#[test]
fn whoever_only_looks_on_lays_the_first_question_aside() {
    let mut bench = Bench::new(FULL);
    bench.attach(vec![locked(Identity::Key, None)]);
    you(&mut bench, "bench7");
    bench.press(KeyCode::Esc);
    assert!(!shown(&bench).contains("who sits here?"), "{}", shown(&bench));
    bench.press(KeyCode::F(11)).press(KeyCode::Esc);
    assert!(shown(&bench).contains("no command is taken"), "a cover that was asked for stays");
}

#[test]
fn the_hand_is_asked_for_given_kept_and_taken_by_keys() {
    let mut bench = running(FULL, 6.0);
    you(&mut bench, "ivo");
    let held = |asks: Option<&str>| LaneEvent::Hand {
        holder: Some("rosa".to_owned()),
        asks: asks.map(str::to_owned),
    };
    bench.lane(held(None));
    assert!(shown(&bench).contains("rosa has the hand"), "{}", shown(&bench));
    bench.effects.clear();
    let wish = |wish| Command::Hand { lane: 1, wish };
    bench.hand("h");
    assert_eq!(sent(&mut bench), [wish(HandWish::Ask)]);
    bench.lane(held(Some("ivo"))).hand("h").press(KeyCode::Enter);
    assert_eq!(sent(&mut bench), [], "a reason is needed");
    bench.hand("she is at lunch").press(KeyCode::Enter);
    assert_eq!(sent(&mut bench), [wish(HandWish::Take { reason: "she is at lunch".to_owned() })]);
    you(&mut bench, "rosa");
    assert!(shown(&bench).contains("ivo asks for the hand"), "{}", shown(&bench));
    bench.hand("h").hand("maybe").press(KeyCode::Enter);
    assert_eq!(sent(&mut bench), []);
    bench.press(KeyCode::Esc).hand("h");
    for _ in 0..5 {
        bench.press(KeyCode::Backspace);
    }
    bench.hand("no").press(KeyCode::Enter).hand("hyes").press(KeyCode::Enter);
    assert_eq!(sent(&mut bench), [wish(HandWish::Keep), wish(HandWish::Grant)]);
}

#[test]
fn what_was_silenced_is_heard_again_when_it_gets_worse() {
    let bells = |bench: &Bench| bench.effects.iter().filter(|e| **e == Effect::Bell).count();
    let mut bench = running(FULL, 10.8);
    bench.effects.clear();
    bench.watch(WatchState::Closing, 10.8).expect(0.12, &[]);
    assert_eq!(bells(&bench), 1);
    bench.hand("m").wait(11_000);
    let quiet = shown(&bench);
    assert!(quiet.contains("to go: slow down") && !quiet.contains('╔'), "{quiet}");
    bench.watch(WatchState::Turning, 11.4);
    assert_eq!(bells(&bench), 2);
    assert!(shown(&bench).contains('┏'), "{}", shown(&bench));
}

#[test]
fn the_desktop_is_told_only_where_that_was_asked_for() {
    for (notify, count) in [(Notify::Never, 0), (Notify::Osc9, 1)] {
        let mut bench = Bench::with(Options { notify, ..Options::with_theme(FULL) });
        bench.attach(vec![lane(1, "bench 2", false)]).start().titrate(10.8);
        bench.effects.clear();
        bench.watch(WatchState::Closing, 10.8).expect(0.12, &[]);
        let told = bench.effects.iter().filter(|e| matches!(e, Effect::Notify(_))).count();
        assert_eq!(told, count, "{:?}", bench.effects);
    }
}

#[test]
fn one_key_goes_to_the_lane_that_needs_somebody() {
    let mut bench = Bench::new(FULL);
    let mut gone = lane(2, "fume cupboard", false);
    gone.health = Health::Gone { why: "unplugged".to_owned() };
    bench.attach(vec![lane(1, "bench 2", false), gone]).start().titrate(6.0);
    bench.wait(11_000);
    assert!(shown(&bench).contains("fume cupboard: the line is gone; j goes there"), "{}", shown(&bench));
    bench.hand("j");
    let there = shown(&bench);
    assert!(there.contains("the line to /dev/serial"), "{there}");
    bench.hand("j");
    assert!(shown(&bench).contains("no other lane needs anybody"), "{}", shown(&bench));
}

#[test]
fn a_click_reads_the_curve_out_and_the_wheel_looks_closer() {
    let mut bench = running(FULL, 13.0);
    bench.take(Input::Resize(100, 30));
    let mouse =
        |kind, column, row| Input::Mouse(MouseEvent { kind, column, row, modifiers: KeyModifiers::NONE });
    bench.take(mouse(MouseEventKind::Down(MouseButton::Left), 40, 10));
    let read = shown(&bench);
    assert!(read.contains(" mL: pH "), "{read}");
    bench.take(mouse(MouseEventKind::ScrollUp, 40, 10));
    assert!(shown(&bench).contains("x2"), "{}", shown(&bench));
    bench.press(KeyCode::Esc);
    assert!(!shown(&bench).contains(" mL: pH "), "{}", shown(&bench));
    // Outside the curve nothing happens.
    bench.take(mouse(MouseEventKind::Down(MouseButton::Left), 95, 2));
    assert!(!shown(&bench).contains(" mL: pH "));
    assert!(sent(&mut bench).is_empty());
}

#[test]
fn what_the_eye_saw_is_told_with_its_volume() {
    let mut bench = keyed(FULL);
    bench.effects.clear();
    bench.hand("i11,32").press(KeyCode::Enter);
    assert_eq!(sent(&mut bench), [], "what was seen is missing");
    bench.hand(" mL colourless to pink").press(KeyCode::Enter);
    let what = "colourless to pink".to_owned();
    assert_eq!(sent(&mut bench), [Command::Seen { lane: 1, reading_ml: 11.32, what }]);
}

#[test]
fn a_run_that_has_just_ended_is_set_aside_on_its_own_page() {
    let mut bench = running(FULL, 13.0);
    bench.end(vec![super::scenario::end_point()], &[]);
    bench.effects.clear();
    bench.press(KeyCode::F(9)).hand("bubble").press(KeyCode::F(9)).wait(1_000).press(KeyCode::F(9));
    assert_eq!(sent(&mut bench), [Command::SetAside { run: 41, reason: "bubble".to_owned() }]);
    assert!((END_POINT_ML - 11.41).abs() < 1e-9);
}
