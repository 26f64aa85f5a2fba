//! A model that gives the titrant for a signal, turned round: the signal for a titrant, for electrodes that lag.

use super::models::{Meaning, Model, Prior};
use super::response::Response;
use std::cell::Cell;
use std::rc::Rc;

/// Turns a model round by a safeguarded Newton search that starts from the last answer.
pub(super) struct Turned {
    model: Rc<dyn Model>,
    parameters: usize,
    ln_slope: (f64, f64),
    range: f64,
    /// z between which the answer lies.
    bracket: (f64, f64),
    last: Cell<f64>,
}

impl Turned {
    /// A model for a signal between two z.
    pub(super) fn new(model: Rc<dyn Model>, ln_slope: (f64, f64), range: f64, ends: (f64, f64)) -> Self {
        let bracket = (ends.0 - 10.0, ends.1 + 10.0);
        let parameters = model.meanings().len();
        Self { model, parameters, ln_slope, range, bracket, last: Cell::new(f64::midpoint(ends.0, ends.1)) }
    }

    /// z at which the model has this titrant; beyond the bracket its end.
    fn search(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<(f64, f64)> {
        let (mut low, mut high) = self.bracket;
        let mut z = self.last.get().clamp(low, high);
        let mut slope = 0.0;
        for _ in 0..80 {
            match self.model.titrant(z, 0.0, p, gradient) {
                Some(place) => {
                    let b = place.slope;
                    slope = b;
                    let off = place.titrant - titrant;
                    if off > 0.0 {
                        high = z;
                    } else {
                        low = z;
                    }
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
        (slope > 0.0).then_some((z, slope))
    }
}

impl Response for Turned {
    fn name(&self) -> String {
        format!("{}, electrode with a lag", self.model.name())
    }

    fn len(&self) -> usize {
        1 + self.parameters
    }

    fn signal(&self, titrant: f64, p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        if p[0].abs() > 1.5 {
            return None;
        }
        let (z, slope) = self.search(titrant, &p[1..], &mut gradient[1..])?;
        let stretch = p[0].exp();
        // A floor under the slope keeps a derivative at a kink finite.
        let slope = slope.max(1e-9 * self.range);
        for g in &mut gradient[1..] {
            *g *= -stretch / slope;
        }
        gradient[0] = z * stretch;
        Some(z * stretch)
    }

    fn ends(&self) -> Vec<Vec<usize>> {
        self.model.ends().iter().map(|parts| parts.iter().map(|i| i + 1).collect()).collect()
    }

    fn meanings(&self) -> Vec<Meaning> {
        let mut all = vec![Meaning::LnSlope];
        all.extend(self.model.meanings());
        all
    }

    fn priors(&self) -> Vec<Prior> {
        let mut all = vec![Prior::on(0, self.ln_slope.0, self.ln_slope.1)];
        all.extend(self.model.priors().into_iter().map(|prior| prior.behind(1)));
        all
    }

    fn fault(&self, p: &[f64]) -> Option<&'static str> {
        if p[0].abs() > 0.35 {
            Some("slope of the electrode without sense")
        } else if self.model.sensible(&p[1..], self.range) {
            None
        } else {
            Some("amounts without sense")
        }
    }
}
