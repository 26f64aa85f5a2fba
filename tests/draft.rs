//! The drafter against random instruments of the project's own: fixed seeds, so that a change shows.
//!
//! The bench `draft` takes as many other seeds as wanted and prints figures by kind.

#![expect(
    unreachable_pub,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::unwrap_used,
    clippy::explicit_auto_deref,
    dead_code,
    reason = "a generator of invented instruments: its numbers are small, and it is shared between test and bench"
)]

#[path = "draft/mod.rs"]
mod instruments;

use dropwise::profile::draft::{DraftAnswer, Heard, HeardChunk, draft};
use dropwise::reading::{Quantity, Unit};
use instruments::score::{Answer, Damage, Truth};
use instruments::{grammar, judge, onwire, score};

const FIRST_SEED: u64 = 900_000;
const LAYOUTS: u64 = 60;

fn mean(list: &[f64]) -> f64 {
    list.iter().sum::<f64>() / list.len() as f64
}

#[test]
fn random_instruments_are_read_by_their_drafts() {
    let (mut clean, mut damaged, mut live, mut right) = (Vec::new(), Vec::new(), 0, 0);
    let (mut sound, mut wrong) = (0, 0);
    for seed in FIRST_SEED..FIRST_SEED + LAYOUTS {
        let layout = onwire::layout(seed);
        for hurt in [false, true] {
            let judged = judge::judge(&layout, hurt, &[]);
            let unsound = judged.notes.iter().find(|n| n.starts_with("UNSOUND"));
            assert!(unsound.is_none(), "seed {seed}: {unsound:?}\n{}", judged.draft.profile_text);
            assert!(judged.draft.questions.len() <= 3, "seed {seed} asks too much");
            live += judged.live;
            right += judged.live_right;
            let c = judged.counts;
            sound += c.sound;
            wrong += c.strays();
            if layout.names_its_columns() {
                if hurt { damaged.push(c.figure()) } else { clean.push(c.figure()) }
            }
        }
    }
    assert!(clean.len() > 25, "the seeds hold too few instruments that name their columns");
    assert!(mean(&clean) >= 93.0, "clean {:.1}", mean(&clean));
    assert!(mean(&damaged) >= 88.0, "damaged {:.1}", mean(&damaged));
    assert!(right * 100 >= live * 95, "live columns right: {right} of {live}");
    assert!(wrong * 100 <= sound * 3, "wrong quantity, wrong unit or false: {wrong} of {sound}");
}

#[test]
fn an_answer_changes_the_profile() {
    let layout = (FIRST_SEED..FIRST_SEED + 400)
        .map(onwire::layout)
        .find(|l| l.text == grammar::TextKind::Alone && l.columns.contains(&Quantity::Current))
        .expect("some instrument sends a current without a word");
    let heard = judge::heard(&layout.clean, layout.baud);
    let before = draft(&heard, &[]);
    let question = before.questions.first().expect("there is something to ask");
    assert!(
        question.choices.iter().any(|c| c.starts_with("current") || c.starts_with("mass")),
        "{question:?}"
    );
    let after = draft(&heard, &[DraftAnswer { number: 1, text: "current uA".to_owned() }]);
    assert!(after.not_understood.is_empty(), "{:?}", after.not_understood);
    assert!(
        after.columns.iter().any(|c| c.live && c.quantity == Some(Quantity::Current)),
        "{}",
        after.profile_text
    );
    let nonsense = draft(&heard, &[DraftAnswer { number: 1, text: "colour".to_owned() }]);
    assert_eq!(nonsense.not_understood.len(), 1);
    let unknown = draft(&heard, &[DraftAnswer { number: 9, text: "mass".to_owned() }]);
    assert_eq!(unknown.not_understood.len(), 1);
}

#[test]
fn the_same_capture_gives_the_same_profile() {
    let layout = onwire::layout(FIRST_SEED);
    let heard = judge::heard(&layout.damaged, layout.baud);
    assert_eq!(draft(&heard, &[]).profile_text, draft(&heard, &[]).profile_text);
}

#[test]
fn nothing_heard_is_a_profile_that_reads_nothing() {
    let proposed = draft(&Heard::default(), &[]);
    assert!(proposed.columns.is_empty());
    assert!(judge::read(&proposed.profile_text, &Heard::default()).is_ok(), "{}", proposed.profile_text);
}

/// A capture of these lines, one a second.
fn heard_lines(lines: impl IntoIterator<Item = String>) -> Heard {
    let chunks = lines.into_iter().enumerate().map(|(second, line)| HeardChunk {
        at_s: second as f64,
        sent: false,
        bytes: format!("{line}\r\n").into_bytes(),
    });
    Heard { chunks: chunks.collect(), timed: true, ..Heard::default() }
}

#[test]
fn an_exponent_may_lack_its_letter() {
    let heard =
        heard_lines((0..30).map(|i| format!("{}.{:04}-01 V", 2 - i / 20, (9_000 + 173 * i) % 10_000)));
    let proposed = draft(&heard, &[]);
    assert!(proposed.profile_text.contains("{emf:V:/-n.0000+00/} V"), "{}", proposed.profile_text);
    let readings = judge::read(&proposed.profile_text, &heard).expect("the profile is sound");
    assert_eq!(readings.len(), 30);
    assert_eq!(readings[0].value, Some(0.29));
}

#[test]
fn a_slope_is_left_out_and_a_result_that_comes_once_is_told() {
    let row = |i: usize| {
        format!("{:7.3} {:9.1} {:8.1}", 0.25 * i as f64, 240.0 - 7.3 * i as f64, 20.0 + (i * 7 % 5) as f64)
    };
    let heading = ["Sample: water".to_owned(), "  V/ml      U/mV    dU/dV".to_owned()];
    let pages =
        (0..4).flat_map(|page| heading.clone().into_iter().chain((12 * page..12 * page + 12).map(row)));
    let proposed = draft(&heard_lines(pages.chain(["EP1  6.013 ml  -2.1 mV".to_owned()])), &[]);
    let text = &proposed.profile_text;
    assert!(text.contains("the heading dU/dV is that of a slope") && proposed.questions.is_empty(), "{text}");
    assert!(text.contains("marks = \"page-heading\""), "{text}");
    assert!(text.contains("#   1 x EP1  6.013 ml  -2.1 mV"), "{text}");
}

#[test]
fn rules_dates_and_settings_between_readings_are_ignored_without_a_question() {
    let print = |i: usize| {
        let ph = 3.0 + 0.07 * i as f64;
        let minute = i % 60;
        [
            "--------------------".to_owned(),
            format!("04/05/26 09:{minute:02}:00"),
            format!("pH      {ph:6.2}"),
            format!("E    {:8.1} mV", 58.2 * (7.0 - ph)),
            "*** SLOPE 98.2 % CHECK ***".to_owned(),
            "OK".to_owned(),
        ]
    };
    let heard = heard_lines((0..40).flat_map(print));
    let proposed = draft(&heard, &[]);
    let text = &proposed.profile_text;
    assert!(proposed.questions.is_empty(), "{:?}", proposed.questions);
    assert!(!text.contains("fit nothing above"), "{text}");
    assert_eq!(judge::read(text, &heard).expect("the profile is sound").len(), 80, "{text}");
}

fn truth(quantity: Quantity, value: f64, unit: Unit, damage: Option<Damage>) -> Truth {
    Truth {
        quantity,
        value: Some(value),
        unit: Some(unit),
        valid: true,
        damage,
        looks: None,
        late: false,
        grown: None,
        pulses: None,
    }
}

fn said(quantity: Quantity, value: f64, unit: Unit) -> Answer {
    Answer { quantity, value: Some(value), unit, valid: true }
}

/// By hand: 4 sound readings, 2 found, one wrong unit, one under a wrong quantity; one lie out of a damaged frame.
#[test]
fn the_figure_counts_as_by_hand() {
    let meant = [
        truth(Quantity::Ph, 7.01, Unit::Ph, None),
        truth(Quantity::Emf, 12.5, Unit::Millivolt, None),
        truth(Quantity::Emf, 13.5, Unit::Millivolt, None),
        truth(Quantity::Mass, 1.2345, Unit::Gram, None),
        truth(Quantity::Ph, 7.22, Unit::Ph, Some(Damage::Shows)),
    ];
    let answers = [
        said(Quantity::Ph, 7.01, Unit::Ph),
        said(Quantity::Emf, 0.0125, Unit::Volt),
        said(Quantity::Emf, 13.5, Unit::Volt),
        said(Quantity::Volume, 1.2345, Unit::Millilitre),
        said(Quantity::Ph, 722.0, Unit::Ph),
    ];
    let (n, notes) = score::score(&meant, &answers, &[]);
    assert_eq!((n.sound, n.found, n.wrong_unit, n.wrong_quantity, n.lies), (4, 2, 1, 1, 1), "{notes:?}");
    assert!(n.figure().abs() < 1e-9, "2 found less 3 wrong is not below nought");
    let (all, _) = score::score(&meant[..2], &answers[..2], &[]);
    assert!((all.figure() - 100.0).abs() < 1e-9);
}

#[test]
fn each_column_of_a_line_may_have_its_own_decimal_sign() {
    let line = |i: usize| format!("T 22,{} C  pH {}.{:03}", i / 4 % 10, 4 + i / 20, 37 * i % 1000);
    let heard = heard_lines((0..40).map(line));
    let proposed = draft(&heard, &[]);
    let text = &proposed.profile_text;
    let readings = judge::read(text, &heard).expect("the profile is sound");
    assert_eq!(readings.len(), 80, "{text}");
    assert_eq!((readings[78].quantity, readings[78].value), (Quantity::Temperature, Some(22.9)), "{text}");
    assert_eq!((readings[79].quantity, readings[79].value), (Quantity::Ph, Some(5.443)), "{text}");
}

/// The readings of `quantity` that the draft of these lines makes.
fn values(lines: impl IntoIterator<Item = String>, quantity: Quantity) -> (Vec<f64>, String) {
    let heard = heard_lines(lines);
    let proposed = draft(&heard, &[]);
    let readings = judge::read(&proposed.profile_text, &heard).unwrap();
    let values = readings.iter().filter(|r| r.quantity == quantity).filter_map(|r| r.value).collect();
    (values, proposed.profile_text)
}

#[test]
fn a_line_may_name_what_the_next_one_holds() {
    let pairs = |i: usize| {
        ["pH".to_owned(), format!("{:.3}", 3.0 + 0.05 * i as f64), "TEMP".to_owned(), format!("24.{}", i % 7)]
    };
    let lines: Vec<String> = (0..40).flat_map(pairs).collect();
    let (ph, text) = values(lines.clone(), Quantity::Ph);
    assert_eq!((ph.len(), ph[0], ph[39]), (40, 3.0, 4.95), "{text}");
    let (temperature, text) = values(lines, Quantity::Temperature);
    assert_eq!((temperature.len(), temperature[39]), (40, 24.4), "{text}");
}

#[test]
fn the_number_of_a_channel_before_a_colon_is_no_clock() {
    let lines = (0..90).map(|i| match i % 3 {
        0 => format!("CH1:{:.3} pH", 3.0 + 0.02 * f64::from(i)),
        1 => format!("CH2:24.{} C", i % 7),
        _ => format!("CH3:{:.2} mL", 0.15 * f64::from(i)),
    });
    let (volume, text) = values(lines, Quantity::Volume);
    assert_eq!((volume.len(), volume[29]), (30, 13.35), "{text}");
}

#[test]
fn noughts_at_the_end_may_be_left_out() {
    let lines = (0..60).map(|i| format!("{{\"ph\": {}, \"n\": {i}}}", 3.0 + f64::from(i * 37 % 100) / 100.0));
    let (ph, text) = values(lines, Quantity::Ph);
    assert_eq!(ph.len(), 60, "{text}");
}

#[test]
fn a_number_may_fill_its_place() {
    let lines = (0..60).map(|i| format!("{:3} s  {:.1} mV", i * 5, 200.0 - 3.7 * f64::from(i)));
    let (time, text) = values(lines, Quantity::Time);
    assert_eq!((time.len(), time[59]), (60, 295.0), "{text}");
}

#[test]
fn a_unit_may_touch_the_next_number_and_controls_may_part_numbers() {
    let glued = (0..40).map(|i| format!("{:.3}pH24.{}°C", 3.0 + 0.05 * f64::from(i), i % 7));
    let (temperature, text) = values(glued, Quantity::Temperature);
    assert_eq!((temperature.len(), temperature[1]), (40, 24.1), "{text}");
    let parted =
        (0..40).map(|i| format!("{:.3}\u{1d}{:.1}", 3.0 + 0.05 * f64::from(i), 200.0 - 4.0 * f64::from(i)));
    let (ph, text) = values(parted, Quantity::Ph);
    assert_eq!((ph.len(), ph[39]), (40, 4.95), "{text}");
}

#[test]
fn brackets_that_stand_for_a_minus_are_not_read() {
    let lines = (0..60).map(|i| {
        let emf_mv = 200.0 - 8.0 * f64::from(i);
        let shown = if emf_mv < 0.0 { format!("({:.1})", -emf_mv) } else { format!("{emf_mv:.1}") };
        format!("{:.3} ml, {shown} mV", 0.25 * f64::from(i))
    });
    let (emf, text) = values(lines, Quantity::Emf);
    assert_eq!(emf.len(), 26, "{text}");
}
