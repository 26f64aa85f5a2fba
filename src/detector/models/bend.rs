//! Straight branches that meet, rounded by an equilibrium, diluted by the titrant.
//!
//! x (V0 + V) / V0 = a + b d + sum c_k J_k with d = V - V_1 and the joint
//! J = [(d_k - h) + sqrt((d_k + h)^2 + 4 w^2)] / 2, d_k = V - V_k, h = w^2 / V_k: the excess of one partner of a 1:1
//! equilibrium, exactly (a plain hyperbola has its centre low by h). Squares allow for branches that are not straight
//! (ionic strength). Absorbance is seen through stray light f: x = -lg[(1 - f) 10^-A + f].

use super::{Meaning, Prior, exp};
use crate::detector::response::Response;
use std::f64::consts::LN_10;

/// Branches with `count` joints.
#[derive(Debug, Clone)]
pub(in crate::detector) struct Bend {
    /// Number of joints.
    pub(in crate::detector) count: usize,
    /// Square on the first branch.
    pub(in crate::detector) curved_before: bool,
    /// Square on the last branch.
    pub(in crate::detector) curved_behind: bool,
    /// Stray light in front of an absorbance.
    pub(in crate::detector) stray: bool,
    /// ln of the volume before the first addition, with its standard deviation.
    pub(in crate::detector) ln_volume: (f64, f64),
    /// ln of the width of a joint: expected, with its standard deviation.
    pub(in crate::detector) ln_width: (f64, f64),
}

impl Bend {
    /// Index of the constant part.
    pub(in crate::detector) fn constant(&self) -> usize {
        2 * self.count
    }

    /// Index of the first change of slope.
    pub(in crate::detector) fn changes(&self) -> usize {
        2 * self.count + 2
    }

    fn squares(&self) -> usize {
        3 * self.count + 2
    }

    fn volume(&self) -> usize {
        self.squares() + usize::from(self.curved_before) + usize::from(self.curved_behind)
    }
}

impl Response for Bend {
    fn name(&self) -> String {
        let mut name = if self.count == 1 { "bend".to_owned() } else { format!("{} bends", self.count) };
        if self.curved_before {
            name.push_str(", curved before");
        }
        if self.curved_behind {
            name.push_str(", curved behind");
        }
        if self.stray {
            name.push_str(", stray light");
        }
        name
    }

    fn len(&self) -> usize {
        self.volume() + 1 + usize::from(self.stray)
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        gradient.fill(0.0);
        let at = self.constant();
        let d = titrant - p[0];
        let mut y = p[at] + p[at + 1] * d;
        gradient[at] = 1.0;
        gradient[at + 1] = d;
        gradient[0] = -p[at + 1];
        let mut last = (0.0, 0.0, 0.0);
        for k in 0..self.count {
            let (joint, by_place, by_width) = excess(titrant, p[2 * k], exp(p[2 * k + 1]));
            let change = p[self.changes() + k];
            y += change * joint;
            gradient[self.changes() + k] = joint;
            gradient[2 * k] += change * by_place;
            gradient[2 * k + 1] += change * by_width;
            last = (joint, by_place, by_width);
        }
        let mut next = self.squares();
        if self.curved_before {
            let (joint, by_place, by_width) = excess(titrant, p[0], exp(p[1]));
            let rest = d - joint;
            y += p[next] * rest * rest;
            gradient[next] = rest * rest;
            gradient[0] += 2.0 * p[next] * rest * (-1.0 - by_place);
            gradient[1] += -2.0 * p[next] * rest * by_width;
            next += 1;
        }
        if self.curved_behind {
            let k = 2 * (self.count - 1);
            y += p[next] * last.0 * last.0;
            gradient[next] = last.0 * last.0;
            gradient[k] += 2.0 * p[next] * last.0 * last.1;
            gradient[k + 1] += 2.0 * p[next] * last.0 * last.2;
        }
        let v0 = exp(p[self.volume()]);
        let dilution = v0 / (v0 + titrant);
        for g in gradient.iter_mut() {
            *g *= dilution;
        }
        gradient[self.volume()] = y * dilution * titrant / (v0 + titrant);
        y *= dilution;
        if self.stray {
            let f = p[self.volume() + 1];
            let light = exp(-y * LN_10);
            let seen = (1.0 - f) * light + f;
            if seen <= 1e-12 {
                return None;
            }
            for g in gradient.iter_mut() {
                *g *= (1.0 - f) * light / seen;
            }
            gradient[self.volume() + 1] = -(1.0 - light) / (seen * LN_10);
            y = -seen.log10();
        }
        y.is_finite().then_some(y)
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        (0..self.count).map(|k| vec![2 * k]).collect()
    }

    fn meanings(&self) -> Vec<Meaning> {
        let mut all = vec![Meaning::Other; self.len()];
        for k in 0..self.count {
            all[2 * k] = Meaning::Titrant;
            all[2 * k + 1] = Meaning::LnWidth;
        }
        all[self.volume()] = Meaning::LnSampleVolume;
        if self.stray {
            all[self.volume() + 1] = Meaning::StrayLight;
        }
        all
    }

    fn priors(&self) -> Vec<Prior> {
        let mut all = vec![Prior::on(self.volume(), self.ln_volume.0, self.ln_volume.1)];
        for k in 0..self.count {
            all.push(Prior::on(2 * k + 1, self.ln_width.0, self.ln_width.1));
        }
        if self.stray {
            all.push(Prior::on(self.volume() + 1, 0.0, 0.01));
        }
        all
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        if (0..self.count).any(|k| p[2 * k] <= 0.0) {
            Some("joint before the first addition")
        } else if (1..self.count).any(|k| p[2 * k] <= p[2 * k - 2]) {
            Some("joints out of order")
        } else {
            None
        }
    }
}

/// The joint J at a titrant, and its derivatives by the place and by the ln of the width.
pub(super) fn excess(titrant: f64, place: f64, width: f64) -> (f64, f64, f64) {
    let d = titrant - place;
    // Near or below zero the exact centre has no meaning: the plain hyperbola serves.
    let usable = place > 2.0 * width;
    let h = if usable { width * width / place } else { 0.0 };
    let root = ((d + h).powi(2) + 4.0 * width * width).sqrt().max(1e-300);
    let joint = f64::midpoint(d - h, root);
    let dh = if usable { -h / place } else { 0.0 };
    let by_place = f64::midpoint(-1.0 - dh, (d + h) * (dh - 1.0) / root);
    let by_width = f64::midpoint(-2.0 * h, ((d + h) * 2.0 * h + 4.0 * width * width) / root);
    (joint, by_place, by_width)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn derivatives_are_those_of_the_formula() {
        let bend = Bend {
            count: 2,
            curved_before: true,
            curved_behind: true,
            stray: true,
            ln_volume: (4.0, 0.5),
            ln_width: (-2.0, 1.0),
        };
        let p = [3.0, -1.0, 7.0, -0.5, 0.3, 0.05, -0.04, 0.08, 0.001, -0.002, 4.0, 0.004];
        assert_eq!(p.len(), bend.len());
        let mut gradient = vec![0.0; p.len()];
        let mut scrap = vec![0.0; p.len()];
        for v in [0.5, 2.9, 5.0, 7.1, 11.0] {
            bend.signal(v, &p, &mut gradient).unwrap();
            for i in 0..p.len() {
                let h = 1e-6 * p[i].abs().max(1e-2);
                let (mut up, mut down) = (p, p);
                up[i] += h;
                down[i] -= h;
                let slope = (bend.signal(v, &up, &mut scrap).unwrap()
                    - bend.signal(v, &down, &mut scrap).unwrap())
                    / (2.0 * h);
                assert!(
                    (slope - gradient[i]).abs() < 1e-6 * (1.0 + slope.abs()),
                    "{v} {i} {slope} {}",
                    gradient[i]
                );
            }
        }
    }
}
