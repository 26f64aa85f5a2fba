//! Readings laid along a known truth at the least cost, and the figure that comes of it:
//! 100 x (found - wrong value - wrong quantity - wrong unit - false - lies - digits) / sound, not below 0.

use dropwise::reading::{Quantity, Unit};
use std::collections::{BTreeSet, HashSet};

/// What damage did to a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Damage {
    /// It still says the same.
    Harmless,
    /// It no longer fits the layout or its checksum.
    Shows,
    /// It fits but for the count of decimals or the width of a column.
    Digits,
    /// It fits in every way and says something else.
    Hidden,
}

/// One reading as meant.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    pub quantity: Quantity,
    pub value: Option<f64>,
    pub unit: Option<Unit>,
    pub valid: bool,
    pub damage: Option<Damage>,
    /// What the damaged frame seems to say.
    pub looks: Option<f64>,
    pub late: bool,
    /// Other right values: a total that went on growing, in the unit of the value.
    pub grown: Option<f64>,
    /// The bare count of pulses.
    pub pulses: Option<f64>,
}

/// One reading as answered.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    pub quantity: Quantity,
    pub value: Option<f64>,
    pub unit: Unit,
    pub valid: bool,
}

/// The counts of one capture.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    pub sound: usize,
    pub found: usize,
    pub missed: usize,
    pub wrong_value: usize,
    pub wrong_quantity: usize,
    pub wrong_unit: usize,
    pub false_readings: usize,
    pub hurt: usize,
    pub lies: usize,
    pub digits: usize,
    pub hidden: usize,
}

impl Counts {
    /// Readings under a wrong quantity, in a wrong unit, or of nothing at all.
    pub fn strays(&self) -> usize {
        self.wrong_quantity + self.wrong_unit + self.false_readings
    }

    pub fn figure(&self) -> f64 {
        let bad = self.wrong_value
            + self.wrong_quantity
            + self.wrong_unit
            + self.false_readings
            + self.lies
            + self.digits;
        if self.sound == 0 { 0.0 } else { 100.0 * self.found.saturating_sub(bad) as f64 / self.sound as f64 }
    }
}

impl std::ops::AddAssign for Counts {
    fn add_assign(&mut self, other: Self) {
        let Self { sound, found, missed, wrong_value, wrong_quantity, wrong_unit, .. } = other;
        self.sound += sound;
        self.found += found;
        self.missed += missed;
        self.wrong_value += wrong_value;
        self.wrong_quantity += wrong_quantity;
        self.wrong_unit += wrong_unit;
        self.false_readings += other.false_readings;
        self.hurt += other.hurt;
        self.lies += other.lies;
        self.digits += other.digits;
        self.hidden += other.hidden;
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Verdict {
    Right,
    KeptBack,
    Unit,
    Wrong,
}

fn quantity_of(q: Quantity) -> Quantity {
    if q == Quantity::Voltage { Quantity::Emf } else { q }
}

fn same(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 + 1e-6 * b.abs()
}

fn verdict(t: &Truth, a: &Answer) -> Verdict {
    let answered = a.value.filter(|_| a.valid);
    let Some(raw) = answered else { return if t.valid { Verdict::KeptBack } else { Verdict::Right } };
    if !t.valid {
        return Verdict::Wrong;
    }
    let canonical = a.unit.to_canonical(raw);
    let means = |v: Option<f64>| v.zip(t.unit).is_some_and(|(v, u)| same(canonical, u.to_canonical(v)));
    if means(t.value) || means(t.grown) || t.pulses.is_some_and(|p| same(raw, p)) {
        Verdict::Right
    } else if t.value.is_some_and(|v| same(raw, v)) || t.grown.is_some_and(|v| same(raw, v)) {
        Verdict::Unit
    } else {
        Verdict::Wrong
    }
}

fn optional(t: &Truth) -> bool {
    t.damage.is_some() || t.late
}

fn skip_truth(t: &Truth) -> f64 {
    if optional(t) { 0.1 } else { 0.6 }
}

fn skip_answer(a: &Answer) -> f64 {
    if a.valid && a.value.is_some() { 0.6 } else { 0.05 }
}

fn pair_cost(t: &Truth, a: &Answer) -> f64 {
    match verdict(t, a) {
        Verdict::Right => 0.0,
        Verdict::Unit => 0.3,
        Verdict::KeptBack => {
            if optional(t) {
                0.0
            } else {
                0.4
            }
        }
        Verdict::Wrong if optional(t) => {
            if t.looks.zip(a.value).is_some_and(|(l, v)| same(v, l)) {
                0.3
            } else {
                0.65
            }
        }
        Verdict::Wrong => 1.0,
    }
}

type Pair<'a> = (Option<&'a Truth>, Option<&'a Answer>);

/// The cheapest pairing in order, by dynamic programming over both lists.
fn align<'a>(truth: &[&'a Truth], answers: &[&'a Answer]) -> Vec<Pair<'a>> {
    let (n, m) = (truth.len(), answers.len());
    let at = |i: usize, j: usize| i * (m + 1) + j;
    let mut cost = vec![0.0_f64; (n + 1) * (m + 1)];
    for i in (0..n).rev() {
        cost[at(i, m)] = cost[at(i + 1, m)] + skip_truth(truth[i]);
    }
    for j in (0..m).rev() {
        cost[at(n, j)] = cost[at(n, j + 1)] + skip_answer(answers[j]);
    }
    for i in (0..n).rev() {
        for j in (0..m).rev() {
            cost[at(i, j)] = (cost[at(i + 1, j + 1)] + pair_cost(truth[i], answers[j]))
                .min(cost[at(i + 1, j)] + skip_truth(truth[i]))
                .min(cost[at(i, j + 1)] + skip_answer(answers[j]));
        }
    }
    let (mut i, mut j, mut out) = (0, 0, Vec::new());
    while i < n || j < m {
        if i < n && j < m && same(cost[at(i, j)], cost[at(i + 1, j + 1)] + pair_cost(truth[i], answers[j])) {
            out.push((Some(truth[i]), Some(answers[j])));
            (i, j) = (i + 1, j + 1);
        } else if i < n && (j == m || same(cost[at(i, j)], cost[at(i + 1, j)] + skip_truth(truth[i]))) {
            out.push((Some(truth[i]), None));
            i += 1;
        } else {
            out.push((None, Some(answers[j])));
            j += 1;
        }
    }
    out
}

/// Compares answers with the truth. `also` holds readings of headings and results, which are neither right nor wrong.
pub fn score(truth: &[Truth], answers: &[Answer], also: &[Truth]) -> (Counts, Vec<String>) {
    let mut n = Counts::default();
    let mut notes = Vec::new();
    n.hurt = truth.iter().filter(|t| t.damage.is_some()).count();
    n.sound = truth.iter().filter(|t| !optional(t)).count();
    let kinds: BTreeSet<Quantity> = truth
        .iter()
        .map(|t| quantity_of(t.quantity))
        .chain(answers.iter().map(|a| quantity_of(a.quantity)))
        .collect();
    let known: HashSet<Quantity> = truth.iter().map(|t| quantity_of(t.quantity)).collect();
    let (mut missed, mut spare) = (Vec::new(), Vec::new());
    for q in kinds {
        let ts: Vec<&Truth> = truth.iter().filter(|t| quantity_of(t.quantity) == q).collect();
        let answered: Vec<&Answer> = answers.iter().filter(|a| quantity_of(a.quantity) == q).collect();
        for pair in align(&ts, &answered) {
            let (t, a) = match pair {
                (None, Some(a)) => {
                    spare.push(a);
                    continue;
                }
                (Some(t), a) => (t, a),
                (None, None) => continue,
            };
            let verdict = a.map(|a| verdict(t, a));
            if optional(t) {
                if matches!(verdict, Some(Verdict::Wrong | Verdict::Unit)) {
                    match t.damage {
                        Some(Damage::Digits) => n.digits += 1,
                        Some(Damage::Hidden) => n.hidden += 1,
                        None => n.wrong_value += 1,
                        Some(Damage::Harmless | Damage::Shows) => n.lies += 1,
                    }
                    notes.push(format!("hurt {:?}: {t:?} read as {a:?}", t.damage));
                }
                continue;
            }
            match verdict {
                Some(Verdict::Right) => n.found += 1,
                Some(Verdict::Unit) => {
                    n.wrong_unit += 1;
                    notes.push(format!("wrong unit: {t:?} read as {a:?}"));
                }
                Some(Verdict::Wrong) => {
                    n.wrong_value += 1;
                    notes.push(format!("wrong value: {t:?} read as {a:?}"));
                }
                Some(Verdict::KeptBack) | None => missed.push(t),
            }
        }
    }
    let mut gone = HashSet::new();
    let mut also: Vec<&Truth> = also.iter().collect();
    for a in spare {
        let Some(value) = a.value.filter(|_| a.valid) else { continue };
        let q = quantity_of(a.quantity);
        if q == Quantity::Time && !known.contains(&q) {
            continue;
        }
        if let Some(k) =
            also.iter().position(|t| quantity_of(t.quantity) == q && verdict(t, a) == Verdict::Right)
        {
            also.remove(k);
            continue;
        }
        let other = missed.iter().enumerate().find(|(k, t)| {
            !gone.contains(k)
                && t.valid
                && quantity_of(t.quantity) != q
                && t.value.is_some_and(|v| (v - value).abs() < 5e-8)
        });
        if let Some((k, t)) = other {
            gone.insert(k);
            n.wrong_quantity += 1;
            notes.push(format!("wrong quantity: {t:?} read as {a:?}"));
        } else {
            n.false_readings += 1;
            notes.push(format!("false: {a:?}"));
        }
    }
    for (k, t) in missed.iter().enumerate() {
        if !gone.contains(&k) {
            n.missed += 1;
            notes.push(format!("missed: {t:?}"));
        }
    }
    (n, notes)
}
