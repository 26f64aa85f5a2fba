//! Estimates of the textbooks beside the fit, because inspectors ask for them.

use super::evaluation::Classical;
use crate::numeric::line;

/// What the classical estimates need.
pub(super) struct Table<'a> {
    /// Titrant, rising.
    pub(super) titrant: &'a [f64],
    /// Signal.
    pub(super) signal: &'a [f64],
    /// Signal for an e-fold of activity, with the sign of the rise; `None` if the unit knows none.
    pub(super) unit: Option<f64>,
    /// Volume before the first addition in mL, if known.
    pub(super) sample_volume_ml: Option<f64>,
    /// Whether half volumes give a pKa.
    pub(super) in_ph: bool,
}

/// All estimates around end-points at `ends`.
pub(super) fn estimates(table: &Table<'_>, ends: &[f64]) -> Vec<Classical> {
    let mut all = Vec::new();
    let (first, last) = (table.titrant[0], table.titrant[table.titrant.len() - 1]);
    for (k, end) in ends.iter().enumerate() {
        // The first additions may jump without being an end-point.
        let before = f64::midpoint(k.checked_sub(1).map_or(first, |j| ends[j]), *end);
        let behind = ends.get(k + 1).map_or(last, |next| f64::midpoint(*end, *next));
        let number = if ends.len() > 1 { format!(" {}", k + 1) } else { String::new() };
        let mut add = |method: &str, value: Option<f64>| {
            if let Some(value) = value.filter(|v| v.is_finite()) {
                all.push(Classical { method: format!("{method}{number}"), value });
            }
        };
        let inside = |v: f64| v >= before && v <= behind;
        let (steepest, zero) = differences(table, inside);
        add("steepest difference", steepest);
        add("zero of the second difference", zero);
        let start = k.checked_sub(1).map_or(0.0, |j| ends[j]);
        add("straight line before (strong)", gran(table, *end, (start, *end), Gran::Strong));
        add("straight line before (weak)", gran(table, *end, (start, *end), Gran::Weak(start)));
        add("straight line behind", gran(table, *end, (*end, behind), Gran::Behind));
        if table.in_ph {
            add("pKa from half the titrant", signal_at(table, f64::midpoint(start, *end)));
        }
    }
    all
}

/// Middle of the steepest segment, and the zero of the second difference around it by straight interpolation.
///
/// Rule of D. Harvey, Modern Analytical Chemistry (2000), table 9.5: first differences stand at the middles of
/// segments, second ones at the mean of two neighbouring middles.
fn differences(table: &Table<'_>, inside: impl Fn(f64) -> bool) -> (Option<f64>, Option<f64>) {
    let slopes: Vec<(f64, f64)> = table
        .titrant
        .windows(2)
        .zip(table.signal.windows(2))
        .filter(|(v, _)| v[1] > v[0])
        .map(|(v, x)| (f64::midpoint(v[0], v[1]), (x[1] - x[0]) / (v[1] - v[0])))
        .collect();
    let best = (0..slopes.len())
        .filter(|i| inside(slopes[*i].0))
        .max_by(|a, b| slopes[*a].1.abs().total_cmp(&slopes[*b].1.abs()));
    let Some(best) = best else { return (None, None) };
    let steepest = Some(slopes[best].0);
    if best == 0 || best + 1 >= slopes.len() {
        return (steepest, None);
    }
    let second = |i: usize| {
        let (a, b) = (slopes[i], slopes[i + 1]);
        (f64::midpoint(a.0, b.0), (b.1 - a.1) / (b.0 - a.0))
    };
    let (left, right) = (second(best - 1), second(best));
    let zero = (left.1 * right.1 < 0.0).then(|| left.0 - left.1 * (right.0 - left.0) / (right.1 - left.1));
    (steepest, zero)
}

enum Gran {
    /// (V0 + V) exp(-z) falls to zero at the end-point: strong acid, precipitate.
    Strong,
    /// (V - start) exp(-z): weak acid or base.
    Weak(f64),
    /// (V0 + V) exp(z) rises from zero at the end-point.
    Behind,
}

/// Where the weighted straight line of a Gran function meets zero.
///
/// G. Gran, Analyst 77 (1952) 661. The function carries the noise of the signal in proportion to its value: weights are
/// one over its square.
fn gran(table: &Table<'_>, end: f64, between: (f64, f64), kind: Gran) -> Option<f64> {
    let unit = table.unit?;
    let size = between.1 - between.0;
    let part = match kind {
        Gran::Behind => (between.0 + 0.05 * size, between.1),
        _ => (between.0 + 0.6 * size, between.1 - 0.03 * size),
    };
    let reference = signal_at(table, end)?;
    let mut rows = Vec::new();
    let mut ones = Vec::new();
    for (v, x) in table.titrant.iter().zip(table.signal) {
        if *v <= part.0 || *v >= part.1 {
            continue;
        }
        let z = ((x - reference) / unit).clamp(-60.0, 60.0);
        let value = match kind {
            Gran::Strong => (table.sample_volume_ml? + v) * (-z).exp(),
            Gran::Weak(start) => (v - start) * (-z).exp(),
            Gran::Behind => (table.sample_volume_ml? + v) * z.exp(),
        };
        if value > 0.0 && value.is_finite() {
            // Divided by its value the function is 1 everywhere: weights included.
            rows.push([1.0 / value, (v - end) / value]);
            ones.push(1.0);
        }
    }
    if rows.len() < 3 {
        return None;
    }
    let (c, _, _) = line::least_squares(&rows, &ones)?;
    let meets = end - c[0] / c[1];
    ((meets - end).abs() < 0.5 * size.abs().max(1e-12)).then_some(meets)
}

fn signal_at(table: &Table<'_>, titrant: f64) -> Option<f64> {
    let v = table.titrant;
    let i = v.partition_point(|x| *x < titrant);
    if i == 0 || i >= v.len() {
        return None;
    }
    let gap = v[i] - v[i - 1];
    let part = if gap > 0.0 { (titrant - v[i - 1]) / gap } else { 0.5 };
    Some(table.signal[i - 1] + part * (table.signal[i] - table.signal[i - 1]))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// D. Harvey, Modern Analytical Chemistry, McGraw-Hill 2000, table 9.5, p. 291: weak acid with 0.100 mol/L NaOH.
    /// Printed: largest first derivative 8.90 pH/mL at 15.65 mL; the second changes sign from +24.0 at 15.60 to -11.0 at
    /// 15.70 mL, so its zero by straight interpolation is 15.6686 mL.
    #[test]
    fn the_worked_table_of_a_textbook() {
        let titrant = [15.50, 15.60, 15.70, 15.80];
        // pH that has the printed first derivatives 6.50, 8.90, 7.80 pH/mL at 15.55, 15.65 and 15.75 mL.
        let signal = [7.00, 7.65, 8.54, 9.32];
        let table =
            Table { titrant: &titrant, signal: &signal, unit: None, sample_volume_ml: None, in_ph: false };
        let all = estimates(&table, &[15.65]);
        assert!((all[0].value - 15.65).abs() < 1e-9, "{all:?}");
        assert!((all[1].value - 15.6686).abs() < 1e-4, "{all:?}");
    }

    /// Both straight lines of a strong acid meet zero at the equivalence volume exactly.
    #[test]
    fn straight_lines_of_a_strong_acid_meet_at_the_equivalence_volume() {
        let (v0, c, ve): (f64, f64, f64) = (50.0, 0.1, 10.0);
        let titrant: Vec<f64> =
            (0..60).map(|i| 0.3 * f64::from(i)).filter(|v| (v - ve).abs() > 1e-6).collect();
        let signal: Vec<f64> = titrant
            .iter()
            .map(|v| {
                let excess = c * (v - ve) / (v0 + v);
                if excess < 0.0 { -(-excess).log10() } else { 14.0 + excess.log10() }
            })
            .collect();
        let unit = Some(std::f64::consts::LN_10.recip());
        let table =
            Table { titrant: &titrant, signal: &signal, unit, sample_volume_ml: Some(v0), in_ph: true };
        let all = estimates(&table, &[10.05]);
        for method in ["straight line before (strong)", "straight line behind"] {
            let found = all.iter().find(|c| c.method == method).unwrap();
            assert!((found.value - ve).abs() < 1e-6, "{found:?}");
        }
    }
}
