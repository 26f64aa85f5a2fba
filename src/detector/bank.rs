//! The models that may be fitted to a jump, each with its start taken from the picture of the curve.

use super::fit::Candidate;
use super::frame::Frame;
use super::given::{Family, Given, Medium, begins};
use super::models::{Group, Halides, Model, Redox, RightArm, Sites};
use super::moving::Moving;
use crate::reading::Quantity;
use std::f64::consts::LN_10;
use std::rc::Rc;

/// ln of a told sample volume is believed to so much: rinsing and what stands in the beaker besides (common practice,
/// no source), and what the models leave out shows up here.
const TOLD_VOLUME: f64 = 0.1;
/// The same of the distance of both arms: the ion product of water at the ionic strength of the run.
const TOLD_ARMS: f64 = 1.0;

/// ln of a sample volume of which nothing is told: tens of millilitres, within a factor of two or so (common practice,
/// no source).
const ANY_VOLUME: (f64, f64) = (4.094, 0.8);

/// What the bank knows besides the points.
#[derive(Debug, Clone)]
pub(super) struct Knowledge {
    /// Families that may be fitted.
    pub(super) families: Vec<Family>,
    /// Families that could be fitted if none had been told.
    pub(super) possible: Vec<Family>,
    /// ln of the sample volume with its standard deviation.
    pub(super) ln_volume: (f64, f64),
    /// ln(C^2 / Kw) with its standard deviation.
    pub(super) arms_apart: (f64, f64),
    /// The same for a titrant of which nothing is known.
    pub(super) arms_of_water: (f64, f64),
    /// Whether the family was told.
    pub(super) told: bool,
    /// How many end-points are looked for, as far as that was told.
    pub(super) wanted: usize,
    /// How the names of the models begin that may be fitted.
    pub(super) model: Option<String>,
}

impl Knowledge {
    /// From what is given and what the unit excludes.
    pub(super) fn of(given: &Given, quantity: Option<Quantity>, temperature_c: f64) -> Self {
        let aqueous = given.medium == Medium::Aqueous;
        let all = [Family::AcidBase, Family::Precipitation, Family::Redox, Family::Complexation];
        let named = given.family.filter(|f| all.contains(f) && given.model.is_none());
        let possible = match quantity {
            Some(Quantity::Ph) if given.model.is_none() => vec![Family::AcidBase],
            _ => all.to_vec(),
        };
        let in_water = |families: Vec<Family>| -> Vec<Family> {
            families.into_iter().filter(|f| aqueous || *f != Family::AcidBase).collect()
        };
        let possible = in_water(possible);
        let families = named.map_or_else(|| possible.clone(), |family| in_water(vec![family]));
        let positive = |v: &f64| v.is_finite() && *v > 0.0;
        let ln_volume = given.sample_volume_ml.filter(positive).map_or(ANY_VOLUME, |v| (v.ln(), TOLD_VOLUME));
        // pKw of water: H. S. Harned, B. B. Owen, The Physical Chemistry of Electrolytic Solutions (1958): 4470.99/T - 6.0875 + 0.01706 T.
        let kelvin = temperature_c + 273.15;
        let pkw = 4470.99 / kelvin - 6.0875 + 0.01706 * kelvin;
        let arms_of_water = ((pkw - 2.0) * LN_10, 1.3 * LN_10);
        let arms_apart = given
            .titrant_mol_l
            .filter(positive)
            .map_or(arms_of_water, |c| ((pkw + 2.0 * c.log10()) * LN_10, TOLD_ARMS));
        let model = given.model.clone();
        Self {
            families,
            possible,
            ln_volume,
            arms_apart,
            arms_of_water,
            told: named.is_some(),
            wanted: given.looked_for.unwrap_or(1),
            model,
        }
    }

    /// The same without what was told of family, volume and titrant.
    pub(super) fn untold(&self) -> Self {
        let (families, arms_apart) = (self.possible.clone(), self.arms_of_water);
        Self { families, arms_apart, ln_volume: ANY_VOLUME, told: false, ..self.clone() }
    }

    /// Whether a model of this name, or what adds something that moves to it, may be fitted.
    fn may_lead_to_wanted(&self, name: &str) -> bool {
        self.model.as_deref().is_none_or(|wanted| begins(name, wanted) || begins(wanted, name))
    }

    /// Whether the result may be a model of this name.
    pub(super) fn allows(&self, name: &str) -> bool {
        self.model.as_deref().is_none_or(|wanted| begins(name, wanted))
    }
}

/// An end-point as the picture shows it: titrant and z.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mark {
    pub(super) titrant: f64,
    pub(super) z: f64,
}

/// All candidates for `marks.len()` end-points, with their starts.
pub(super) fn bank(frame: &Frame, marks: &[Mark], knowledge: &Knowledge) -> Vec<(Candidate, Vec<f64>)> {
    let start = Start { frame, marks, v0: knowledge.ln_volume.0.exp() };
    let mut all: Vec<(Candidate, Vec<f64>)> = Vec::new();
    let mut add = |model: Rc<dyn Model>, p: Vec<f64>| {
        let mut whole = vec![frame.ln_slope.0];
        // What dilutes the hydrogen ions of a couple is no accident of a run: it belongs to the model.
        let moving = model.protons().map_or(Moving::Nothing, Moving::Protons);
        if let Moving::Protons(expected) = moving {
            whole.push(expected);
        }
        whole.extend(p);
        let candidate = Candidate { model, moving };
        if knowledge.may_lead_to_wanted(&candidate.name()) {
            all.push((candidate, whole));
        }
    };
    for family in &knowledge.families {
        match family {
            Family::AcidBase => {
                for (groups, beyond) in acid_groups(marks.len()) {
                    let sites = Sites {
                        groups,
                        beyond,
                        exponents: (1.0, 1.0),
                        ln_volume: knowledge.ln_volume,
                        arms_apart: Some(knowledge.arms_apart),
                        tied: None,
                        salt: false,
                        charges: (1.0, 2.0),
                        title: "acid-base",
                    };
                    let p = start.sites(&sites, knowledge.arms_apart.0);
                    if sites.number() > 1 {
                        let tied = Sites { tied: Some(1e-4 * frame.range()), ..sites.clone() };
                        add(Rc::new(tied), start.one_acid(&sites, &p));
                    }
                    add(Rc::new(sites), p);
                }
                if marks.len() == 1 {
                    let salt = Sites {
                        groups: vec![Group { strong: true, sites: 2 }],
                        beyond: 0,
                        exponents: (1.0, 1.0),
                        ln_volume: knowledge.ln_volume,
                        arms_apart: Some(knowledge.arms_apart),
                        tied: Some(1e-4 * frame.range()),
                        salt: true,
                        charges: (1.0, 2.0),
                        title: "acid-base",
                    };
                    let p = start.acid_salt(&salt, knowledge.arms_apart.0);
                    add(Rc::new(salt), p);
                }
            }
            Family::Precipitation => {
                if marks.len() == 1 {
                    for (exponents, title) in PRECIPITATES {
                        let sites = Sites {
                            groups: vec![Group { strong: true, sites: 0 }],
                            beyond: 0,
                            exponents,
                            ln_volume: knowledge.ln_volume,
                            arms_apart: None,
                            tied: None,
                            salt: false,
                            charges: (0.0, 0.0),
                            title,
                        };
                        let p = start.sites(&sites, knowledge.arms_apart.0);
                        add(Rc::new(sites), p);
                    }
                } else {
                    let halides = Halides { count: marks.len(), ln_volume: knowledge.ln_volume };
                    let p = start.halides(&halides);
                    add(Rc::new(halides), p);
                }
            }
            Family::Redox => {
                for (analyte, titrant, arm, analyte_splits) in COUPLES {
                    if analyte_splits && marks.len() > 1 {
                        continue;
                    }
                    let redox = Redox {
                        analytes: vec![analyte; marks.len()],
                        analyte_splits,
                        titrant,
                        arm,
                        most_before: 0.02 * frame.range(),
                        ln_volume: knowledge.ln_volume,
                    };
                    let p = start.redox(&redox);
                    add(Rc::new(redox), p);
                }
            }
            _ => {}
        }
    }
    all
}

/// The acid-base model again with an activity shift: neutral, positive and doubly negative first species.
pub(super) fn with_activity(sites: &Sites) -> Vec<Candidate> {
    [(1.0, 2.0), (-1.0, 2.0), (-3.0, 2.0)]
        .into_iter()
        .map(|charges| Candidate {
            model: Rc::new(Sites { charges, ..sites.clone() }),
            moving: Moving::Activity,
        })
        .collect()
}

/// Exponents of the arms of precipitates M_a X_b on an electrode for a singly or doubly charged ion.
const PRECIPITATES: [((f64, f64), &str); 4] = [
    ((1.0, 1.0), "precipitate 1:1"),
    ((2.0, 2.0), "precipitate 1:1, divalent ions"),
    ((1.0, 2.0), "precipitate 2:1"),
    ((2.0, 1.0), "precipitate 1:2"),
];

/// Electrons of analyte and titrant couples that titrations use, with the atoms of the titrant and whether the analyte splits.
const COUPLES: [(f64, f64, RightArm, bool); 9] = [
    (1.0, 1.0, RightArm::Equal, false),
    (1.0, 5.0, RightArm::Equal, false),
    (2.0, 1.0, RightArm::Equal, false),
    (2.0, 2.0, RightArm::Equal, false),
    (2.0, 5.0, RightArm::Equal, false),
    (1.0, 2.0, RightArm::Equal, false),
    (1.0, 6.0, RightArm::Splits, false),
    (2.0, 2.0, RightArm::Joins, false),
    (2.0, 5.0, RightArm::Equal, true),
];

/// Which sets of sites are tried for so many end-points.
fn acid_groups(ends: usize) -> Vec<(Vec<Group>, usize)> {
    let g = |strong: bool, sites: usize| Group { strong, sites };
    let rest = |first: Group| {
        let mut groups = vec![first];
        groups.resize(ends, g(false, 1));
        groups
    };
    let mut all = Vec::new();
    for first in [g(true, 0), g(false, 1), g(true, 1), g(false, 2)] {
        all.push((rest(first), 0));
        all.push((rest(first), 1));
    }
    if ends == 1 {
        all.push((vec![g(false, 3)], 0));
    } else {
        let mut double_last = rest(g(false, 1));
        if let Some(last) = double_last.last_mut() {
            last.sites = 2;
        }
        all.push((double_last, 0));
    }
    all
}

struct Start<'a> {
    frame: &'a Frame,
    marks: &'a [Mark],
    v0: f64,
}

impl Start<'_> {
    /// Titrant at the end of group `k`, 0 before the first.
    fn end(&self, k: usize) -> f64 {
        k.checked_sub(1).and_then(|j| self.marks.get(j)).map_or(0.0, |m| m.titrant)
    }

    /// z at a titrant, by straight interpolation.
    fn z_at(&self, titrant: f64) -> f64 {
        let v = &self.frame.titrant;
        let z = &self.frame.z;
        let i = v.partition_point(|x| *x < titrant).clamp(1, v.len() - 1);
        let gap = v[i] - v[i - 1];
        let part = if gap > 0.0 { ((titrant - v[i - 1]) / gap).clamp(0.0, 1.0) } else { 0.5 };
        z[i - 1] + part * (z[i] - z[i - 1])
    }

    /// Median of a figure over the points between two titrants; `fallback` if there are none.
    fn median(&self, low: f64, high: f64, fallback: f64, figure: impl Fn(f64, f64) -> f64) -> f64 {
        let mut all: Vec<f64> = self
            .frame
            .titrant
            .iter()
            .zip(&self.frame.z)
            .filter(|(v, _)| **v > low && **v < high)
            .map(|(v, z)| figure(*v, *z))
            .filter(|f| f.is_finite())
            .collect();
        if all.is_empty() {
            return fallback;
        }
        let middle = all.len() / 2;
        all.select_nth_unstable_by(middle, f64::total_cmp);
        all[middle]
    }

    /// Place of the right arm: ln(excess / (V0 + V)) = n (z - rho).
    fn rho(&self, n: f64) -> f64 {
        let end = self.end(self.marks.len());
        let last = self.frame.titrant.last().copied().unwrap_or(end);
        let fallback = self.frame.z.last().copied().unwrap_or(0.0) + 3.0;
        self.median(end + 0.05 * (last - end), f64::INFINITY, fallback, |v, z| {
            z - ((v - end) / (self.v0 + v)).ln() / n
        })
    }

    /// Place of a left arm that ends at group `k`: ln(remainder / (V0 + V)) = -m (z - lambda).
    fn lambda(&self, k: usize, m: f64) -> f64 {
        let (begin, end) = (self.end(k - 1), self.end(k));
        let size = end - begin;
        let fallback = self.marks[k - 1].z - 5.0;
        self.median(begin + 0.05 * size, end - 0.03 * size, fallback, |v, z| {
            z + ((end - v) / (self.v0 + v)).ln() / m
        })
    }

    fn sites(&self, model: &Sites, arms_apart: f64) -> Vec<f64> {
        let (n, m) = model.exponents;
        let ends = self.marks.len();
        let last_z = self.frame.z.last().copied().unwrap_or(0.0);
        let rho = if model.beyond > 0 { last_z.max(self.rho(n)) + 1.0 } else { self.rho(n) };
        let strong_first = model.groups[0] == Group { strong: true, sites: 0 };
        let lambda = if strong_first { self.lambda(1, m) } else { rho - arms_apart };
        let mut p = vec![self.v0.ln(), rho, lambda];
        let mut pairs = Vec::new();
        for (k, group) in model.groups.iter().enumerate() {
            let (begin, end) = (self.end(k), self.end(k + 1));
            let size = (end - begin).max(1e-3 * self.frame.range());
            let parts = (group.sites + usize::from(group.strong)) as f64;
            let mut done = 0.0;
            if group.strong {
                p.push(size / parts);
                done = 1.0;
            }
            for _ in 0..group.sites {
                let middle = begin + size * (done + 0.5) / parts;
                pairs.extend([size / parts, self.z_at(middle)]);
                done += 1.0;
            }
        }
        for _ in 0..model.beyond {
            let size = (self.end(ends) - self.end(ends - 1)).max(1e-3 * self.frame.range());
            pairs.extend([size, last_z + 0.5]);
        }
        p.extend(pairs);
        p
    }

    /// The same with equal sites: the last complete one says how much.
    fn one_acid(&self, model: &Sites, p: &[f64]) -> Vec<f64> {
        let mut p = p.to_vec();
        let strong = model.groups[0].strong;
        let first = 3 + usize::from(strong);
        let complete = model.number() - model.beyond;
        if complete == 0 {
            return p;
        }
        let amount = p[first + 2 * (complete - 1)];
        let mut whole = 0.0;
        for i in 0..model.number() {
            if i < complete {
                whole += p[first + 2 * i];
            }
            p[first + 2 * i] = amount;
        }
        if strong {
            p[3] += whole - amount * complete as f64;
        }
        p
    }

    /// An acid salt stands half-way between its constants before the first addition.
    fn acid_salt(&self, model: &Sites, arms_apart: f64) -> Vec<f64> {
        let mut p = self.sites(model, arms_apart);
        let end = self.end(1).max(1e-3 * self.frame.range());
        let last = self.z_at(0.5 * end);
        let first = 2.0 * self.z_at(0.0) - last;
        p.truncate(3);
        p.extend([-end, end, first.min(last - 1.0), end, last]);
        p
    }

    fn halides(&self, model: &Halides) -> Vec<f64> {
        let mut p = vec![self.v0.ln(), self.rho(1.0)];
        for k in 1..=model.count {
            p.extend([self.end(k) - self.end(k - 1), self.lambda(k, 1.0)]);
        }
        p
    }

    fn redox(&self, model: &Redox) -> Vec<f64> {
        let ends = self.marks.len();
        let end = self.end(ends);
        let last = self.frame.titrant.last().copied().unwrap_or(end);
        let fallback = self.frame.z.last().copied().unwrap_or(0.0) + 3.0;
        let rho = self.median(end + 0.05 * (last - end), f64::INFINITY, fallback, |v, z| {
            let r = (v - end) / (self.v0 + end);
            let y = match model.arm {
                RightArm::Equal => v / end - 1.0,
                RightArm::Splits => r * (1.0 + r),
                RightArm::Joins => r * r / (1.0 + r),
            };
            z - y.ln() / model.titrant
        });
        let first_half = self.z_at(self.end(1) / 2.0);
        let before = self.end(1) * (model.analytes[0] * (self.frame.z[0] - first_half)).exp();
        let mut p = vec![rho, before.min(0.02 * self.frame.range())];
        if model.arm != RightArm::Equal || model.analyte_splits {
            p.push(self.v0.ln());
        }
        for k in 1..=ends {
            let middle = f64::midpoint(self.end(k), self.end(k - 1));
            p.extend([self.end(k) - self.end(k - 1), self.z_at(middle)]);
        }
        p
    }
}
