//! The verdicts of many runs as tables.
#![expect(clippy::print_stdout, reason = "the tables are what this program is for")]

use crate::judge::{FORECAST_AT, Verdict};
use std::collections::BTreeMap;

fn median(mut values: Vec<f64>) -> f64 {
    quantile(&mut values, 0.5)
}

fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index of a short list")]
    let index = ((values.len() as f64 - 1.0) * share).round().max(0.0) as usize;
    values.get(index).copied().unwrap_or(f64::NAN)
}

fn percent(part: usize, whole: usize) -> String {
    if whole == 0 { "-".to_owned() } else { format!("{:.1}", 100.0 * part as f64 / whole as f64) }
}

const HEAD: &str = "group                        runs right% ends found% tol% false  med uL med/lim   in1u   in2u  >5u u/lim | \
live% tol%  med  p90 early false withdr";

fn row(name: &str, group: &[&Verdict]) {
    let hits: Vec<_> = group.iter().flat_map(|v| &v.hits).filter(|h| h.required).collect();
    let with_u: Vec<(f64, f64, f64)> = hits
        .iter()
        .filter_map(|h| Some((h.error_ml.abs(), h.u_ml.filter(|u| *u > 0.0)?, h.limit_ml)))
        .collect();
    let inside = |k: f64| with_u.iter().filter(|(error, u, _)| *error <= k * u).count();
    let required: usize = group.iter().map(|v| v.required).sum();
    let live: Vec<_> = group.iter().flat_map(|v| &v.live).collect();
    let mut delays: Vec<f64> = live.iter().map(|l| l.delay_points as f64).collect();
    let live_missed: usize = group.iter().map(|v| v.live_missed).sum();
    println!(
        "{name:28} {:4} {:>6} {:4} {:>6} {:>4} {:5} {:7.2} {:7.2} {:>6} {:>6} {:4} {:5.2} | {:>5} {:>4} {:4.0} {:4.0} {:5} {:5} {:6}",
        group.len(),
        percent(group.iter().filter(|v| v.is_right()).count(), group.len()),
        required,
        percent(hits.len(), required),
        percent(hits.iter().filter(|h| h.in_tolerance).count(), hits.len()),
        group.iter().map(|v| v.wrong.len()).sum::<usize>(),
        1e3 * median(hits.iter().map(|h| h.error_ml.abs()).collect()),
        median(hits.iter().map(|h| h.error_ml.abs() / h.limit_ml / 0.6745).collect()),
        percent(inside(1.0), with_u.len()),
        percent(inside(2.0), with_u.len()),
        with_u.len() - inside(5.0),
        median(with_u.iter().map(|(_, u, limit)| u / limit).collect()),
        percent(required - live_missed.min(required), required),
        percent(live.iter().filter(|l| l.in_tolerance).count(), live.len()),
        median(delays.clone()),
        quantile(&mut delays, 0.9),
        live.iter().filter(|l| l.early).count(),
        group.iter().map(|v| v.live_false).sum::<usize>(),
        group.iter().map(|v| v.withdrawn).sum::<usize>(),
    );
}

fn by(verdicts: &[Verdict], title: &str, key: impl Fn(&Verdict) -> &'static str) {
    let mut groups: BTreeMap<&str, Vec<&Verdict>> = BTreeMap::new();
    for verdict in verdicts {
        groups.entry(key(verdict)).or_default().push(verdict);
    }
    println!("\nby {title}");
    for (name, group) in groups {
        row(name, &group);
    }
}

/// Prints all tables.
pub(crate) fn print(verdicts: &[Verdict]) {
    println!("limit = Cramer-Rao bound joined with 0.001 mL; med/lim is 1 for an efficient finder\n\n{HEAD}");
    row("all", &verdicts.iter().collect::<Vec<_>>());
    by(verdicts, "family", |v| v.family);
    by(verdicts, "dosing", |v| v.dosing);
    by(verdicts, "disturbance", |v| v.disturbance);
    forecasts(verdicts);
    let times: Vec<f64> = verdicts.iter().map(|v| 1e3 * v.evaluation_time.as_secs_f64()).collect();
    let points: Vec<f64> = verdicts.iter().map(|v| 1e6 * v.time_per_point.as_secs_f64()).collect();
    println!(
        "\nevaluation: median {:.2} ms, 95 % below {:.1} ms, slowest {:.0} ms; watch: median {:.2} us a point",
        median(times.clone()),
        quantile(&mut times.clone(), 0.95),
        quantile(&mut times.clone(), 1.0),
        median(points),
    );
}

fn forecasts(verdicts: &[Verdict]) {
    println!(
        "\nforecast of the first end-point (90 % intervals)\nat     asked  given%  inside%  earlier%  later%  half-width%  median error%"
    );
    for (slot, share) in FORECAST_AT.iter().enumerate() {
        let asked = verdicts.iter().filter(|v| v.forecast_asked[slot]).count();
        let given: Vec<_> = verdicts.iter().filter_map(|v| v.forecasts[slot]).collect();
        println!(
            "{share:4.2} {asked:7} {:>7} {:>8} {:>9} {:>7} {:12.2} {:14.2}",
            percent(given.len(), asked),
            percent(given.iter().filter(|f| !f.below && !f.above).count(), given.len()),
            percent(given.iter().filter(|f| f.below).count(), given.len()),
            percent(given.iter().filter(|f| f.above).count(), given.len()),
            100.0 * median(given.iter().map(|f| f.half_width).collect()),
            100.0 * median(given.iter().map(|f| f.error).collect()),
        );
    }
}

/// Prints each run that went wrong and each error beyond three stated uncertainties.
pub(crate) fn print_misses(verdicts: &[Verdict]) {
    println!("\nruns that went wrong");
    for v in verdicts {
        let head = format!("{:6} {} | {} | {} | {}", v.seed, v.family, v.chemistry, v.dosing, v.disturbance);
        for answer in &v.missed {
            println!("{head}: missed {:.4} mL, prominence {:.1}", answer.volume_ml, answer.prominence);
        }
        for wrong in &v.wrong {
            println!(
                "{head}: false {:.4} mL, u {:.2} uL [{}]",
                wrong.volume_ml,
                1e3 * wrong.u_ml.unwrap_or(f64::NAN),
                wrong.method,
            );
        }
        for hit in v.hits.iter().filter(|h| h.required) {
            let in_u = hit.u_ml.map_or(f64::INFINITY, |u| hit.error_ml.abs() / u);
            if !hit.in_tolerance || in_u > 3.0 {
                println!(
                    "{head}: off by {:+.2} uL, limit {:.2}, u {:.2} ({in_u:.1} u){} [{}]",
                    1e3 * hit.error_ml,
                    1e3 * hit.limit_ml,
                    1e3 * hit.u_ml.unwrap_or(f64::NAN),
                    if hit.in_tolerance { "" } else { ", out of tolerance" },
                    hit.method,
                );
            }
        }
    }
}
