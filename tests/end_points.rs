//! The final evaluation against published titrations, and how end-points move when the curve is changed.

#![expect(
    clippy::unwrap_used,
    reason = "a fixture that cannot be read, or a missing end-point, fails the test"
)]

use dropwise::chemistry::generate;
use dropwise::detector::{Evaluation, Given, Level, Shape, evaluate};
use dropwise::reading::{Curve, CurveHead, Point, Quantity, Titrant, Unit};
use proptest::prelude::*;
use serde::Deserialize;

#[derive(Deserialize)]
struct Published {
    titration: Vec<Set>,
}

#[derive(Deserialize)]
struct Set {
    name: String,
    source: String,
    titrant: Titrant,
    quantity: Quantity,
    unit: Unit,
    equivalence: Vec<f64>,
    tolerance: f64,
    amounts: Vec<f64>,
    signals: Vec<f64>,
}

impl Set {
    fn curve(&self) -> Curve {
        let head = CurveHead { titrant: self.titrant, signal: Some((self.quantity, self.unit)) };
        curve(head, &self.amounts, &self.signals)
    }
}

fn published() -> Vec<Set> {
    let text = std::fs::read_to_string("fixtures/reference/titrations.toml").unwrap();
    toml::from_str::<Published>(&text).unwrap().titration
}

fn set(name: &str) -> Set {
    published().into_iter().find(|s| s.name == name).unwrap()
}

fn curve(head: CurveHead, amounts: &[f64], signals: &[f64]) -> Curve {
    let points = amounts
        .iter()
        .zip(signals)
        .map(|(titrant, signal)| Point { titrant: *titrant, signal: *signal, temperature_c: None, t_s: None })
        .collect();
    Curve { head, points }
}

fn ends(evaluation: &Evaluation) -> Vec<f64> {
    evaluation.end_points.iter().map(|e| e.titrant).collect()
}

#[test]
fn published_titrations_give_their_published_end_points() {
    for set in published() {
        let found = ends(&evaluate(&set.curve(), &Given::default()));
        assert_eq!(found.len(), set.equivalence.len(), "{}: {found:?}", set.name);
        for (found, published) in found.iter().zip(&set.equivalence) {
            let off = (found - published).abs();
            assert!(off <= set.tolerance, "{}: {found} against {published} ({})", set.name, set.source);
        }
    }
}

/// The constants of the published sea-water titration: first constant of carbonic acid 1.00e-6, so pKa 6.000.
#[test]
fn a_published_constant_is_recovered() {
    let evaluation = evaluate(&set("sea_water_alkalinity").curve(), &Given::default());
    let nearest = evaluation
        .fitted
        .iter()
        .filter(|f| f.name.starts_with("pKa"))
        .map(|f| (f.value - 6.0).abs())
        .fold(f64::INFINITY, f64::min);
    assert!(nearest < 0.01, "{:?}", evaluation.fitted);
}

/// Lines out of order as printed on a course page of the chloride table: the end-point stays.
#[test]
fn disorder_and_repeats_do_not_move_the_end_point() {
    let set = set("chloride_silver_nitrate");
    let plain = ends(&evaluate(&set.curve(), &Given::default()));
    let mut disturbed = set.curve();
    disturbed.points.swap(4, 9);
    disturbed.points.push(disturbed.points[12]);
    let found = evaluate(&disturbed, &Given::default());
    assert_eq!(ends(&found), plain);
    assert!(found.warnings.iter().any(|w| w.contains("sorted")), "{:?}", found.warnings);
    assert!(found.warnings.iter().any(|w| w.contains("repeated")), "{:?}", found.warnings);
}

/// A strong acid with a strong base in exact chemistry, closed form of the charge balance, with a fixed pattern of noise.
fn strong_acid(end_ml: f64, volumes: &[f64]) -> Curve {
    let (v0, c) = (50.0, 0.1);
    let ph: Vec<f64> = volumes
        .iter()
        .enumerate()
        .map(|(i, v)| {
            let excess = c * (v - end_ml) / (v0 + v);
            let hydrogen = f64::midpoint(-excess, (excess * excess + 4e-14_f64).sqrt());
            // Cancellation behind the end-point: there hydroxide is the sure one.
            let hydrogen = if excess > 1e-6 { 1e-14 / excess } else { hydrogen };
            -hydrogen.log10() + 0.002 * (1.7 * i as f64).sin()
        })
        .collect();
    let head = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) };
    curve(head, volumes, &ph)
}

fn even(step: f64, count: u32) -> Vec<f64> {
    (0..count).map(|i| step * f64::from(i)).collect()
}

#[test]
fn the_chord_of_a_refilled_burette_is_joined() {
    let volumes = even(0.25, 60);
    let whole = strong_acid(8.13, &volumes);
    let mut refilled = whole.clone();
    for point in &mut refilled.points[20..] {
        point.titrant -= 4.75;
    }
    let found = evaluate(&refilled, &Given::default());
    let expected = evaluate(&whole, &Given::default());
    assert!((ends(&found)[0] - ends(&expected)[0]).abs() < 1e-6);
    assert!(found.warnings.iter().any(|w| w.contains("refilled")), "{:?}", found.warnings);
}

#[test]
fn a_run_without_an_end_point_gives_none() {
    let early = strong_acid(30.0, &even(0.25, 60));
    assert!(evaluate(&early, &Given { looked_for: Some(1), ..Given::default() }).end_points.is_empty());
    let head = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Emf, Unit::Millivolt)) };
    let volumes = even(0.1, 80);
    let flat: Vec<f64> = (0..80).map(|i| 200.0 + 0.4 * (2.1 * f64::from(i)).sin()).collect();
    assert!(evaluate(&curve(head, &volumes, &flat), &Given::default()).end_points.is_empty());
}

#[test]
fn a_missing_end_point_is_reported_as_missing() {
    let given = Given { looked_for: Some(2), windows: vec![(7.0, 9.0), (11.0, 12.0)], ..Given::default() };
    let found = evaluate(&strong_acid(8.13, &even(0.25, 60)), &given);
    assert_eq!(found.end_points.len(), 1);
    assert!(found.warnings.iter().any(|w| w.contains("2 end-points looked for, 1 found")));
    assert!(found.warnings.iter().any(|w| w.contains("no end-point between 11 and 12 mL")));
}

/// With unequal numbers of atoms (chromate takes two silver ions, iodine gives two iodides) the steepest place lies far
/// from the equivalence point: many times what the data could tell apart. The finder gives the equivalence point.
#[test]
fn the_equivalence_point_is_given_where_the_steepest_place_is_another() {
    let mut told_apart = 0;
    for (family, seed) in
        ["chromate", "iodine with thiosulfate"].into_iter().flat_map(|f| (1..=15).map(move |s| (f, s)))
    {
        let run = generate::run_of(family, seed);
        let by_motor = ["fixed", "shrinking"].contains(&run.dosing.word());
        let (Some(titration), Some(answer)) = (&run.titration, run.answers.first()) else { continue };
        if !(by_motor && answer.required && run.disturbance.word() == "none") {
            continue;
        }
        let end = answer.volume_ml;
        let slope = |v: f64| (titration.signal(v + 2e-5) - titration.signal(v - 2e-5)).abs();
        let places = (-2_000..=2_000).map(|i| end * (1.0 + 2e-5 * f64::from(i)));
        let steepest = places.max_by(|a, b| slope(*a).total_cmp(&slope(*b))).unwrap();
        let gap = (steepest - end).abs();
        if gap < 10.0 * answer.bound_ml {
            continue;
        }
        let found = evaluate(&run.curve, &Given::default()).end_points;
        let error = found.first().map(|e| (e.titrant - end).abs());
        assert!(error.is_some_and(|e| e < 0.25 * gap), "{family} {seed}: {error:?} of a gap of {gap}");
        told_apart += 1;
    }
    assert!(told_apart >= 5, "{told_apart}");
}

#[test]
fn a_level_is_crossed_where_straight_interpolation_says() {
    let head = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) };
    let curve = curve(head, &[0.0, 1.0, 2.0, 3.0, 4.0], &[4.0, 5.0, 7.0, 9.0, 9.5]);
    let level = Level { signal: 8.2, u_signal: 0.02, stay_s: 0.0 };
    let given = Given { shape: Some(Shape::Level), level: Some(level), ..Given::default() };
    let found = evaluate(&curve, &given);
    assert!((found.end_points[0].titrant - 2.6).abs() < 1e-12, "{found:?}");
    // A level that is left again is not reached.
    let mut back = curve;
    back.points[4].signal = 6.0;
    assert!(evaluate(&back, &given).end_points.is_empty());
}

#[test]
fn a_peak_is_found_at_its_top() {
    let head = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Absorbance, Unit::Absorbance)) };
    let volumes = even(0.2, 60);
    let signal: Vec<f64> = volumes.iter().map(|v| 0.1 + 0.8 * (-((v - 6.33) / 1.5).powi(2)).exp()).collect();
    let given = Given { shape: Some(Shape::Peak), ..Given::default() };
    let found = evaluate(&curve(head, &volumes, &signal), &given);
    assert!((found.end_points[0].titrant - 6.33).abs() < 0.02, "{:?}", found.end_points);
}

/// Absorbance that falls to nothing: the same bend in transmittance.
#[test]
fn transmittance_gives_the_bend_of_the_absorbance() {
    let volumes = even(0.25, 60);
    let absorbance: Vec<f64> = volumes
        .iter()
        .enumerate()
        .map(|(i, v)| {
            let left = (7.3 - v).max(0.0);
            0.05 + 0.1 * 50.0 / (50.0 + v) * left + 0.0005 * (1.7 * i as f64).sin()
        })
        .collect();
    let transmittance: Vec<f64> = absorbance.iter().map(|a| 100.0 * 10_f64.powf(-a)).collect();
    let head = |quantity, unit| CurveHead { titrant: Titrant::Volume, signal: Some((quantity, unit)) };
    let a = curve(head(Quantity::Absorbance, Unit::Absorbance), &volumes, &absorbance);
    let t = curve(head(Quantity::Transmittance, Unit::Percent), &volumes, &transmittance);
    for (name, curve) in [("A", a), ("T", t)] {
        let found = ends(&evaluate(&curve, &Given::default()));
        assert_eq!(found.len(), 1, "{name}");
        assert!((found[0] - 7.3).abs() < 0.05, "{name}: {found:?}");
    }
}

fn same(a: &[f64], b: &[f64], tolerance: f64) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() <= tolerance)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(12) })]

    /// Another origin of the potential moves nothing.
    #[test]
    fn a_shift_of_the_potential_moves_no_end_point(shift_mv in -400.0..400.0_f64) {
        let set = set("chloride_silver_nitrate");
        let plain = ends(&evaluate(&set.curve(), &Given::default()));
        let mut moved = set.curve();
        for point in &mut moved.points {
            point.signal += shift_mv * 1e-3;
        }
        prop_assert!(same(&ends(&evaluate(&moved, &Given::default())), &plain, 2e-3));
    }

    /// A bench that counts the other way round, or in another unit, sees the same end-point.
    #[test]
    fn sign_and_unit_of_the_potential_move_no_end_point(millivolts: bool, reversed: bool) {
        let set = set("chloride_silver_nitrate");
        let plain = ends(&evaluate(&set.curve(), &Given::default()));
        let mut moved = set.curve();
        if millivolts {
            moved.head.signal = Some((Quantity::Emf, Unit::Millivolt));
        }
        for point in &mut moved.points {
            point.signal *= if millivolts { 1e3 } else { 1.0 } * if reversed { -1.0 } else { 1.0 };
        }
        prop_assert!(same(&ends(&evaluate(&moved, &Given::default())), &plain, 1e-3));
    }

    /// All volumes times a factor, the sample's too: the end-point times that factor.
    #[test]
    fn volumes_scale_the_end_point(factor in 0.2..5.0_f64) {
        // Off every decimal grid, so that no rounding of the volumes is seen before or after.
        let volumes: Vec<f64> = even(0.25, 60).iter().map(|v| v + 0.003 * (9.0 * v).sin()).collect();
        let plain = strong_acid(8.13, &volumes);
        let given = Given { sample_volume_ml: Some(50.0), ..Given::default() };
        let found = evaluate(&plain, &given);
        let (end, u) = (ends(&found), found.end_points[0].u.unwrap());
        let mut scaled = plain;
        for point in &mut scaled.points {
            point.titrant *= factor;
        }
        let given = Given { sample_volume_ml: Some(50.0 * factor), ..Given::default() };
        let scaled = ends(&evaluate(&scaled, &given));
        prop_assert_eq!(end.len(), 1);
        prop_assert!(same(&scaled, &[end[0] * factor], 0.1 * u * factor), "{:?} {:?}", scaled, end);
    }

    /// More titrant far behind the end-point hardly moves it.
    #[test]
    fn a_far_plateau_moves_no_end_point(end_ml in 5.0..9.0_f64, more in 0_u32..40) {
        let volumes = even(0.25, 60);
        let longer = even(0.25, 60 + more);
        let a = evaluate(&strong_acid(end_ml, &volumes), &Given::default());
        let b = evaluate(&strong_acid(end_ml, &longer), &Given::default());
        let u = a.end_points[0].u.unwrap();
        prop_assert!(same(&ends(&b), &ends(&a), 3.0 * u));
        prop_assert!((ends(&a)[0] - end_ml).abs() < 5.0 * u);
    }

    /// No input makes the evaluation panic, hang or answer with something that is no number.
    #[test]
    fn any_numbers_are_survived(
        points in prop::collection::vec((any::<f64>(), any::<f64>(), prop::option::of(any::<f64>())), 0..60),
        which in 0_usize..7,
        shape in 0_usize..5,
    ) {
        hostile(points, which, shape)?;
    }

    /// The same with numbers of everyday size, on a coarse grid: many ties.
    #[test]
    fn any_coarse_numbers_are_survived(
        points in prop::collection::vec((0_i32..40, -30_i32..30, prop::option::of(0_i32..50)), 0..60),
        which in 0_usize..7,
        shape in 0_usize..5,
    ) {
        let points = points
            .into_iter()
            .map(|(v, x, t)| (f64::from(v) * 0.5, f64::from(x), t.map(f64::from)))
            .collect();
        hostile(points, which, shape)?;
    }
}

fn hostile(
    points: Vec<(f64, f64, Option<f64>)>,
    which: usize,
    shape: usize,
) -> Result<(), proptest::test_runner::TestCaseError> {
    let signals = [
        None,
        Some((Quantity::Ph, Unit::Ph)),
        Some((Quantity::Emf, Unit::Millivolt)),
        Some((Quantity::Absorbance, Unit::Absorbance)),
        Some((Quantity::Conductance, Unit::MillisiemensPerCm)),
        Some((Quantity::Current, Unit::Microampere)),
        Some((Quantity::Transmittance, Unit::Percent)),
    ];
    let shapes = [None, Some(Shape::Jump), Some(Shape::Bend), Some(Shape::Level), Some(Shape::Peak)];
    let points = points
        .into_iter()
        .map(|(titrant, signal, t_s)| Point { titrant, signal, temperature_c: None, t_s })
        .collect();
    let curve = Curve { head: CurveHead { titrant: Titrant::Volume, signal: signals[which] }, points };
    let level = Level { signal: 1.0, u_signal: 0.1, stay_s: 1.0 };
    let given = Given { shape: shapes[shape], level: Some(level), ..Given::default() };
    let found = evaluate(&curve, &given);
    for end in &found.end_points {
        prop_assert!(end.titrant.is_finite(), "{:?}", end);
        prop_assert!(end.u.is_none_or(|u| u.is_finite() && u >= 0.0), "{:?}", end);
    }
    Ok(())
}
