//! The finder on a small set of generated runs; `cargo bench --bench coverage` judges it on thousands.
//!
//! The limits leave room for the luck of a small sample: a finder at its target (2 of 100 end-points missed, 95 % of
//! errors inside two stated uncertainties) fails one of them less than once in a thousand sets.

#[path = "../benches/coverage/judge.rs"]
#[expect(dead_code, reason = "the table of the benchmark reads more than this test does")]
mod judge;

use dropwise::chemistry::generate;
use rayon::iter::{IntoParallelIterator, ParallelIterator};

#[test]
fn the_finder_keeps_its_word_on_generated_runs() {
    let verdicts: Vec<judge::Verdict> =
        (10_000..10_060_u64).into_par_iter().map(|seed| judge::judge(&generate::run(seed), false)).collect();
    let required: usize = verdicts.iter().map(|v| v.required).sum();
    let hits: Vec<_> = verdicts.iter().flat_map(|v| &v.hits).filter(|h| h.required).collect();
    let in_two_u = hits.iter().filter(|h| h.u_ml.is_some_and(|u| h.error_ml.abs() <= 2.0 * u)).count();
    let wrong: usize = verdicts.iter().map(|v| v.wrong.len()).sum();
    let early = verdicts.iter().flat_map(|v| &v.live).filter(|l| l.early).count();
    let summary = format!(
        "{} runs, {} right; {required} end-points, {} found, {in_two_u} in 2u, {wrong} false; live: {early} early",
        verdicts.len(),
        verdicts.iter().filter(|v| v.is_right()).count(),
        hits.len(),
    );
    assert!(required > 50, "{summary}");
    assert!(hits.len() * 100 >= required * 92, "{summary}");
    assert!(in_two_u * 100 >= hits.len() * 86, "{summary}");
    assert!(wrong <= 3, "{summary}");
    assert_eq!(early, 0, "{summary}");
}
