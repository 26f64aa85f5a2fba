//! Redox titrations: V explicit in the potential through the two Nernst ratios.
//!
//! Up to the end-point the analyte couples rule: V = sum A_i sigma(n_i (z - p_i)) - f (1 - sigma(n_1 (z - p_1))): a small
//! part f of the first couple has reacted before the first addition, without which no potential would be defined there. Behind it the titrant's couple rules,
//! with r = (V - Ve) / (V0 + Ve) a function of y = exp(n_t (z - rho)) that depends on the numbers of atoms:
//! equal numbers V = Ve alpha / beta, one ion that becomes two r (1 + r) = y, two that become one r^2 = y (1 + r).

use super::{Meaning, Model, Place, Prior, exp, logistic};

/// How the titrant's couple counts its atoms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::detector) enum RightArm {
    /// Equal numbers of atoms on both sides (cerium, iron, permanganate).
    Equal,
    /// One ion becomes two (dichromate).
    Splits,
    /// Two ions become one (thiosulfate).
    Joins,
}

/// Analyte couples and a titrant couple.
#[derive(Debug, Clone)]
pub(in crate::detector) struct Redox {
    /// Electrons of each analyte couple.
    pub(in crate::detector) analytes: Vec<f64>,
    /// Whether two particles come from each one of the (only) analyte: oxalate, with \[product\]^2 in its Nernst ratio.
    pub(in crate::detector) analyte_splits: bool,
    /// Electrons of the titrant couple.
    pub(in crate::detector) titrant: f64,
    /// Its atoms.
    pub(in crate::detector) arm: RightArm,
    /// Standard deviation of the part that has reacted before the first addition, in titrant.
    pub(in crate::detector) most_before: f64,
    /// Expected ln of the volume before the first addition (used where dilution counts), and its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
}

const RHO: usize = 0;
const BEFORE: usize = 1;
const LN_V0: usize = 2;

impl Redox {
    fn first(&self) -> usize {
        if self.diluted() { 3 } else { 2 }
    }

    /// Whether dilution moves the curve.
    fn diluted(&self) -> bool {
        self.arm != RightArm::Equal || self.analyte_splits
    }
}

impl Model for Redox {
    fn name(&self) -> String {
        let electrons: Vec<String> = self.analytes.iter().map(|n| format!("{n}")).collect();
        let atoms = match self.arm {
            RightArm::Equal => "",
            RightArm::Splits => ", titrant splits",
            RightArm::Joins => ", titrant joins",
        };
        let analyte = if self.analyte_splits { ", analyte splits" } else { "" };
        format!("redox ({} with {} electrons{analyte}{atoms})", electrons.join(", "), self.titrant)
    }

    fn meanings(&self) -> Vec<Meaning> {
        let mut all = vec![Meaning::FormalPotential, Meaning::Titrant];
        all.resize(self.first(), Meaning::LnSampleVolume);
        for _ in &self.analytes {
            all.extend([Meaning::Titrant, Meaning::FormalPotential]);
        }
        all
    }

    fn titrant(&self, z: f64, shift: f64, p: &[f64], gradient: &mut [f64]) -> Option<Place> {
        let first = self.first();
        let y = exp(self.titrant * (z + shift - p[RHO]));
        if y > 1e6 {
            return None;
        }
        let dy = self.titrant * y;
        let (mut rising, mut slope, mut whole) = (0.0, 0.0, 0.0);
        if self.analyte_splits {
            let (amount, place) = (p[first], p[first + 1]);
            let (v0, all) = (exp(p[LN_V0]), amount + p[BEFORE]);
            let n = self.analytes[0];
            let y = exp(n * (z - place));
            // a^2 V0 / ((1 - a) (V0 + a A)) = y, a quadratic in the reacted share a.
            let square = v0 + y * all;
            let linear = y * (v0 - all);
            let root = (linear * linear + 4.0 * square * y * v0).max(0.0).sqrt();
            let below = linear + root;
            let share =
                if below > 0.0 { (2.0 * y * v0 / below).min(1.0) } else { (root - linear) / (2.0 * square) };
            let by_share = (2.0 * share * square + linear).max(1e-300);
            let by_y = (1.0 - share) * (v0 + share * all) / by_share;
            let by_all = share * y * (1.0 - share) / by_share;
            let by_v0 = (y - share * share - share * y) / by_share;
            rising = all * share - p[BEFORE];
            slope = all * by_y * n * y;
            whole = amount;
            gradient[first] = share + all * by_all;
            gradient[first + 1] = -slope;
            gradient[BEFORE] = share + all * by_all - 1.0;
            gradient[LN_V0] = all * by_v0 * v0;
        }
        for (i, n) in self.analytes.iter().enumerate().filter(|_| !self.analyte_splits) {
            let (amount, place) = (p[first + 2 * i], p[first + 2 * i + 1]);
            let s = logistic(n * (z - place));
            let bell = n * amount * s * (1.0 - s);
            rising += amount * s;
            slope += bell;
            if i == 0 {
                let before = p[BEFORE];
                rising -= before * (1.0 - s);
                slope += n * before * s * (1.0 - s);
                gradient[BEFORE] = s - 1.0;
            }
            whole += amount;
            gradient[first + 2 * i] = s;
            let started = if i == 0 { p[BEFORE] } else { 0.0 };
            gradient[first + 2 * i + 1] = -n * (amount + started) * s * (1.0 - s);
        }
        if self.arm == RightArm::Equal {
            for g in &mut gradient[BEFORE..] {
                *g *= 1.0 + y;
            }
            gradient[RHO] = -rising * dy;
            let whole_slope = slope * (1.0 + y) + rising * dy;
            return Some(Place { titrant: rising * (1.0 + y), slope: whole_slope, by_shift: rising * dy });
        }
        let (r, dr_dy) = match self.arm {
            RightArm::Splits => {
                let root = (1.0 + 4.0 * y).sqrt();
                (2.0 * y / (1.0 + root), 1.0 / root)
            }
            _ => {
                let root = (y * y + 4.0 * y).sqrt().max(1e-150);
                (f64::midpoint(y, root), f64::midpoint(1.0, (y + 2.0) / root))
            }
        };
        let v0 = exp(p[LN_V0]);
        let lever = v0 + whole;
        for i in 0..self.analytes.len() {
            gradient[first + 2 * i] += r;
        }
        let by_analyte = if self.analyte_splits { gradient[LN_V0] } else { 0.0 };
        gradient[LN_V0] = by_analyte + v0 * r;
        gradient[RHO] = -lever * dr_dy * dy;
        let arm = lever * dr_dy * dy;
        Some(Place { titrant: rising + lever * r, slope: slope + arm, by_shift: arm })
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        let first = self.first();
        (0..self.analytes.len()).map(|k| (0..=k).map(|i| first + 2 * i).collect()).collect()
    }

    /// Permanganate and dichromate, in acid solution: 8 for 5 and 14 for 6.
    fn protons(&self) -> Option<f64> {
        match self.arm {
            RightArm::Equal if (self.titrant - 5.0).abs() < 1e-9 => Some(8.0 / 5.0),
            RightArm::Splits => Some(14.0 / 6.0),
            _ => None,
        }
    }

    fn priors(&self) -> Vec<Prior> {
        let mut all = vec![Prior::on(BEFORE, 0.0, self.most_before)];
        if self.diluted() {
            all.push(Prior::on(LN_V0, self.ln_volume.0, self.ln_volume.1));
        }
        all
    }

    fn sensible(&self, p: &[f64], range: f64) -> bool {
        let first = self.first();
        (0..self.analytes.len()).all(|i| p[first + 2 * i] > 0.0 && p[first + 2 * i] < 20.0 * range)
    }
}
