//! Where the next end-point is expected, from the line before it and from earlier portions.
//!
//! Before an end-point the titrant lies on `V = Ve - sum b_i c_i`, with columns c_i = f(V) exp(-n z), z the signal over the
//! Nernst unit and f = V or V0 + V (see `arms`): n = 1 or 2 electrons or charges, and mixtures of these for samples that are
//! partly dissociated or hold two things. No point says which of them holds: each column and each pair is fitted, with the
//! slope of the electrode free within what is usual, and all are averaged by how well they fit (K. P. Burnham,
//! D. R. Anderson, Model Selection and Multimodel Inference, 2nd ed. (2002), 4.2). All fits share one set of sums.

use super::arms::{Arm, Scales, cholesky, substitute};
use serde::{Deserialize, Serialize};

/// What earlier portions of the series let expect.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Prior {
    /// Expected titrant at the first end-point (mL or g), scaled to this portion's amount.
    pub expected: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

/// An expected end-point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Forecast {
    /// Titrant at the end-point.
    pub(super) expected: f64,
    /// How far below and above that it lies no further, nine times of ten.
    pub(super) below: f64,
    pub(super) above: f64,
    /// Points that it rests on.
    pub(super) points: usize,
}

/// Some neighbouring points by their mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Group {
    /// Mean titrant.
    pub(super) titrant: f64,
    /// Mean signal.
    pub(super) signal: f64,
    /// How many they are.
    pub(super) n: f64,
}

/// A 90 % interval is so many standard deviations wide on each side.
const NINE_OF_TEN: f64 = 1.645;
/// ln of the slope of electrodes over the theoretical one, with its standard deviation (common practice, no source).
const LN_SLOPE: (f64, f64) = (-0.025, 0.025);
/// A further column costs so much of ln weight.
const COLUMN: f64 = 1.0;
/// What no line knows hangs together from point to point: intervals are so many times as wide as independent errors make
/// them (from generated runs).
const TOGETHER: f64 = 1.8;
/// Something may still follow that the points do not show, a site or a second ion: up to this part of the way to go,
const MORE_TO_COME: f64 = 0.3;
/// or the line may bend the other way.
const LESS_TO_COME: f64 = 0.12;
/// No line is true to less than this part of the whole.
const AT_LEAST: f64 = 0.006;
/// An end-point less certain than this part of itself is not told.
const VAGUE: f64 = 0.6;
/// Least number of points.
const POINTS: usize = 5;
/// Points further back than this, in exp(-z), would rule the line.
const FURTHEST: f64 = 1e6;

/// Forms of the line: electrons or charges.
const CHARGES: [f64; 4] = [1.0, 1.0, 2.0, 2.0];
/// Where the forms, their derivatives by the slope, and the titrant stand among the sums.
const FORM: usize = 1;
const SLOPE: usize = 5;
const TITRANT: usize = 9;
const SUMS: usize = 10;

/// The forecast from the points before the end-point.
pub(super) fn from_line(points: &[Group], scales: &Scales) -> Option<Forecast> {
    let newest = *points.last()?;
    let now = newest.titrant;
    let mut rows: Vec<Row> = Vec::with_capacity(points.len());
    rows.extend(points.iter().filter_map(|group| Row::of(group, newest.signal, scales)));
    if rows.len() < POINTS {
        return None;
    }
    let sums = sums(&rows, scales)?;
    let mut lines: [Option<Line>; 10] = [None; 10];
    let mut next = 0;
    for i in 0..4 {
        for j in i..4 {
            lines[next] = if i == j { sums.line([i]) } else { sums.line([i, j]) };
            next += 1;
        }
    }
    let lines = lines.iter().flatten();
    let misfit = lines.clone().map(|l| l.chi2 / l.free).fold(f64::INFINITY, f64::min).max(1.0);
    let least = lines.clone().map(|l| l.chi2).fold(f64::INFINITY, f64::min);
    // With its weight, the end-point and the variance of each line; few points know their own scatter badly.
    let weighed = lines.filter_map(|l| {
        let u = (l.variance * misfit).sqrt() * (1.0 + 1.5 / l.free);
        let weight = (-0.5 * (l.chi2 - least) / misfit - COLUMN * l.columns).exp();
        (l.end > now - 3.0 * u).then_some((weight, l.end, u * u))
    });
    let (mut total, mut sum) = (0.0, 0.0);
    for (weight, end, _) in weighed.clone() {
        total += weight;
        sum += weight * end;
    }
    let expected = sum / total;
    let (mut below, mut above) = (0.0, 0.0);
    for (weight, end, variance) in weighed {
        below += weight * (variance + (end - expected).min(0.0).powi(2)) / total;
        above += weight * (variance + (end - expected).max(0.0).powi(2)) / total;
    }
    let (below, above) = (NINE_OF_TEN * below.sqrt(), NINE_OF_TEN * above.sqrt());
    // No weight at all gives no number here.
    if !(expected > now && below.max(above) <= VAGUE * NINE_OF_TEN * expected) {
        return None;
    }
    let side = |own: f64, to_come: f64| {
        (TOGETHER * own).hypot(to_come * (expected - now)).hypot(AT_LEAST * expected)
    };
    let (below, above) = (side(below, LESS_TO_COME), side(above, MORE_TO_COME));
    Some(Forecast { expected, below, above, points: points.len() })
}

/// One group of points in the coordinates of the lines.
struct Row {
    titrant: f64,
    /// z from the newest point, and exp(-z).
    z: f64,
    decay: f64,
    forms: [f64; 4],
    /// Noise of the signal in z.
    noise: f64,
}

impl Row {
    fn of(group: &Group, newest: f64, scales: &Scales) -> Option<Self> {
        let z = scales.direction * (group.signal - newest) / scales.nernst;
        let decay = (-z).exp();
        let (shared, diluted) = (group.titrant, Arm::Diluted(scales.before).factor(group.titrant));
        let forms = [shared * decay, diluted * decay, shared * decay * decay, diluted * decay * decay];
        let noise = scales.noise / scales.nernst / group.n.sqrt();
        (decay < FURTHEST).then_some(Self { titrant: group.titrant, z, decay, forms, noise })
    }

    /// Weight where the titrant falls by `slope` for each z.
    fn weight(&self, slope: f64, scales: &Scales) -> f64 {
        (scales.titrant.powi(2) + (slope * self.noise).powi(2)).max(1e-18).recip()
    }
}

/// Weighted sums of products: of 1, the forms, the forms by the slope of the electrode, the titrant.
struct Sums {
    of: [[f64; SUMS]; SUMS],
    rows: f64,
}

/// The sums, with weights by the best of the single lines.
fn sums(rows: &[Row], scales: &Scales) -> Option<Sums> {
    let mut best: Option<(f64, usize, f64)> = None;
    let mut weights = vec![0.0; rows.len()];
    for (form, charge) in CHARGES.into_iter().enumerate() {
        let mut size: Option<f64> = None;
        let mut chi2 = f64::INFINITY;
        for _ in 0..2 {
            let (mut w, mut x, mut y) = (0.0, 0.0, 0.0);
            for (row, weight) in rows.iter().zip(&mut weights) {
                let slope = size.map_or_else(
                    // Without a size yet, as if all forms were of equal size.
                    || 1e-3 * if charge > 1.5 { row.decay * row.decay } else { row.decay } / row.noise,
                    |s: f64| s * charge * row.forms[form],
                );
                *weight = row.weight(slope, scales);
                w += *weight;
                x += *weight * row.forms[form];
                y += *weight * row.titrant;
            }
            let (x, y) = (x / w, y / w);
            let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
            for (row, weight) in rows.iter().zip(&weights) {
                let (dx, dy) = (row.forms[form] - x, row.titrant - y);
                xx += weight * dx * dx;
                xy += weight * dx * dy;
                yy += weight * dy * dy;
            }
            size = Some(-xy / xx);
            chi2 = yy - xy * xy / xx;
        }
        let size = size.filter(|s| s.is_finite() && *s > 0.0);
        if let Some(size) = size
            && best.is_none_or(|b| chi2 < b.0)
        {
            best = Some((chi2, form, size));
        }
    }
    let (_, form, size) = best?;
    let mut sums = Sums { of: [[0.0; SUMS]; SUMS], rows: rows.len() as f64 };
    for row in rows {
        let weight = row.weight(size * CHARGES[form] * row.forms[form], scales);
        let mut values = [1.0; SUMS];
        for (i, charge) in CHARGES.iter().enumerate() {
            values[FORM + i] = -row.forms[i];
            values[SLOPE + i] = -charge * row.z * row.forms[i];
        }
        values[TITRANT] = row.titrant;
        for (line, a) in sums.of.iter_mut().zip(&values) {
            for (sum, b) in line.iter_mut().zip(&values) {
                *sum += weight * a * b;
            }
        }
    }
    Some(sums)
}

/// A line through the points.
#[derive(Debug, Clone, Copy)]
struct Line {
    end: f64,
    variance: f64,
    chi2: f64,
    columns: f64,
    /// Points beyond what is fitted.
    free: f64,
}

impl Sums {
    /// The line of some forms; `None` where one of them would have to be negative.
    fn line<const K: usize>(&self, forms: [usize; K]) -> Option<Line> {
        let free = self.rows - K as f64 - 1.0;
        if free < 2.0 {
            return None;
        }
        // 1 and at most two forms, and the slope of the electrode behind them.
        let places: Places =
            std::array::from_fn(|i| if i == 0 { 0 } else { forms.get(i - 1).map_or(0, |f| FORM + f) });
        let mut sizes = [0.0; 4];
        match K {
            1 => sizes[..2].copy_from_slice(&solve(&self.normal::<2>(&places), &self.right::<2>(&places))?.0),
            _ => sizes[..3].copy_from_slice(&solve(&self.normal::<3>(&places), &self.right::<3>(&places))?.0),
        }
        if sizes[1..=K].iter().any(|s| *s < 0.0) {
            return None;
        }
        let mut along = [0.0; SUMS];
        for (size, form) in sizes[1..].iter().zip(forms) {
            along[SLOPE + form] = *size;
        }
        match K {
            1 => self.with_slope(self.normal::<3>(&places), self.right::<3>(&places), &places, &along, free),
            _ => self.with_slope(self.normal::<4>(&places), self.right::<4>(&places), &places, &along, free),
        }
    }

    fn normal<const N: usize>(&self, places: &Places) -> [[f64; N]; N] {
        std::array::from_fn(|i| std::array::from_fn(|j| self.of[places[i]][places[j]]))
    }

    fn right<const N: usize>(&self, places: &Places) -> [f64; N] {
        std::array::from_fn(|i| self.of[places[i]][TITRANT])
    }

    /// The line with the slope of the electrode as its last unknown.
    fn with_slope<const N: usize>(
        &self,
        mut normal: [[f64; N]; N],
        mut right: [f64; N],
        places: &Places,
        along: &[f64; SUMS],
        free: f64,
    ) -> Option<Line> {
        let with = |row: usize| -> f64 { (SLOPE..TITRANT).map(|i| along[i] * self.of[row][i]).sum() };
        let held = LN_SLOPE.1.powi(-2);
        for (i, place) in places.iter().enumerate().take(N - 1) {
            normal[i][N - 1] = with(*place);
            normal[N - 1][i] = normal[i][N - 1];
        }
        normal[N - 1][N - 1] = held + (SLOPE..TITRANT).map(|i| along[i] * with(i)).sum::<f64>();
        right[N - 1] = held * LN_SLOPE.0 + with(TITRANT);
        let (value, variance) = solve(&normal, &right)?;
        if value[1..N - 1].iter().any(|s| *s < 0.0) {
            return None;
        }
        let explained: f64 = value.iter().zip(&right).map(|(v, r)| v * r).sum();
        let chi2 = (self.of[TITRANT][TITRANT] + held * LN_SLOPE.0.powi(2) - explained).max(0.0);
        Some(Line { end: value[0], variance, chi2, columns: (N - 2) as f64, free })
    }
}

/// Places among the sums.
type Places = [usize; 4];

/// Solves normal equations scaled to a unit diagonal; with the variance of the first unknown.
fn solve<const N: usize>(normal: &[[f64; N]; N], right: &[f64; N]) -> Option<([f64; N], f64)> {
    let scale: [f64; N] = std::array::from_fn(|i| normal[i][i].sqrt().recip());
    let scaled = std::array::from_fn(|i| std::array::from_fn(|j| normal[i][j] * scale[i] * scale[j]));
    let lower = cholesky(&scaled)?;
    let mut value = substitute(&lower, std::array::from_fn(|i| right[i] * scale[i]));
    let mut unit = [0.0; N];
    unit[0] = 1.0;
    let variance = substitute(&lower, unit)[0] * scale[0] * scale[0];
    for (v, s) in value.iter_mut().zip(&scale) {
        *v *= s;
    }
    (value.iter().all(|v| v.is_finite()) && variance.is_finite()).then_some((value, variance))
}

/// The line and the earlier portions, each with its weight.
pub(super) fn joined(line: Option<Forecast>, prior: Option<Prior>) -> Option<Forecast> {
    let prior = prior.map(|p| {
        let half = NINE_OF_TEN * p.u;
        Forecast { expected: p.expected, below: half, above: half, points: 0 }
    });
    match (line, prior) {
        (Some(line), Some(prior)) => {
            // Portions that disagree with the line beyond both intervals are another amount: the line counts.
            let towards = if prior.expected > line.expected { line.above } else { line.below };
            if (line.expected - prior.expected).abs() > 2.0 * towards.hypot(prior.below) {
                return Some(line);
            }
            let (a, b) = (towards.powi(-2), prior.below.powi(-2));
            let expected = (a * line.expected + b * prior.expected) / (a + b);
            let half = (a + b).sqrt().recip();
            Some(Forecast { expected, below: half, above: half, points: line.points })
        }
        (line, prior) => line.or(prior),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SCALES: Scales =
        Scales { nernst: 25.69, noise: 0.1, titrant: 0.0005, direction: 1.0, before: 50.0 };

    /// Points of V = 10 - b f(V) exp(-z) up to a part of the way.
    fn line(until: f64, f: impl Fn(f64) -> f64) -> Vec<Group> {
        let end = 10.0;
        (1..=20)
            .map(|i| {
                let titrant = 0.05 * until * end * f64::from(i);
                let z = (0.02 * f(titrant) / (end - titrant)).ln();
                Group { titrant, signal: 25.05 * z, n: 1.0 }
            })
            .collect()
    }

    #[test]
    fn a_line_of_either_form_leads_to_its_end() {
        for form in [|v: f64| v, |v: f64| 50.0 + v] {
            for (until, near) in [(0.6, 0.4), (0.9, 0.1)] {
                let forecast = from_line(&line(until, form), &SCALES).unwrap();
                assert!((forecast.expected - 10.0).abs() < near, "{until}: {forecast:?}");
                assert!(forecast.expected - forecast.below < 10.0, "{until}: {forecast:?}");
                assert!(forecast.expected + forecast.above > 10.0, "{until}: {forecast:?}");
            }
        }
    }

    #[test]
    fn the_interval_closes_on_the_way() {
        let wide = |until: f64| {
            let forecast = from_line(&line(until, |v| v), &SCALES).unwrap();
            forecast.below + forecast.above
        };
        assert!(wide(0.5) > 2.0 * wide(0.8) && wide(0.8) > 2.0 * wide(0.95));
    }

    #[test]
    fn a_signal_that_does_not_move_and_points_that_are_one_give_no_forecast() {
        let flat: Vec<Group> =
            (0..20).map(|i| Group { titrant: f64::from(i), signal: 7.0, n: 1.0 }).collect();
        assert!(from_line(&flat, &SCALES).is_none());
        assert!(from_line(&flat[..3], &SCALES).is_none());
        assert!(from_line(&[flat[1]; 9], &SCALES).is_none());
    }

    #[test]
    fn earlier_portions_narrow_the_forecast_and_do_not_outvote_it() {
        let line = Forecast { expected: 10.0, below: 1.0, above: 2.0, points: 9 };
        let near = joined(Some(line), Some(Prior { expected: 10.5, u: 0.1 })).unwrap();
        assert!((10.4..10.5).contains(&near.expected) && near.above < 0.2, "{near:?}");
        assert_eq!(joined(Some(line), Some(Prior { expected: 16.0, u: 0.1 })), Some(line));
    }
}
