//! A model that gives the titrant for a signal, turned round: the signal for a titrant, for electrodes that lag.

use super::fit::Candidate;
use super::frame::Frame;
use super::models::{Meaning, Model, Place, Prior};
use super::moving::{Along, Moving};
use super::response::Response;
use std::cell::Cell;
use std::rc::Rc;

/// Turns a model round by a safeguarded Newton search that starts from the last answer.
///
/// Parameters: ln of the electrode's slope, the size of what moves along the run, those of the model.
pub(super) struct Turned {
    model: Rc<dyn Model>,
    moving: Moving,
    along: Along,
    parameters: usize,
    ln_slope: (f64, f64),
    range: f64,
    /// z between which the answer lies.
    bracket: (f64, f64),
    last: Cell<f64>,
}

impl Turned {
    /// A candidate of the plain fits, for the signals of a frame.
    pub(super) fn new(candidate: &Candidate, frame: &Frame) -> Self {
        let low = frame.z.iter().copied().fold(f64::INFINITY, f64::min);
        let high = frame.z.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Self {
            model: Rc::clone(&candidate.model),
            moving: candidate.moving,
            along: frame.along,
            parameters: candidate.model.meanings().len(),
            ln_slope: frame.ln_slope,
            range: frame.range(),
            bracket: (low - 10.0, high + 10.0),
            last: Cell::new(f64::midpoint(low, high)),
        }
    }

    /// Parameters in front of those of the model.
    fn offset(&self) -> usize {
        1 + self.moving.count()
    }

    /// How far what shifts the concentrations has come.
    fn shifted(&self, titrant: f64) -> f64 {
        match self.moving {
            Moving::Nothing | Moving::Electrode(_) => 0.0,
            Moving::Activity => self.along.salt(titrant),
            Moving::Protons(_) => self.along.dilution(titrant),
        }
    }

    /// z at which the model has this titrant, and the slopes there; beyond the bracket its end.
    fn search(&self, titrant: f64, shift: f64, p: &[f64], gradient: &mut [f64]) -> Option<(f64, Place)> {
        let (mut low, mut high) = self.bracket;
        let mut z = self.last.get().clamp(low, high);
        let mut found = None;
        for _ in 0..80 {
            match self.model.titrant(z, shift, p, gradient) {
                Some(place) => {
                    let b = place.slope;
                    let off = place.titrant - titrant;
                    if off > 0.0 {
                        high = z;
                    } else {
                        low = z;
                    }
                    found = Some(place);
                    let step = if b > 0.0 { off / b } else { f64::INFINITY };
                    if step.abs() < 1e-7 || high - low < 1e-9 {
                        break;
                    }
                    let next = z - step.clamp(-2.0, 2.0);
                    z = if next > low && next < high { next } else { f64::midpoint(low, high) };
                }
                // Beyond the titrant's own signal: too high.
                None => {
                    high = z;
                    z = f64::midpoint(low, high);
                }
            }
        }
        self.last.set(z);
        found.filter(|place| place.slope > 0.0).map(|place| (z, place))
    }
}

impl Response for Turned {
    fn name(&self) -> String {
        format!("{}, electrode with a lag", self.moving.named(self.model.name()))
    }

    fn len(&self) -> usize {
        self.offset() + self.parameters
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        if p[0].abs() > 1.5 {
            return None;
        }
        let offset = self.offset();
        let shifted = self.shifted(titrant);
        let size = if offset > 1 { p[1] } else { 0.0 };
        let (z, place) = self.search(titrant, size * shifted, &p[offset..], &mut gradient[offset..])?;
        let stretch = p[0].exp();
        // A floor under the slope keeps a derivative at a kink finite.
        let slope = place.slope.max(1e-9 * self.range);
        for g in &mut gradient[offset..] {
            *g *= -stretch / slope;
        }
        gradient[0] = z * stretch;
        let mut signal = z * stretch;
        if let Moving::Electrode(_) = self.moving {
            gradient[1] = self.along.share(titrant);
            signal += size * gradient[1];
        } else if offset > 1 {
            gradient[1] = -stretch * place.by_shift * shifted / slope;
        }
        Some(signal)
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        self.model.ends().iter().map(|parts| parts.iter().map(|i| i + self.offset()).collect()).collect()
    }

    fn meanings(&self) -> Vec<Meaning> {
        let mut all = vec![Meaning::LnSlope];
        all.extend(std::iter::repeat_n(Meaning::Other, self.moving.count()));
        all.extend(self.model.meanings());
        all
    }

    fn priors(&self) -> Vec<Prior> {
        let mut all = vec![Prior::as_a_rule(0, self.ln_slope.0, self.ln_slope.1)];
        all.extend(self.moving.prior(1));
        all.extend(self.model.priors().into_iter().map(|prior| prior.behind(self.offset())));
        all
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        if p[0].abs() > 0.35 {
            Some("slope of the electrode without sense")
        } else if self.model.sensible(&p[self.offset()..], self.range) {
            None
        } else {
            Some("amounts without sense")
        }
    }
}
