//! Cost of the live watch for a point, on long runs that have and have not reached their end-point.
//!
//!     cargo bench --bench watch
//!
//! A point must cost less than 5 us, and the same at point 100, 10 000 and 100 000. The point of a find, at which the
//! final evaluation is asked, is measured apart.

use divan::Bencher;
use dropwise::detector::{Given, Watch};
use dropwise::reading::{CurveHead, Point, Quantity, Titrant, Unit};

fn main() {
    divan::main();
}

const HEAD: CurveHead =
    CurveHead { titrant: Titrant::Volume, signal: Some((Quantity::Emf, Unit::Millivolt)) };

/// A buffered stretch with noise of a tenth of a millivolt that looks like noise.
fn point(i: u32, of: u32) -> Point {
    let part = f64::from(i + 1) / f64::from(of) * 0.6;
    let ripple = f64::from(i.wrapping_mul(2_654_435_761) >> 20) / 4096.0 - 0.5;
    Point {
        titrant: 20.0 * part,
        signal: 100.0 + 25.69 * (part / (1.0 - part)).ln() + 0.2 * ripple,
        temperature_c: None,
        t_s: Some(f64::from(i)),
    }
}

/// The next point after so many.
#[divan::bench(args = [100, 10_000, 100_000])]
fn push(bencher: Bencher, points: u32) {
    let mut watch = Watch::new(HEAD, &Given::default());
    for i in 0..points {
        divan::black_box(watch.push(point(i, points + 2)));
    }
    let next = point(points, points + 2);
    bencher.with_inputs(|| watch.clone()).bench_local_refs(|watch| watch.push(next));
}

/// The whole run, for the mean over its points.
#[divan::bench(args = [100, 10_000, 100_000])]
fn run(bencher: Bencher, points: u32) {
    bencher.counter(divan::counter::ItemsCount::new(points)).bench_local(|| {
        let mut watch = Watch::new(HEAD, &Given::default());
        for i in 0..points {
            divan::black_box(watch.push(point(i, points + 2)));
        }
        watch
    });
}
