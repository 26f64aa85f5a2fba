//! Judges the end-point finder on generated runs with known answers.
//!
//!     cargo bench --bench coverage -- [--runs 2000] [--seed 1] [--family NAME] [--told] [--misses]
//!
//! Prints, over all runs and by family, dosing and disturbance: what was found, how near, whether the stated
//! uncertainties are true, and how the live watch and its forecast did. `--told` gives the finder what a procedure
//! would know; `--misses` lists each run that went wrong, with the seed that gives it again.

mod judge;
mod table;

use dropwise::chemistry::generate;
use judge::Verdict;
use rayon::iter::{IntoParallelIterator, ParallelIterator};

struct Options {
    runs: u64,
    seed: u64,
    family: Option<&'static str>,
    told: bool,
    misses: bool,
}

#[expect(clippy::expect_used, reason = "a mistyped option ends the program with a word")]
fn options() -> Options {
    let mut options = Options { runs: 2_000, seed: 1, family: None, told: false, misses: false };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut value = || words.next().unwrap_or_else(|| panic!("{word} needs a value"));
        match word.as_str() {
            "--runs" => options.runs = value().parse().expect("--runs needs a whole number"),
            "--seed" => options.seed = value().parse().expect("--seed needs a whole number"),
            "--family" => {
                let wanted = value();
                let known = generate::FAMILIES.iter().find(|(name, _)| *name == wanted);
                options.family = Some(known.unwrap_or_else(|| panic!("no family {wanted}")).0);
            }
            "--told" => options.told = true,
            "--misses" => options.misses = true,
            // What `cargo bench` itself adds.
            "--bench" => {}
            other => panic!("unknown option {other}"),
        }
    }
    options
}

fn main() {
    let options = options();
    let verdicts: Vec<Verdict> = (options.seed..options.seed + options.runs)
        .into_par_iter()
        .map(|seed| {
            let run = options.family.map_or_else(|| generate::run(seed), |name| generate::run_of(name, seed));
            judge::judge(&run, options.told)
        })
        .collect();
    table::print(&verdicts);
    if options.misses {
        table::print_misses(&verdicts);
    }
}
