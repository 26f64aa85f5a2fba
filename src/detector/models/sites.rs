//! Acids, bases and simple precipitates in one formula.
//!
//! V = [A0 + sum A_i sigma(z - p_i) + V0 q] / (1 - q), q = exp(n (z - rho)) - exp(-m (z - lambda)).
//!
//! Charge balance of an acid with a strong base: Cb V + D (V0 + V) = V0 sum C_i alpha_i with D = \[H\] - \[OH\] = -Cb q and
//! A_i = V0 C_i / Cb: the titrant that the i-th site takes. A polyprotic acid is a sum of independent sites whose
//! constants are those of its polynomial. A precipitate M_a X_b is A0 alone with \[M\] and \[X\] in q and m = a n / b.

use super::{EachPlace, Meaning, Model, Place, Prior, exp};

/// What is titrated up to one end-point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::detector) struct Group {
    /// Whether a part without a constant of its own (strong acid, precipitate) belongs to it; first group only.
    pub(in crate::detector) strong: bool,
    /// Number of sites with a constant.
    pub(in crate::detector) sites: usize,
}

/// Strong part and sites, in groups that each end at an end-point.
#[derive(Debug, Clone)]
pub(in crate::detector) struct Sites {
    /// Groups in the order of the end-points.
    pub(in crate::detector) groups: Vec<Group>,
    /// Sites that are only partly titrated behind the last end-point.
    pub(in crate::detector) beyond: usize,
    /// Exponents of the right and the left arm.
    pub(in crate::detector) exponents: (f64, f64),
    /// Expected ln of the volume before the first addition, and its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
    /// Expected rho - lambda and its standard deviation (acid-base: ln(Cb^2 / Kw)), where known.
    pub(in crate::detector) arms_apart: Option<(f64, f64)>,
    /// Whether all sites belong to one acid, so that each takes the same titrant; to this standard deviation.
    pub(in crate::detector) tied: Option<f64>,
    /// Whether the acid comes as its salt: its first proton is gone before the start, so the strong part takes one site
    /// away (potassium hydrogen phthalate).
    pub(in crate::detector) salt: bool,
    /// How often the activity shift moves the first site, and by how much more each next one (charges).
    pub(in crate::detector) charges: (f64, f64),
    /// Name for people.
    pub(in crate::detector) title: &'static str,
}

/// Places of the fixed parameters.
const LN_V0: usize = 0;
const RHO: usize = 1;
const LAMBDA: usize = 2;
const FIRST: usize = 3;

impl Sites {
    fn strong(&self) -> bool {
        self.groups.first().is_some_and(|g| g.strong)
    }

    /// Number of sites, those beyond included.
    pub(in crate::detector) fn number(&self) -> usize {
        self.groups.iter().map(|g| g.sites).sum::<usize>() + self.beyond
    }

    /// Whether the jump stands behind the sites that are called partly titrated, so that they belong in front of it:
    /// all is titrated before `last_titrant`, and the curve is steeper there than at the last end-point.
    pub(in crate::detector) fn jump_is_behind_all(&self, p: &[f64], last_titrant: f64) -> bool {
        let pairs = self.pairs_from();
        let Some(first_beyond) =
            p.len().checked_sub(2 * self.beyond).filter(|i| self.beyond > 0 && *i >= pairs)
        else {
            return false;
        };
        let sum = |range: std::ops::Range<usize>| range.step_by(2).map(|i| p[i]).sum::<f64>();
        let strong = if self.strong() { p[FIRST] } else { 0.0 };
        let (end, all) = (strong + sum(pairs..first_beyond), strong + sum(pairs..p.len()));
        if all >= last_titrant {
            return false;
        }
        match (self.steepness(end, p), self.steepness(all, p)) {
            (Some(at_end), Some(at_all)) => at_all < at_end,
            _ => false,
        }
    }

    /// Titrant for one Nernst scale of signal at this titrant: small where the curve is steep.
    fn steepness(&self, titrant: f64, p: &[f64]) -> Option<f64> {
        let mut gradient = vec![0.0; p.len()];
        let (mut low, mut high) = (p[LAMBDA] - 30.0, p[RHO]);
        let mut slope = None;
        for _ in 0..60 {
            let z = f64::midpoint(low, high);
            match self.titrant(z, 0.0, p, &mut gradient) {
                Some(place) if place.titrant < titrant => {
                    low = z;
                    slope = Some(place.slope);
                }
                Some(place) => {
                    high = z;
                    slope = Some(place.slope);
                }
                None => high = z,
            }
        }
        slope.filter(|s| s.is_finite() && *s > 0.0)
    }

    /// Titrant at z, from the powers of e that the parameters stand for.
    fn place(&self, powers: &Powers, z: f64, shift: f64, p: &[f64], gradient: &mut [f64]) -> Option<Place> {
        let (n, m) = self.exponents;
        // One exponential for all; a second one only where something shifts the concentrations.
        let signal = exp(z);
        let moves = shift.abs() > 0.0;
        let moved = if moves { exp(shift) } else { 1.0 };
        let right = power(signal * moved, n) * powers.right;
        let left = powers.left * power(moved / signal, m);
        let q = right - left;
        let below = 1.0 - q;
        if below < 0.02 {
            return None;
        }
        let inverse = 1.0 / below;
        let mut above = powers.v0 * q;
        let (mut slope, mut by_shift) = (0.0, 0.0);
        let mut charge = self.charges.0;
        if self.strong() {
            above += p[FIRST];
            gradient[FIRST] = inverse;
        }
        let pairs = self.pairs_from();
        for (i, half) in (pairs..p.len()).step_by(2).zip(&powers.halves) {
            let at = if moves { signal * exp(charge * shift) } else { signal };
            let s = at / (at + half);
            let bell = p[i] * s * (1.0 - s);
            above += p[i] * s;
            slope += bell;
            by_shift += charge * bell;
            charge += self.charges.1;
            gradient[i] = s * inverse;
            gradient[i + 1] = -bell * inverse;
        }
        let v = above * inverse;
        let lever = (powers.v0 + v) * inverse;
        gradient[LN_V0] = powers.v0 * q * inverse;
        gradient[RHO] = -lever * n * right;
        gradient[LAMBDA] = -lever * m * left;
        Some(Place {
            titrant: v,
            slope: slope * inverse + lever * (n * right + m * left),
            by_shift: by_shift * inverse + lever * (n * right - m * left),
        })
    }

    /// Index of the first (amount, place) pair.
    fn pairs_from(&self) -> usize {
        FIRST + usize::from(self.strong())
    }
}

/// Powers of e for which the parameters stand.
struct Powers {
    v0: f64,
    /// exp(-n rho) and exp(m lambda).
    right: f64,
    left: f64,
    /// exp(p_i) of each site.
    halves: Vec<f64>,
}

impl Powers {
    fn of(model: &Sites, p: &[f64]) -> Self {
        let (n, m) = model.exponents;
        let halves = (model.pairs_from()..p.len()).step_by(2).map(|i| exp(p[i + 1])).collect();
        Self { v0: exp(p[LN_V0]), right: exp(-n * p[RHO]), left: exp(m * p[LAMBDA]), halves }
    }
}

/// A power of one or two, as the arms have them.
fn power(of: f64, exponent: f64) -> f64 {
    if exponent > 1.5 { of * of } else { of }
}

impl Model for Sites {
    fn name(&self) -> String {
        let groups: Vec<String> = self
            .groups
            .iter()
            .map(|g| match (g.strong, g.sites) {
                (true, 0) => "strong".to_owned(),
                (true, n) => format!("strong+{n}"),
                (false, n) => n.to_string(),
            })
            .collect();
        let beyond = if self.beyond > 0 { format!(", {} beyond", self.beyond) } else { String::new() };
        if self.salt {
            format!("{} (acid salt)", self.title)
        } else if self.number() == 0 {
            self.title.to_owned()
        } else {
            format!("{} ({}{beyond})", self.title, groups.join(" | "))
        }
    }

    fn meanings(&self) -> Vec<Meaning> {
        let mut all = vec![Meaning::LnSampleVolume, Meaning::Arm, Meaning::Arm];
        all.resize(self.pairs_from(), Meaning::Titrant);
        for _ in 0..self.number() {
            all.extend([Meaning::Titrant, Meaning::HalfPoint]);
        }
        all
    }

    fn titrant(&self, z: f64, shift: f64, p: &[f64], gradient: &mut [f64]) -> Option<Place> {
        self.place(&Powers::of(self, p), z, shift, p, gradient)
    }

    fn titrants(
        &self,
        z: &[f64],
        shift: &[f64],
        p: &[f64],
        gradient: &mut [f64],
        offset: usize,
        each: EachPlace<'_>,
    ) {
        let powers = Powers::of(self, p);
        for (i, z) in z.iter().enumerate() {
            let shift = shift.get(i).copied().unwrap_or(0.0);
            let place = self.place(&powers, *z, shift, p, &mut gradient[offset..]);
            each(i, place, gradient);
        }
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        let mut next = self.pairs_from();
        let mut so_far = if self.strong() { vec![FIRST] } else { Vec::new() };
        self.groups
            .iter()
            .map(|g| {
                for _ in 0..g.sites {
                    so_far.push(next);
                    next += 2;
                }
                so_far.clone()
            })
            .collect()
    }

    fn sites(&self) -> Option<&Self> {
        (self.number() > 0).then_some(self)
    }

    fn tied(&self) -> usize {
        if self.tied.is_some() { self.number().saturating_sub(1) + usize::from(self.salt) } else { 0 }
    }

    fn priors(&self) -> Vec<Prior> {
        let mut all = vec![Prior::on(LN_V0, self.ln_volume.0, self.ln_volume.1)];
        if let Some((mean, sd)) = self.arms_apart {
            all.push(Prior::sum(vec![(RHO, 1.0), (LAMBDA, -1.0)], mean, sd));
        }
        if let Some(sd) = self.tied {
            let first = self.pairs_from();
            for i in 1..self.number() {
                all.push(Prior::sum(vec![(first, 1.0), (first + 2 * i, -1.0)], 0.0, sd));
            }
            if self.salt {
                all.push(Prior::sum(vec![(FIRST, 1.0), (first, 1.0)], 0.0, sd));
            }
        }
        all
    }

    fn sensible(&self, p: &[f64], range: f64) -> bool {
        let pairs = self.pairs_from();
        let sites_positive =
            (pairs..p.len()).step_by(2).all(|i| p[i] > -0.002 * range && p[i] < 20.0 * range);
        // Below nothing where a part of the first site had reacted before the start: hydrogencarbonate beside carbonate.
        let strong_positive = !self.strong() || p[FIRST] > if self.number() > 0 { -2.0 * range } else { 0.0 };
        sites_positive && strong_positive
    }
}
