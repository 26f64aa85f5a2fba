//! What the live watch promises: causal, never a panic, honest reasons, disturbances sorted out by rule.

use dropwise::chemistry::generate;
use dropwise::detector::{Change, Given, Level, Prior, Shape, Watch, WatchState};
use dropwise::reading::{CurveHead, Point, Quantity, Titrant, Unit};
use proptest::prelude::{any, prop, prop_assert, prop_assert_eq, proptest};

const PH: CurveHead = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Ph, Unit::Ph)) };

fn point(titrant: f64, signal: f64) -> Point {
    Point { titrant, signal, temperature_c: None, t_s: None }
}

fn watch(head: CurveHead, given: &Given, points: &[Point]) -> Vec<Change> {
    let mut watch = Watch::new(head, given);
    points.iter().flat_map(|p| watch.push(*p)).collect()
}

/// A strong acid with strong base, 0.1 mol/L both, 50 mL, equivalence at 10 mL: pH from the charge balance.
fn strong_acid(volumes: &[f64]) -> Vec<Point> {
    volumes
        .iter()
        .map(|v| {
            // [H] - [OH] = d, [H][OH] = 1e-14
            let d = 0.1 * (10.0 - v) / (50.0 + v);
            let h = f64::midpoint(d, (d * d + 4e-14).sqrt());
            let h = if d < 0.0 { 1e-14 / f64::midpoint(-d, (d * d + 4e-14).sqrt()) } else { h };
            point(*v, (-h.log10() * 100.0).round() / 100.0)
        })
        .collect()
}

fn even(from: f64, step: f64, n: u32) -> Vec<f64> {
    (0..n).map(|i| from + step * f64::from(i)).collect()
}

fn found(changes: &[Change]) -> Vec<f64> {
    let withdrawn: Vec<_> =
        changes.iter().filter(|c| c.state == WatchState::Withdrawn).map(|c| c.find).collect();
    changes
        .iter()
        .filter(|c| c.state == WatchState::Found && !withdrawn.contains(&c.find))
        .filter_map(|c| c.end_point)
        .collect()
}

#[test]
fn the_words_for_the_first_points_do_not_depend_on_later_ones() {
    for seed in 1..=12 {
        let run = generate::run(seed);
        let points = &run.curve.points;
        let whole = watch(run.curve.head, &Given::default(), points);
        let cuts =
            whole.iter().flat_map(|c| [c.point, c.point - 1]).chain([points.len() / 3, points.len() / 2]);
        for n in cuts {
            let part = watch(run.curve.head, &Given::default(), &points[..n]);
            let expected: Vec<Change> = whole.iter().filter(|c| c.point <= n).cloned().collect();
            assert_eq!(part, expected, "seed {seed}, first {n} points");
        }
    }
}

#[test]
fn a_curve_cut_where_it_was_confirmed_still_gives_the_find() {
    let points = strong_acid(&even(0.0, 0.25, 60));
    let changes = watch(PH, &Given::default(), &points);
    let find = changes.iter().find(|c| c.state == WatchState::Found).unwrap();
    assert!((find.end_point.unwrap() - 10.0).abs() < 0.02, "{find:?}");
    assert!((10.25..=11.0).contains(&find.titrant), "{find:?}");
    let again = watch(PH, &Given::default(), &points[..find.point]);
    assert_eq!(again.last(), Some(find));
}

#[test]
fn the_states_come_in_their_order() {
    let changes = watch(PH, &Given::default(), &strong_acid(&even(0.0, 0.1, 140)));
    let words: Vec<&str> = changes.iter().map(|c| c.state.word()).collect();
    assert_eq!(words, ["closing", "turning", "found", "far"]);
    assert!(changes[0].titrant < 9.95, "warned too late: {:?}", changes[0]);
}

#[test]
fn repeats_disorder_and_numbers_that_are_none_change_nothing() {
    let plain = strong_acid(&even(0.0, 0.25, 60));
    let mut disturbed = plain.clone();
    disturbed.insert(50, plain[49]);
    disturbed.insert(30, point(f64::NAN, 4.0));
    disturbed.insert(20, point(3.0, f64::INFINITY));
    disturbed.insert(12, plain[5]);
    disturbed.insert(9, point(0.1, 1.9));
    let (a, b) =
        (found(&watch(PH, &Given::default(), &plain)), found(&watch(PH, &Given::default(), &disturbed)));
    assert_eq!(a.len(), 1);
    assert_eq!(b.len(), 1);
    assert!((a[0] - b[0]).abs() < 0.005, "{a:?} {b:?}");
}

#[test]
fn a_volume_mistyped_too_high_is_forgotten() {
    let mut points = strong_acid(&even(0.0, 0.25, 60));
    points.insert(20, point(48.0, points[19].signal));
    let found = found(&watch(PH, &Given::default(), &points));
    assert_eq!(found.len(), 1, "{found:?}");
    assert!((found[0] - 10.0).abs() < 0.02);
}

#[test]
fn a_refilled_burette_goes_on() {
    let points: Vec<Point> = strong_acid(&even(0.0, 0.25, 60))
        .into_iter()
        .map(|p| if p.titrant > 8.0 { point(p.titrant - 8.0, p.signal) } else { p })
        .collect();
    let found = found(&watch(PH, &Given::default(), &points));
    assert_eq!(found.len(), 1, "{found:?}");
    assert!((found[0] - 10.0).abs() < 0.02, "{found:?}");
}

#[test]
fn a_spike_is_no_end_point() {
    let mut points = strong_acid(&even(0.0, 0.25, 60));
    points[20].signal += 4.0;
    points[33].signal -= 1.5;
    let found = found(&watch(PH, &Given::default(), &points));
    assert_eq!(found.len(), 1, "{found:?}");
    assert!((found[0] - 10.0).abs() < 0.02);
}

#[test]
fn a_jump_that_comes_back_is_withdrawn() {
    let mut points = strong_acid(&even(0.0, 0.25, 44));
    points.extend(even(11.0, 0.25, 12).into_iter().map(|v| point(v, 2.0 + 0.01 * v)));
    let changes = watch(PH, &Given::default(), &points);
    let withdrawn = changes.iter().find(|c| c.state == WatchState::Withdrawn).expect("withdrawn");
    assert_eq!(withdrawn.find, Some(1));
    assert!(found(&changes).is_empty(), "{changes:?}");
}

#[test]
fn a_run_that_stops_before_its_end_point_finds_nothing_and_expects_it() {
    let mut watch = Watch::new(PH, &Given::default());
    let changes: Vec<Change> =
        strong_acid(&even(0.0, 0.25, 37)).into_iter().flat_map(|p| watch.push(p)).collect();
    assert!(found(&changes).is_empty());
    let outlook = watch.outlook();
    let (low, high) = outlook.interval.unwrap();
    assert!(low < 10.0 && high > 10.0, "{outlook:?}");
    assert!(outlook.next_addition.unwrap() <= 0.5, "{outlook:?}");
}

#[test]
fn a_level_and_a_bend_are_found() {
    let level = Given {
        shape: Some(Shape::Level),
        level: Some(Level { signal: 8.2, u_signal: 0.02, stay_s: 0.0 }),
        ..Given::default()
    };
    let at = found(&watch(PH, &level, &strong_acid(&even(0.0, 0.25, 60))));
    assert_eq!(at.len(), 1);
    assert!((at[0] - 10.0).abs() < 0.25, "{at:?}");
    let head = CurveHead {
        titrant: Titrant::Volume,
        signal: Some((Quantity::Conductance, Unit::MillisiemensPerCm)),
    };
    let branches: Vec<Point> = even(0.0, 0.2, 50)
        .into_iter()
        .map(|v| {
            let y = 4.0 - 0.35 * v + if v > 6.13 { 0.6 * (v - 6.13) } else { 0.0 };
            point(v, (y * 60.0 / (60.0 + v) * 1e3).round() / 1e3)
        })
        .collect();
    let at = found(&watch(head, &Given { sample_volume_ml: Some(60.0), ..Given::default() }, &branches));
    assert_eq!(at.len(), 1, "{at:?}");
    assert!((at[0] - 6.13).abs() < 0.03, "{at:?}");
}

#[test]
fn earlier_portions_and_the_titrant_at_hand_are_used() {
    let mut watch =
        Watch::new(PH, &Given::default()).with_prior(Prior { expected: 9.9, u: 0.1 }).with_supply(5.0);
    for p in strong_acid(&even(0.0, 0.5, 8)) {
        watch.push(p);
    }
    let outlook = watch.outlook();
    assert!((outlook.expected.unwrap() - 9.9).abs() < 0.3, "{outlook:?}");
    assert!(outlook.advice.iter().any(|a| a.contains("refill")), "{outlook:?}");
    for v in even(4.0, 0.5, 16) {
        watch.push(point(v, 2.0 + 0.02 * v));
    }
    assert!(watch.outlook().advice.iter().any(|a| a.contains("passed")), "{:?}", watch.outlook());
}

/// The number behind a word of a reason.
fn numbers(text: &str) -> Vec<f64> {
    text.split(|c: char| !(c.is_ascii_digit() || c == '.')).filter_map(|w| w.parse().ok()).collect()
}

/// Reasons can be recomputed from the points: steepnesses from the volumes that they name.
#[test]
fn reasons_can_be_recomputed_from_the_points() {
    let mut recomputed = 0;
    for seed in 1..=60 {
        let run = generate::run(seed);
        if run.disturbance.word() != "none" {
            continue;
        }
        let points = &run.curve.points;
        let steepness = |from: f64, to: f64| {
            let at = |v: f64| points.iter().rfind(|p| (p.titrant - v).abs() < 6e-5).map(|p| p.signal);
            Some(((at(to)? - at(from)?) / (to - from)).abs())
        };
        for change in watch(run.curve.head, &Given::default(), points) {
            let because = &change.because;
            let n = numbers(&because.what);
            let figure = if because.what.starts_with("steepness from") && n.len() == 4 {
                let (Some(a), Some(b)) = (steepness(n[0], n[1]), steepness(n[2], n[3])) else { continue };
                a / b
            } else if because.what.starts_with("titrant past the end-point of the fitted model") {
                (change.titrant - change.end_point.unwrap()) / change.u.unwrap()
            } else if because.what.starts_with("titrant to go") {
                n[0] - change.titrant
            } else {
                continue;
            };
            recomputed += 1;
            // A flat stretch counts as no flatter than its noise allows, so a ratio may be told smaller than it is.
            let agrees = (figure - because.figure).abs() <= 0.02 * because.figure.abs() + 2e-4;
            assert!(agrees || figure > because.figure, "seed {seed}: {change:?}: {figure}");
            if change.state == WatchState::Found {
                let past = because.what.starts_with("steepness") == (because.figure < because.limit);
                assert!(past, "seed {seed}: {change:?}");
            }
        }
    }
    assert!(recomputed > 60, "{recomputed} reasons recomputed");
}

/// Sum of squared residuals of the best polynomial of a degree through (x, y), by Gram-Schmidt on powers.
fn left_over(points: &[(f64, f64)], degree: i32) -> f64 {
    let n = points.len() as f64;
    let middle = points.iter().map(|p| p.0).sum::<f64>() / n;
    let mut rest: Vec<f64> = points.iter().map(|p| p.1).collect();
    let mut basis: Vec<Vec<f64>> = Vec::new();
    for power in 0..=degree {
        let mut column: Vec<f64> = points.iter().map(|p| (p.0 - middle).powi(power)).collect();
        for other in &basis {
            let along: f64 = column.iter().zip(other).map(|(a, b)| a * b).sum();
            column.iter_mut().zip(other).for_each(|(a, b)| *a -= along * b);
        }
        let length = column.iter().map(|a| a * a).sum::<f64>().sqrt();
        column.iter_mut().for_each(|a| *a /= length);
        let along: f64 = rest.iter().zip(&column).map(|(a, b)| a * b).sum();
        rest.iter_mut().zip(&column).for_each(|(a, b)| *a -= along * b);
        basis.push(column);
    }
    rest.iter().map(|r| r * r).sum()
}

/// The kind of a reason and the figure that the points give for it; `None` for other kinds.
fn recomputed(change: &Change, points: &[Point], v0: f64, level: f64) -> Option<(&'static str, f64)> {
    let what = change.because.what.as_str();
    let n = numbers(what);
    let until = &points[..change.point];
    let at = |v: f64| until.iter().rfind(|p| (p.titrant - v).abs() < 6e-5).map(|p| p.signal);
    let now = until.last()?;
    let steepness = |from: f64, to: f64| Some(((at(to)? - at(from)?) / (to - from)).abs());
    if what.starts_with("squared residuals of one parabola") {
        let part = |low: f64, high: f64| -> Vec<(f64, f64)> {
            let inside = until.iter().filter(|p| p.titrant > low - 6e-5 && p.titrant < high + 6e-5);
            inside.map(|p| (p.titrant, p.signal * (v0 + p.titrant) / v0)).collect()
        };
        let lines = left_over(&part(n[0], n[2]), 1) + left_over(&part(n[2] + 2e-4, n[1]), 1);
        Some(("bend", left_over(&part(n[0], n[1]), 2) / lines))
    } else if what.starts_with("points beyond the level since") {
        Some(("level", until.iter().filter(|p| p.titrant > n[0] - 6e-5).count() as f64))
    } else if what.starts_with("signal back before the level") {
        Some(("level lost", (at(n[0])? - level).abs()))
    } else if what.starts_with("signal gone back from the extreme") {
        Some(("peak", (at(n[0])? - now.signal).abs()))
    } else if what.starts_with("part of the way since") {
        let start = at(n[0])?;
        let furthest = until.iter().filter(|p| p.titrant >= n[0]).map(|p| p.signal);
        let furthest = furthest.max_by(|a, b| (a - start).abs().total_cmp(&(b - start).abs()))?;
        Some(("came back", (furthest - now.signal) / (furthest - start)))
    } else if what.contains("as multiple of that of the find") {
        Some(("outdone", steepness(n[0], n[1])? / steepness(n[2], n[3])?))
    } else if what.starts_with("points since the find") {
        Some(("stays", until.iter().filter(|p| p.titrant > n[0] + 6e-5).count() as f64))
    } else {
        None
    }
}

/// Bends, levels, peaks and finds that are taken back say why in figures that the points give again.
#[test]
fn reasons_of_every_other_shape_can_be_recomputed_too() {
    let (v0, level) = (50.0, 6.0);
    let even = even(0.0, 0.2, 90);
    let ripple = |i: usize| 0.002 * ((i * 7 % 5) as f64 - 2.0);
    let curve = |f: &dyn Fn(f64) -> f64| -> Vec<Point> {
        even.iter().enumerate().map(|(i, v)| point(*v, f(*v) + ripple(i))).collect()
    };
    let bend = curve(&|v| (if v < 8.1 { 1.0 - 0.1 * v } else { 0.19 + 0.06 * (v - 8.1) }) * v0 / (v0 + v));
    let crossing = curve(&|v| if v > 9.0 && v < 14.0 { 8.0 } else { 3.0 + 0.2 * v.min(10.0) });
    let valley = curve(&|v| 0.05 * (v - 7.3).powi(2));
    let mut jump = strong_acid(&even[..58]);
    jump.extend(even[58..].iter().map(|v| point(*v, 2.0 + 0.01 * v)));
    // A small jump before a much larger one, without a flat stretch between.
    let outdone = curve(&|v| 2.0 / (1.0 + (8.0 * (6.0 - v)).exp()) + 0.02 * v);
    let head = |quantity, unit| CurveHead { titrant: Titrant::Volume, signal: Some((quantity, unit)) };
    let given = |shape| Given {
        shape: Some(shape),
        sample_volume_ml: Some(v0),
        level: Some(Level { signal: level, u_signal: 0.0, stay_s: 0.0 }),
        ..Given::default()
    };
    let cases = [
        (head(Quantity::Absorbance, Unit::Absorbance), given(Shape::Bend), bend),
        (PH, given(Shape::Level), crossing),
        (head(Quantity::Current, Unit::Microampere), given(Shape::Peak), valley),
        (PH, given(Shape::Jump), jump),
        (PH, given(Shape::Jump), outdone),
    ];
    let mut kinds = std::collections::BTreeSet::new();
    for (head, given, points) in cases {
        for change in watch(head, &given, &points) {
            let Some((kind, figure)) = recomputed(&change, &points, v0, level) else { continue };
            let told = &change.because;
            assert!(
                (figure - told.figure).abs() <= 1e-6 + 1e-3 * figure.abs(),
                "{kind}: {figure} {change:?}"
            );
            let crossed = told.figure >= told.limit * (1.0 - 1e-9);
            assert!(crossed || change.state == WatchState::Turning, "{kind}: {change:?}");
            assert!(told.points > 0 && told.points <= change.point, "{kind}: {change:?}");
            kinds.insert(kind);
        }
    }
    for kind in ["bend", "level", "level lost", "peak", "came back", "stays"] {
        assert!(kinds.contains(kind), "no {kind} in {kinds:?}");
    }
}

proptest! {
    #[test]
    fn no_numbers_make_it_panic(
        numbers in prop::collection::vec((any::<f64>(), any::<f64>(), prop::option::of(any::<f64>())), 0..80),
        shape in 0_usize..4,
        quantity in 0_usize..4,
    ) {
        let shape = [Shape::Jump, Shape::Bend, Shape::Level, Shape::Peak][shape];
        let signal = [
            (Quantity::Ph, Unit::Ph),
            (Quantity::Emf, Unit::Volt),
            (Quantity::Absorbance, Unit::Absorbance),
            (Quantity::Current, Unit::Microampere),
        ][quantity];
        let head = CurveHead { titrant: Titrant::Mass, signal: Some(signal) };
        let level = Some(Level { signal: 1.0, u_signal: 0.0, stay_s: 1.0 });
        let mut watch = Watch::new(head, &Given { shape: Some(shape), level, ..Given::default() });
        for (titrant, signal, t_s) in numbers {
            watch.push(Point { titrant, signal, temperature_c: None, t_s });
            let outlook = watch.outlook();
            prop_assert!(outlook.next_addition.is_none_or(|a| a > 0.0));
        }
    }

    #[test]
    fn small_numbers_in_any_order_are_told_causally(
        points in prop::collection::vec((0_u16..400, -300_i16..300), 1..120),
        cut in 0.0..1.0_f64,
    ) {
        let points: Vec<Point> =
            points.into_iter().map(|(v, x)| point(f64::from(v) * 0.05, f64::from(x))).collect();
        let head = CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Emf, Unit::Millivolt)) };
        let whole = watch(head, &Given::default(), &points);
        let n = (0..=points.len()).rfind(|n| *n as f64 <= cut * points.len() as f64).unwrap_or(0);
        let part = watch(head, &Given::default(), &points[..n]);
        let expected: Vec<Change> = whole.into_iter().filter(|c| c.point <= n).collect();
        prop_assert_eq!(part, expected);
    }
}
