//! Stretches of a curve in which a bend is looked for: pooled, and cut to what surrounds it.

use super::condition::{Dosing, Points};
use super::response::Series;
use crate::reading::{CurveHead, Quantity};

/// Points above which readings are pooled.
pub(super) const MOST_POINTS: usize = 300;

/// Seconds of the run that lead in to a cut stretch, so that a lag is no matter of where it was cut.
const LEAD_IN_S: f64 = 30.0;
/// Standard deviation of a point that only leads in, over that of others.
const UNCOUNTED: f64 = 1e3;

/// The stretch with both outer wings cut to 65 per cent; `None` if too few points remain.
pub(super) fn shortened(series: &Series, ends: &[(f64, f64)]) -> Option<Series> {
    let n = series.titrant.len();
    let (first, last) = (ends.first()?.0, ends.last()?.0);
    let counted: Vec<usize> = (0..n).filter(|i| series.share[*i] < UNCOUNTED).collect();
    let begin = series.titrant[*counted.first()?];
    let low = first - 0.65 * (first - begin);
    let high = last + 0.65 * (series.titrant[n - 1] - last);
    let from = counted.iter().copied().find(|i| series.titrant[*i] >= low)?;
    let lead_in = match &series.time_s {
        Some(t) => (0..from).find(|i| t[*i] > t[from] - LEAD_IN_S).unwrap_or(from),
        None => from,
    };
    let keep: Vec<usize> = (lead_in..n).filter(|i| series.titrant[*i] <= high).collect();
    let pick = |v: &[f64]| keep.iter().map(|i| v[*i]).collect::<Vec<f64>>();
    let mut share = pick(&series.share);
    share[..from - lead_in].fill(UNCOUNTED);
    let before = keep.iter().filter(|i| **i >= from && series.titrant[**i] < first).count();
    (keep.len() + lead_in >= from + 12 && before >= 4 && keep.len() < n).then(|| Series {
        titrant: pick(&series.titrant),
        signal: pick(&series.signal),
        share,
        time_s: series.time_s.as_deref().map(pick),
        ..*series
    })
}

/// Points as a series; transmittance becomes absorbance.
pub(super) fn series(points: &Points, head: &CurveHead) -> Series {
    let transmittance = head.signal.filter(|s| s.0 == Quantity::Transmittance);
    let signal: Vec<f64> = match transmittance {
        // Absorbance = 2 - lg(T/%); no light at all is held at five absorbance units.
        Some((_, unit)) => {
            points.signal.iter().map(|x| 2.0 - unit.to_canonical(*x).max(1e-3).log10()).collect()
        }
        None => points.signal.clone(),
    };
    let u_signal =
        if transmittance.is_some() { super::noise::scale(&points.titrant, &signal) } else { points.u_signal };
    Series {
        titrant: points.titrant.clone(),
        signal,
        share: vec![1.0; points.len()],
        time_s: points.time_s.clone().filter(|_| points.dosing == Dosing::Continuous),
        u_signal,
        u_titrant: points.u_titrant,
    }
}

/// How many readings go into each pooled point: many readings are pooled, but not next to `joints` nor at the start, where
/// a lag shows.
fn groups(titrant: &[f64], joints: &[f64]) -> Vec<usize> {
    let n = titrant.len();
    let size = n.div_ceil(MOST_POINTS).max(1);
    let near = 0.06 * (titrant[n - 1] - titrant[0]);
    let whole = |i: usize| i < 20 || joints.iter().any(|j| (titrant[i] - j).abs() < near);
    let mut all = Vec::new();
    let mut i = 0;
    while i < n {
        let mut end = i + 1;
        while end < n && end - i < size && !whole(i) && !whole(end) {
            end += 1;
        }
        all.push(end - i);
        i = end;
    }
    all
}

fn pool(values: &[f64], groups: &[usize]) -> Vec<f64> {
    let mut rest = values;
    groups
        .iter()
        .map(|size| {
            let (group, others) = rest.split_at((*size).min(rest.len()));
            rest = others;
            group.iter().sum::<f64>() / group.len().max(1) as f64
        })
        .collect()
}

/// A series with its readings pooled.
pub(super) fn pooled(whole: &Series, joints: &[f64]) -> Series {
    let groups = groups(&whole.titrant, joints);
    Series {
        titrant: pool(&whole.titrant, &groups),
        signal: pool(&whole.signal, &groups),
        share: groups.iter().map(|n| (*n as f64).sqrt().recip()).collect(),
        time_s: whole.time_s.as_deref().map(|t| pool(t, &groups)),
        ..*whole
    }
}
