//! The final evaluation: one curve of 100 points, told and told nothing, beside a fit of the same curve in a
//! general-purpose numerical library; and many curves on one core and on two.
//!
//!     cargo bench --bench evaluate -- [CURVES]
//!
//! The yardstick needs a Python with scipy: `python3`, or the one that YARDSTICK_PYTHON names.
#![expect(clippy::print_stdout, reason = "the figures are what this program is for")]

use dropwise::chemistry::generate;
use dropwise::detector::{Family, Given, evaluate};
use dropwise::reading::{Curve, Point};
use rayon::ThreadPoolBuilder;
use rayon::iter::{IntoParallelRefIterator, ParallelIterator};
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Instant;

/// Points of the curve.
const POINTS: u32 = 100;

/// The weak acid of a generated run at even volumes to 1.3 of its end, in hundredths of pH.
fn curve(seed: u64) -> Option<(Curve, Given)> {
    let run = (seed..seed + 1_000)
        .map(|s| generate::run_of("weak acid", s))
        .find(|r| r.titration.is_some() && r.curve.head.signal.is_some_and(|s| s.1.symbol() == "pH"))?;
    let titration = run.titration?;
    let last = 1.3 * titration.ends_ml().first()?;
    let points = (0..POINTS)
        .map(|i| {
            let titrant = (last * f64::from(i) / f64::from(POINTS - 1) * 1e3).round() * 1e-3;
            // A ripple of about one digit that is the same in every run.
            let ripple = 0.002 * (f64::from(i * 37 % 11) - 5.0);
            let signal = ((titration.signal(titrant) + ripple) * 100.0).round() / 100.0;
            Point { titrant, signal, temperature_c: None, t_s: None }
        })
        .collect();
    let given = Given {
        family: Some(Family::AcidBase),
        titrant_mol_l: Some(titration.vessel.titrant_mol_l),
        sample_volume_ml: Some(titration.vessel.sample_volume_ml),
        looked_for: Some(1),
        ..Given::default()
    };
    Some((Curve { head: run.curve.head, points }, given))
}

/// The fastest of many, in ms.
fn fastest(mut work: impl FnMut()) -> f64 {
    let once = |work: &mut dyn FnMut()| {
        let started = Instant::now();
        work();
        1e3 * started.elapsed().as_secs_f64()
    };
    (0..40).map(|_| once(&mut work)).fold(f64::INFINITY, f64::min)
}

/// One start of one right model with derivatives by differences, as a person would write it.
const YARDSTICK: &str = r"
import sys, time
import numpy as np, scipy
from scipy.optimize import least_squares
v, ph = np.array([[float(x) for x in line.split()] for line in sys.stdin]).T
end = v[np.argmax(np.diff(ph) / np.diff(v))]
def model(p):
    ve, pk, v0, c, shift = p
    h = 10.0 ** -(ph - shift)
    d = h - 1e-14 / h
    return v0 * (c * ve / v0 / (1 + h * 10.0 ** pk) - d) / (c + d)
def run():
    start = [end, ph[len(ph) // 3], 60.0, 0.1, 0.0]
    return least_squares(lambda p: np.concatenate([(model(p) - v), [(np.log(p[3]) - np.log(0.1)) / 3, p[4]]]),
                         start, loss='soft_l1', x_scale=[1, 1, 20, 0.1, 0.1], bounds=([0.1, 0, 5, 1e-3, -1], [50, 14, 500, 2, 1]))
run()
times = []
for _ in range(15):
    t = time.perf_counter(); r = run(); times.append(time.perf_counter() - t)
print('scipy %s: one fit of the right model alone %.2f ms, end-point %.4f' % (scipy.__version__, 1e3 * min(times), r.x[0]))
";

fn yardstick(curve: &Curve) -> Option<String> {
    let python = std::env::var("YARDSTICK_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let mut child = Command::new(python)
        .args(["-c", YARDSTICK])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    let lines: String = curve.points.iter().map(|p| format!("{} {}\n", p.titrant, p.signal)).collect();
    child.stdin.take()?.write_all(lines.as_bytes()).ok()?;
    let output = child.wait_with_output().ok()?;
    let text = String::from_utf8_lossy(&output.stdout).trim().to_owned();
    (output.status.success() && !text.is_empty()).then_some(text)
}

fn main() {
    let count: u64 = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(10_000);
    let Some((one, given)) = curve(1) else { return };
    for (word, given) in [("told the chemistry", &given), ("told nothing", &Given::default())] {
        let time = fastest(|| {
            std::hint::black_box(evaluate(&one, given));
        });
        let found = evaluate(&one, given).end_points.first().map_or(f64::NAN, |e| e.titrant);
        println!("{word}: {time:.2} ms for {POINTS} points, end-point {found:.4}");
    }
    println!(
        "{}",
        yardstick(&one).unwrap_or_else(|| "no yardstick: no Python with scipy was found".to_owned())
    );

    let curves: Vec<(Curve, Given)> = (1..=200).filter_map(|i| curve(10 * i)).collect();
    let work: Vec<usize> =
        (0..count).filter_map(|i| usize::try_from(i).ok()).map(|i| i % curves.len().max(1)).collect();
    let mut times = Vec::new();
    for threads in [1, 2] {
        let Ok(pool) = ThreadPoolBuilder::new().num_threads(threads).build() else { return };
        let started = Instant::now();
        let found: usize = pool.install(|| {
            work.par_iter().map(|i| evaluate(&curves[*i].0, &curves[*i].1).end_points.len()).sum()
        });
        let seconds = started.elapsed().as_secs_f64();
        println!("{count} curves on {threads} core(s): {seconds:.2} s, {found} end-points");
        times.push(seconds);
    }
    println!("two cores are {:.2} times one", times[0] / times[1]);
}
