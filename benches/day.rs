//! How often the true value lies inside the stated interval: seeded days on the simulated bench, from the standardisation
//! to the results, through decoder, pairing, detector and results as the recorder uses them.
//!
//! `cargo bench --bench day -- DAYS [FIRST_SEED] [worst]`; every day gives three intervals: samples A and B, and the
//! control. `as-shipped` keeps the placeholders of the shipped procedures. `worst` also prints each end-point that lies more than three of its uncertainties from the true one.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a study that cannot go on stops here, and prints"
)]

use dropwise::detector::EndPoint;
use dropwise::profile::{Decoder, Profile};
use dropwise::reading::{Point, Quantity, Stamp, median_temperature_c};
use dropwise::source::simulate::{Beaker, Day, Simulated};
use dropwise::work::result::{
    Assembled, Input, PortionFacts, SeriesPortion, evaluate_portion, match_finds, mean_sources, means,
};
use dropwise::work::{
    BlankValue, Expectation, Factor, Kept, Origin, Pairing, Procedure, Role, Run, Stock, VolumeFrom,
    read_equipment,
};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};

const EQUIPMENT: &str = r#"
burette = [{ name = "b", value = "20 mL", within = "0.03 mL", distribution = "triangular", repeatability = "0.002 mL", in_proportion = true }]
balance = [{ name = "w", value = "220 g", within = "0.15 mg", repeatability = "0.1 mg" }]
standard = [{ name = "p", what = "potassium hydrogen phthalate", value = "0.9998", within = "0.0005" }]
thermometer = [{ name = "th", value = "25 degC", within = "0.3 K" }]
titrant = [{ name = "t", what = "sodium hydroxide", value = "0.1 mol/L" }]
"#;

static WORST: AtomicBool = AtomicBool::new(false);

struct Bench {
    profile: Arc<Profile>,
    standard: Procedure,
    sample: Procedure,
}

/// One portion from the beaker to its end-points.
fn titrate(
    bench: &Bench,
    procedure: &Procedure,
    day: &Day,
    seed: u64,
    beaker: &Beaker,
    nth: u64,
) -> (Vec<EndPoint>, Option<f64>) {
    let mut decoder = Decoder::new(Arc::clone(&bench.profile));
    let pairing = Pairing::new(VolumeFrom::Line, Quantity::Ph, None, Stamp::default());
    let mut run = Run::new(pairing, procedure.given(), Expectation::default());
    let mut decoded = Vec::new();
    for (t_s, bytes) in Simulated::new(day.scenario(beaker, nth), seed.wrapping_mul(97).wrapping_add(nth)) {
        let at = std::time::Duration::from_secs_f64(t_s);
        let elapsed_ns = u64::try_from(at.as_nanos()).unwrap();
        let utc_us = i64::try_from(at.as_micros()).unwrap();
        decoder.feed(Stamp { elapsed_ns, utc_us }, &bytes, &mut decoded);
        for frame in decoded.drain(..) {
            run.take(&frame.readings);
        }
    }
    run.finish();
    let evaluation = run.evaluate();
    if WORST.load(Relaxed) {
        let scenario = day.scenario(beaker, nth);
        for end in &evaluation.end_points {
            // What the burette showed when it had delivered the equivalent amount.
            let mut shown_ml = scenario.expected_ml;
            for _ in 0..5 {
                shown_ml += scenario.expected_ml - scenario.burette.delivered_ml(shown_ml);
            }
            let u = end.u.unwrap_or(f64::NAN);
            if ((end.titrant - shown_ml) / u).abs() > 3.0 {
                println!(
                    "seed {seed} portion {nth} {beaker:?}: {:.4} for {shown_ml:.4} mL, {:+.1} u of {u:.4}, {}; {:?}; misfits {:?}",
                    end.titrant,
                    (end.titrant - shown_ml) / u,
                    end.method,
                    evaluation.warnings,
                    evaluation
                        .tried
                        .iter()
                        .take(4)
                        .map(|t| (t.model.as_str(), t.weight, t.misfit, t.end_points.clone()))
                        .collect::<Vec<_>>(),
                );
            }
        }
    }
    let points: Vec<Point> = run.points().collect();
    (evaluation.end_points, median_temperature_c(&points))
}

fn kept<T>(it: T) -> Kept<T> {
    Kept { datum: 0, utc_us: 0, who: String::new(), it }
}

struct Interval {
    error_over_u: f64,
    inside: bool,
    relative_expanded: f64,
}

fn one_day(bench: &Bench, seed: u64) -> Vec<Option<Interval>> {
    let day = Day::drawn(seed);
    let equipment = read_equipment("e", EQUIPMENT).unwrap().into_iter().map(kept).collect();
    let mut stock = Stock { equipment, ..Stock::default() };
    let mut nth = 0;
    let mut portion = |procedure: &Procedure,
                       beaker: Beaker,
                       mass: Option<&str>,
                       stock: &Stock|
     -> (Vec<Input>, Vec<EndPoint>, SeriesPortion) {
        nth += 1;
        let (end_points, temperature_c) = titrate(bench, procedure, &day, seed, &beaker, nth);
        let values: BTreeMap<String, String> =
            mass.map(|m| ("m".to_owned(), m.to_owned())).into_iter().collect();
        let facts = PortionFacts {
            run: i64::try_from(nth).unwrap(),
            series: "s".to_owned(),
            values,
            end_points: end_points.clone(),
            temperature_c,
            utc_us: 1,
            ..PortionFacts::default()
        };
        let result = evaluate_portion(procedure, Assembled::of(procedure, &facts, stock));
        let one = SeriesPortion {
            run: i64::try_from(nth).unwrap(),
            portion: u32::try_from(nth).unwrap(),
            role: Role::Sample,
            set_aside: None,
            going_on: false,
            result: result.clone(),
        };
        (result.inputs, end_points, one)
    };
    let standards: Vec<SeriesPortion> = ["0.3712", "0.3655", "0.3790"]
        .iter()
        .map(|m| portion(&bench.standard, Beaker::Phthalate(m.parse().unwrap()), Some(m), &stock).2)
        .collect();
    let inputs: Vec<&[Input]> = standards.iter().map(|p| p.result.inputs.as_slice()).collect();
    let Some(mean) = means(&bench.standard, &inputs).ok().and_then(|m| m.into_iter().next()) else {
        return vec![None, None, None];
    };
    let sources = mean_sources(&bench.standard, &standards).unwrap().into_iter().next().unwrap();
    stock.factors.push(kept(Factor {
        lot: "t".to_owned(),
        value: mean.mean.value,
        u: mean.mean.u,
        unit: mean.mean.unit.clone(),
        factor: None,
        series: "f".to_owned(),
        procedure: String::new(),
        origin: Origin::Simulator,
        n: 3,
        s: mean.s,
        sources,
    }));
    for _ in 0..2 {
        let (_, end_points, _) = portion(&bench.sample, Beaker::Blank, None, &stock);
        let finds: Vec<_> = bench.sample.instrumental().collect();
        if let Some(Some(found)) = match_finds(&finds, &end_points).first() {
            stock.blanks.push(kept(BlankValue {
                procedure: bench.sample.id.clone(),
                find: "V".to_owned(),
                series: "s".to_owned(),
                run: 0,
                value: found.titrant,
                u: found.u,
                set_aside: false,
            }));
        }
    }
    (0..3)
        .map(|which| {
            let all: Vec<Vec<Input>> = ["1.6021", "1.5873", "1.6110"]
                .iter()
                .map(|m| {
                    portion(&bench.sample, Beaker::Vinegar(which, m.parse().unwrap()), Some(m), &stock).0
                })
                .collect();
            let inputs: Vec<&[Input]> = all.iter().map(Vec::as_slice).collect();
            let mean = means(&bench.sample, &inputs).ok()?.into_iter().next()?.mean;
            let error = mean.value - day.content_g_100g[which];
            Some(Interval {
                error_over_u: error / mean.u,
                inside: error.abs() <= mean.expanded,
                relative_expanded: mean.expanded / mean.value,
            })
        })
        .collect()
}

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    WORST.store(std::env::args().any(|a| a == "worst"), Relaxed);
    let days = numbers.first().copied().unwrap_or(4);
    let first = numbers.get(1).copied().unwrap_or(1);
    // `as-shipped`: with the placeholders of the shipped procedures. Otherwise the lab states what is true of it: its
    // repeatability from validation, and volumes brought to 20 degrees Celsius by its thermometer.
    let as_shipped = std::env::args().any(|a| a == "as-shipped");
    let read = |id: &str| {
        let mut text = Procedure::shipped(id).unwrap().to_owned();
        if !as_shipped {
            for (placeholder, own) in [("\"0.1 %\"", "\"0.04 %\""), ("\"0.05 %\"", "\"0.03 %\"")] {
                let (from, to) = (format!("repeatability = {placeholder}"), format!("repeatability = {own}"));
                text = text.replace(&from, &to);
            }
            text = text.replace("temperature_within = \"3 K\"", "volume_to_20_degc = true");
            assert!(!text.contains("repeatability = \"0.1 %\"") && text.contains("volume_to_20_degc"));
        }
        Procedure::read(id, &text).unwrap()
    };
    let bench = Bench {
        profile: Arc::new(Profile::shipped("demo-bench").unwrap()),
        standard: read("naoh-by-phthalate"),
        sample: read("vinegar-acidity"),
    };
    let all: Vec<Option<Interval>> =
        (first..first + days).into_par_iter().flat_map_iter(|seed| one_day(&bench, seed)).collect();
    let given: Vec<&Interval> = all.iter().flatten().collect();
    let inside = given.iter().filter(|i| i.inside).count();
    let mut z: Vec<f64> = given.iter().map(|i| i.error_over_u).collect();
    z.sort_by(f64::total_cmp);
    let mean_square = z.iter().map(|x| x * x).sum::<f64>() / z.len().max(1) as f64;
    let expanded = given.iter().map(|i| i.relative_expanded).sum::<f64>() / given.len().max(1) as f64;
    println!(
        "{days} days from seed {first}: {} intervals, {} without a result; true value inside {:.1} %; error/u root mean square {:.2}, median {:.2}; U {:.3} % on average",
        given.len(),
        all.len() - given.len(),
        100.0 * inside as f64 / given.len().max(1) as f64,
        mean_square.sqrt(),
        z.get(z.len() / 2).copied().unwrap_or(f64::NAN),
        100.0 * expanded,
    );
}
