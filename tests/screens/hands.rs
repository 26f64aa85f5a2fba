//! What keys, pedals and bar codes do: above all what they do not do to a run.

use super::scenario::{Bench, END_POINT_ML, FULL, MOMENTS, end_point, keyed, lane, reading, running, stamp};
use dropwise::dashboard::{Effect, Input, Options, view};
use dropwise::detector::WatchState;
use dropwise::reading::{Quantity, Reading, Unit};
use dropwise::work::{Command, Event, LaneEvent, Origin, VolumeMark};
use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

fn commands(bench: &Bench) -> Vec<Command> {
    let sent = bench.effects.iter().filter_map(|effect| match effect {
        Effect::Send(_, command) => Some(command.clone()),
        Effect::ReadProfile(_)
        | Effect::Consult(_)
        | Effect::Notify(_)
        | Effect::Bell
        | Effect::Redraw
        | Effect::Leave => None,
    });
    sent.collect()
}

fn shown(bench: &Bench) -> String {
    let mut terminal = Terminal::new(TestBackend::new(100, 30)).unwrap();
    terminal.draw(|frame| view::draw(&bench.state, frame)).unwrap();
    terminal.backend().to_string()
}

fn moment(name: &str) -> Bench {
    let mut bench = MOMENTS.iter().find(|(n, _)| *n == name).unwrap().1(FULL);
    bench.effects.clear();
    bench
}

fn is_end(command: &Command) -> bool {
    matches!(command, Command::End { .. })
}

/// Labels of every kind: what keys mean, figures, blanks, signs, what scanners put between parts.
fn label(random: &mut impl Rng) -> String {
    const SIGNS: &[u8] = b" ABCnvscwbrl?+-=0123456789.,:;/()[]~\t\x1dq";
    let length = random.random_range(2..24);
    (0..length).map(|_| char::from(SIGNS[random.random_range(0..SIGNS.len())])).collect()
}

#[test]
fn a_thousand_labels_into_every_screen_change_no_run() {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    for (name, moment) in super::frames::all() {
        let mut bench = moment(FULL);
        bench.effects.clear();
        for _ in 0..1_000 {
            let label = label(&mut random);
            bench.scan(&label);
            for command in commands(&bench) {
                assert!(matches!(command, Command::Note { .. }), "{name}: {label:?} gave {command:?}");
            }
            assert!(!bench.effects.contains(&Effect::Leave), "{name}: {label:?}");
            bench.effects.clear();
        }
    }
}

/// A scanner that types no faster than a hand is not told from one; it must still end and start nothing.
#[test]
fn a_slow_scanner_ends_and_starts_nothing() {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(8);
    for (name, moment) in super::frames::all() {
        let mut bench = moment(FULL);
        bench.effects.clear();
        for _ in 0..100 {
            for c in format!("A{}\n", label(&mut random)).chars() {
                let code = if c == '\n' { KeyCode::Enter } else { KeyCode::Char(c) };
                bench.take(Input::Key(KeyEvent::new(code, KeyModifiers::NONE))).wait(60);
            }
            bench.wait(1_500);
        }
        for command in commands(&bench) {
            // What a person had begun to type ends with the label's Enter: kept, told, and told anew by one key.
            let harmless =
                matches!(command, Command::Note { .. } | Command::Mark { .. } | Command::Seen { .. });
            assert!(harmless, "{name}: {command:?}");
        }
        assert!(!bench.effects.contains(&Effect::Leave), "{name}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    /// Whatever a hand does with printable keys, Enter and Esc, no run is ended or set aside.
    #[test]
    fn printable_keys_end_nothing(keys in proptest::collection::vec("[ -~\r\x1b]", 1..60), pause in 35_u64..900) {
        for (name, moment) in super::frames::all() {
            let mut bench = moment(FULL);
            bench.effects.clear();
            for key in &keys {
                let code = match key.chars().next() {
                    Some('\r') => KeyCode::Enter,
                    Some('\x1b') => KeyCode::Esc,
                    Some(c) => KeyCode::Char(c),
                    None => continue,
                };
                bench.take(Input::Key(KeyEvent::new(code, KeyModifiers::NONE))).wait(pause);
            }
            for command in commands(&bench) {
                let ends = matches!(command, Command::End { .. } | Command::SetAside { .. } | Command::Leave);
                prop_assert!(!ends, "{name}: {command:?}");
            }
            prop_assert!(!bench.effects.contains(&Effect::Leave), "{name}");
        }
    }
}

#[test]
fn the_run_ends_by_two_presses_and_not_by_one() {
    let mut bench = running(FULL, 6.0);
    bench.effects.clear();
    bench.press(KeyCode::F(8));
    assert!(shown(&bench).contains("F8 again"), "{}", shown(&bench));
    bench.wait(800).press(KeyCode::F(8));
    assert_eq!(commands(&bench), [Command::End { lane: 1, reason: None }]);

    let mut once = running(FULL, 6.0);
    once.effects.clear();
    once.press(KeyCode::F(8)).wait(3_100).press(KeyCode::F(8)).wait(3_100);
    assert_eq!(commands(&once), []);

    let mut between = running(FULL, 6.0);
    between.effects.clear();
    between.press(KeyCode::F(8)).wait(600).press(KeyCode::Left).wait(600).press(KeyCode::F(8));
    assert_eq!(commands(&between), []);
}

#[test]
fn a_key_held_down_ends_nothing_however_long() {
    for repeats in 0..80 {
        let mut bench = running(FULL, 6.0);
        bench.effects.clear();
        let f8 = || Input::Key(KeyEvent::new(KeyCode::F(8), KeyModifiers::NONE));
        bench.take(f8()).wait(660);
        for _ in 0..repeats {
            bench.take(f8()).wait(33);
        }
        bench.wait(5_000);
        assert!(!commands(&bench).iter().any(is_end), "{repeats} repeats");
    }
}

#[test]
fn a_scan_between_two_presses_disarms() {
    let mut bench = running(FULL, 6.0);
    bench.effects.clear();
    bench.press(KeyCode::F(8)).scan("ACE-1").wait(800).press(KeyCode::F(8));
    assert!(!commands(&bench).iter().any(is_end));
}

#[test]
fn leaving_the_screen_sends_nothing() {
    let mut bench = running(FULL, 6.0);
    bench.effects.clear();
    let ctrl_c = || Input::Key(KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL));
    bench.take(ctrl_c()).wait(100);
    assert!(shown(&bench).contains("the recorder and the run go on"));
    assert_eq!(bench.effects, []);
    bench.take(ctrl_c());
    assert_eq!(bench.effects, [Effect::Leave]);
}

#[test]
fn the_pedal_marks_once_for_each_press() {
    let mut bench = keyed(FULL);
    bench.effects.clear();
    let pedal = || Input::Key(KeyEvent::new(KeyCode::Char(' '), KeyModifiers::NONE));
    // Bouncing, then held for two seconds.
    bench.take(pedal()).wait(5).take(pedal()).wait(400);
    for _ in 0..60 {
        bench.take(pedal()).wait(33);
    }
    assert_eq!(commands(&bench), [Command::Mark { lane: 1, mark: VolumeMark::Step }]);
    bench.wait(1_000).take(pedal()).wait(100);
    assert_eq!(commands(&bench).len(), 2);
}

#[test]
fn the_pedal_marks_a_moment_where_volumes_come_from_the_line() {
    let mut bench = running(FULL, 6.0);
    bench.effects.clear();
    bench.press(KeyCode::Char(' '));
    assert_eq!(commands(&bench), [Command::Note { lane: 1, text: "mark at 6.000 mL".to_owned() }]);
}

#[test]
fn the_pedal_alone_starts_the_next_portion() {
    let mut bench = moment("ended");
    for _ in 0..3 {
        bench.press(KeyCode::Char(' ')).wait(800);
    }
    let [Command::Start { lane: 1, plan }] = &commands(&bench)[..] else { panic!("{:?}", commands(&bench)) };
    assert_eq!((plan.portion, plan.portions, plan.mass_g), (3, 3, None));
    assert_eq!((plan.sample.as_str(), plan.procedure.as_str()), ("CIDER-07", "p1"));
}

#[test]
fn a_scanned_label_names_the_sample_of_the_next_portion() {
    let mut bench = moment("ended");
    bench.scan("CIDER-08").hand("5,02").press(KeyCode::Enter).wait(500).press(KeyCode::Enter);
    let [Command::Start { plan, .. }] = &commands(&bench)[..] else { panic!("{:?}", commands(&bench)) };
    assert_eq!((plan.sample.as_str(), plan.portion, plan.mass_g), ("CIDER-08", 1, Some(5.02)));
}

#[test]
fn a_balance_that_types_fills_the_mass() {
    let mut bench = moment("ended");
    bench.press(KeyCode::Char(' ')).wait(500).scan("5.0172");
    assert!(shown(&bench).contains("CIDER-07"), "the sample stays");
    bench.press(KeyCode::Enter).wait(500).press(KeyCode::Enter);
    let [Command::Start { plan, .. }] = &commands(&bench)[..] else { panic!("{:?}", commands(&bench)) };
    assert_eq!(plan.mass_g, Some(5.0172));
}

#[test]
fn one_key_has_the_balance_give_the_mass() {
    let mut bench = moment("ended");
    let shows = reading("mass", Quantity::Mass, 5.0172, Unit::Gram, (900, stamp(900.0)));
    bench.lane(LaneEvent::Readings { readings: vec![Reading { steady: Some(true), ..shows }] });
    bench.press(KeyCode::Char(' ')).wait(500);
    assert!(shown(&bench).contains("b takes it from the balance: 5.0172 g, at rest"), "{}", shown(&bench));
    bench.hand("b").press(KeyCode::Enter).wait(500).press(KeyCode::Enter);
    let [Command::Start { plan, .. }] = &commands(&bench)[..] else { panic!("{:?}", commands(&bench)) };
    assert_eq!((plan.mass_g, plan.values["mass"].as_str()), (None, "balance"));
}

#[test]
fn volumes_are_keyed_with_point_or_comma() {
    let mut bench = keyed(FULL);
    bench.effects.clear();
    bench.hand("s0,35").press(KeyCode::Enter);
    bench.hand("11.32").press(KeyCode::Enter);
    bench.hand("c11,23").press(KeyCode::Enter);
    let mark = |mark| Command::Mark { lane: 1, mark };
    assert_eq!(
        commands(&bench),
        [
            mark(VolumeMark::BuretteStart { reading_ml: 0.35 }),
            mark(VolumeMark::Burette { reading_ml: 11.32 }),
            mark(VolumeMark::Correction { reading_ml: 11.23 }),
        ]
    );
}

#[test]
fn a_wrong_number_is_told_while_it_is_typed_and_not_sent() {
    let mut bench = keyed(FULL);
    bench.effects.clear();
    bench.hand("v1.2.3");
    assert!(shown(&bench).contains("more than one decimal point"), "{}", shown(&bench));
    bench.press(KeyCode::Enter).hand("4");
    assert_eq!(commands(&bench), []);
    assert!(shown(&bench).contains("1.2.34"), "{}", shown(&bench));
}

#[test]
fn a_number_scanned_into_the_volume_waits_for_a_hand() {
    let mut bench = keyed(FULL);
    bench.effects.clear();
    bench.hand("v").scan("11.32");
    assert_eq!(commands(&bench), []);
    bench.press(KeyCode::Enter);
    assert_eq!(
        commands(&bench),
        [Command::Mark { lane: 1, mark: VolumeMark::Burette { reading_ml: 11.32 } }]
    );
}

#[test]
fn esc_goes_back_and_loses_nothing() {
    let mut bench = running(FULL, 6.0);
    bench.effects.clear();
    bench.hand("nstirrer off").press(KeyCode::Esc);
    assert!(!shown(&bench).contains("stirrer off"));
    bench.hand("n");
    assert!(shown(&bench).contains("stirrer off"), "{}", shown(&bench));
    bench.press(KeyCode::Enter);
    assert_eq!(commands(&bench), [Command::Note { lane: 1, text: "stirrer off".to_owned() }]);

    // A cover stays until somebody says who sits there.
    for (name, moment) in super::frames::all().filter(|(name, _)| *name != "covered") {
        let mut bench = moment(FULL);
        bench.effects.clear();
        for _ in 0..4 {
            bench.press(KeyCode::Esc);
        }
        assert_eq!(commands(&bench), [], "{name}");
        let home = shown(&bench);
        assert!(home.contains("all keys") && !home.contains("Esc back"), "{name}:\n{home}");
    }
}

#[test]
fn help_is_everywhere() {
    for (name, moment) in super::frames::all().filter(|(name, _)| *name != "covered") {
        let mut bench = moment(FULL);
        if !name.starts_with("help") {
            bench.press(KeyCode::F(1));
        }
        assert!(shown(&bench).contains("end the run: twice, a moment apart"), "{name}:\n{}", shown(&bench));
    }
}

#[test]
fn what_is_refused_is_told_and_kept() {
    let mut bench = keyed(FULL);
    bench.effects.clear();
    bench.hand("v3").press(KeyCode::Enter);
    let Some(Effect::Send(id, _)) = bench.effects.first().cloned() else { panic!("{:?}", bench.effects) };
    bench.told(Event::Answer { id, refused: Some("less than the last reading".to_owned()), lane: None });
    assert!(bench.effects.contains(&Effect::Bell));
    assert!(shown(&bench).contains("not done (volume): less than the last reading"), "{}", shown(&bench));
    bench.hand("v4").press(KeyCode::Enter);
    let last = commands(&bench).pop();
    assert_eq!(last, Some(Command::Mark { lane: 1, mark: VolumeMark::Burette { reading_ml: 34.0 } }));
}

#[test]
fn a_run_is_set_aside_only_with_a_reason_and_two_presses() {
    let mut bench = running(FULL, 6.0);
    bench.effects.clear();
    bench.press(KeyCode::F(5)).press(KeyCode::Down).press(KeyCode::F(9));
    bench.press(KeyCode::F(9)).wait(800).press(KeyCode::F(9));
    assert_eq!(commands(&bench), []);
    assert!(shown(&bench).contains("a reason is needed"), "{}", shown(&bench));
    bench.hand("air bubble").press(KeyCode::F(9)).wait(800).press(KeyCode::F(9));
    assert_eq!(commands(&bench), [Command::SetAside { run: 40, reason: "air bubble".to_owned() }]);
}

#[test]
fn the_run_that_goes_on_cannot_be_set_aside() {
    let mut bench = running(FULL, 6.0);
    bench.effects.clear();
    bench.press(KeyCode::F(5)).press(KeyCode::F(9)).wait(800).press(KeyCode::F(9));
    assert_eq!(commands(&bench), []);
    assert!(shown(&bench).contains("end it first"));
}

#[test]
fn a_paste_becomes_one_note() {
    let mut bench = running(FULL, 6.0);
    bench.effects.clear();
    bench.take(Input::Paste("n F8\r\nend\x1b[20~ the run\n".to_owned()));
    assert_eq!(commands(&bench), [Command::Note { lane: 1, text: "n F8 end [20~ the run".to_owned() }]);
}

#[test]
fn each_step_towards_the_end_point_rings_once() {
    let mut bench = running(FULL, 10.0);
    let mut rings = |change: &dyn Fn(&mut Bench)| {
        bench.effects.clear();
        change(&mut bench);
        bench.effects.iter().filter(|e| **e == Effect::Bell).count()
    };
    assert_eq!(
        rings(&|b| {
            b.expect(0.3, &[]);
        }),
        0,
        "1.41 mL to go"
    );
    assert_eq!(
        rings(&|b| {
            b.watch(WatchState::Closing, 10.5);
        }),
        1
    );
    assert_eq!(
        rings(&|b| {
            b.expect(0.2, &[]);
        }),
        0
    );
    assert_eq!(
        rings(&|b| {
            b.watch(WatchState::Turning, 11.4);
        }),
        1
    );
    assert_eq!(
        rings(&|b| {
            b.watch(WatchState::Found, 11.7);
        }),
        1
    );
    assert_eq!(
        rings(&|b| {
            b.watch(WatchState::Withdrawn, 12.0);
        }),
        1
    );
}

#[test]
fn the_warning_distance_is_the_one_of_the_run() {
    // The run of the scenario warns 1 mL before.
    let mut bench = running(FULL, END_POINT_ML - 1.2);
    bench.expect(0.3, &[]);
    assert!(!shown(&bench).contains("slow down"), "{}", shown(&bench));
    let mut bench = running(FULL, END_POINT_ML - 0.9);
    bench.expect(0.3, &[]);
    assert!(shown(&bench).contains("slow down"), "{}", shown(&bench));
    let mut bench = running(FULL, END_POINT_ML - 0.3);
    bench.expect(0.3, &[]);
    assert!(shown(&bench).contains("single drops"), "{}", shown(&bench));
}

#[test]
fn a_full_command_queue_is_told() {
    let mut bench = running(FULL, 6.0);
    bench.hand("nx").press(KeyCode::Enter).wait(3_000);
    assert!(shown(&bench).contains("the recorder has not answered for 3 s: note"), "{}", shown(&bench));
}

#[test]
fn another_lane_that_warns_is_named() {
    let mut bench = Bench::with(Options::with_theme(FULL));
    bench.attach(vec![lane(1, "bench 2", false), lane(2, "fume cupboard", false)]).start();
    bench.press(KeyCode::F(6)).titrate(11.2).watch(WatchState::Closing, 11.2);
    assert!(shown(&bench).contains("bench 2: end-point near"), "{}", shown(&bench));
}

#[test]
fn an_ended_run_stays_on_the_screen_and_joins_the_list() {
    let mut bench = running(FULL, 13.0);
    bench.lane(LaneEvent::Warning { text: "odd".to_owned() }).end(vec![end_point()], &["few points"]);
    let run = shown(&bench);
    assert!(run.contains("11.4123 ± 0.0061 mL") && run.contains("few points"), "{run}");
    bench.press(KeyCode::F(5));
    assert!(shown(&bench).contains("ended, serial"), "{}", shown(&bench));
}

#[test]
fn a_bench_opened_anew_is_looked_at_again() {
    let mut bench = Bench::with(Options::with_theme(FULL));
    bench.attach(vec![lane(1, "bench 2", false), lane(2, "fume cupboard", false)]).press(KeyCode::F(6));
    bench.told(Event::Closed { lane: 2 });
    assert!(shown(&bench).contains(" bench 2 "), "{}", shown(&bench));
    bench.told(Event::Opened { lane: Box::new(lane(3, "fume cupboard", false)) });
    assert!(shown(&bench).contains(" fume cupboard "), "{}", shown(&bench));
    bench.told(Event::Opened { lane: Box::new(lane(4, "another", false)) });
    assert!(shown(&bench).contains(" fume cupboard "), "{}", shown(&bench));
}

#[test]
fn a_simulated_run_never_looks_real_whatever_the_caller_says() {
    let mut bench = Bench::with(Options::with_theme(FULL));
    let mut made_up = lane(1, "bench 2", false);
    bench.attach(vec![made_up.clone()]).start();
    assert!(!shown(&bench).contains("SIMULATED"));
    let mut run = super::scenario::run_state();
    run.head.origin = Origin::Simulator;
    made_up.run = Some(run);
    bench.attach(vec![made_up]);
    assert!(shown(&bench).contains("SIMULATED"), "{}", shown(&bench));
}

#[test]
fn a_run_that_was_there_before_the_screen_is_listed_as_going_on() {
    let mut bench = Bench::new(FULL);
    let mut busy = lane(1, "bench 2", false);
    busy.run = Some(super::scenario::run_state());
    bench.attach(vec![busy]).press(KeyCode::F(5));
    assert!(shown(&bench).contains("goes on, serial"), "{}", shown(&bench));
}

#[test]
fn the_profile_is_read_again_on_the_wire_page_and_during_a_run_only_with_a_reason() {
    let wishes = |bench: &Bench| -> Vec<Option<String>> {
        let wished = bench.effects.iter().filter_map(|effect| match effect {
            Effect::ReadProfile(wish) => Some(wish.reason.clone()),
            _ => None,
        });
        wished.collect()
    };
    let mut idle = Bench::new(FULL);
    idle.attach(vec![lane(1, "bench 2", false)]);
    idle.press(KeyCode::F(7));
    assert!(wishes(&idle).is_empty(), "only on the wire page");
    idle.press(KeyCode::F(3)).press(KeyCode::F(7));
    assert_eq!(wishes(&idle), [None]);

    let mut bench = running(FULL, 5.0);
    bench.press(KeyCode::F(3)).press(KeyCode::F(7)).press(KeyCode::F(7));
    assert!(wishes(&bench).is_empty(), "a run keeps its profile without a reason");
    bench.scan("JAR-7");
    assert!(wishes(&bench).is_empty(), "a label changes nothing");
    bench.hand(" misread");
    bench.press(KeyCode::F(7));
    assert_eq!(wishes(&bench).len(), 1);
    assert!(wishes(&bench)[0].as_ref().is_some_and(|reason| reason.contains("misread")));
    assert!(commands(&bench).iter().all(|command| matches!(command, Command::Note { .. })));
}

#[test]
fn after_the_last_planned_portion_the_next_sample_is_asked_for() {
    for (portion, asks) in [(2, "portion        3 of 3"), (3, "portion        1 of 3")] {
        let mut bench = Bench::new(FULL);
        let mut lane = lane(1, "bench 2", false);
        let mut run = super::scenario::run_state();
        run.head.plan.portion = portion;
        let why = "ended by the operator".to_owned();
        let at = stamp(900.0);
        run.end =
            Some(dropwise::work::RunEnd { run: 41, why, end_points: Vec::new(), warnings: Vec::new(), at });
        lane.run = Some(run);
        bench.attach(vec![lane]).wait(400).press(KeyCode::Char(' '));
        let text = shown(&bench);
        assert!(text.contains(asks), "{text}");
        assert_eq!(text.contains("▸ sample"), portion == 3, "{text}");
    }
}

#[test]
fn a_letter_on_the_line_of_the_mass_says_where_letters_lead() {
    let mut bench = moment("ended");
    bench.wait(400).press(KeyCode::Char(' ')).press(KeyCode::Char('x'));
    assert!(shown(&bench).contains("a mass is a number"), "{}", shown(&bench));
}

#[test]
fn a_control_key_does_for_a_key_that_the_terminal_takes_for_itself() {
    let mut bench = Bench::new(FULL);
    bench.attach(vec![lane(1, "bench 2", false)]).press(KeyCode::Char('p'));
    bench.take(Input::Key(KeyEvent::new(KeyCode::Char('y'), KeyModifiers::CONTROL))).wait(100);
    assert!(shown(&bench).contains("F12 again"), "{}", shown(&bench));
}
