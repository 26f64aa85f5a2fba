//! What every fit ends with, and the average over fits that cannot be told apart.

use super::evaluation::{Residual, Tried};
use super::models::Model;
use super::moving::Moving;
use super::response::Response;
use nalgebra::DMatrix;
use std::rc::Rc;

/// The model behind a fit.
#[derive(Clone)]
pub(super) enum Drawn {
    /// It gives the titrant for a signal; the first parameter is ln of the slope, then what moves, then its own.
    Titrant(Rc<dyn Model>, Moving),
    /// It gives the signal for a titrant.
    Response(Rc<dyn Response>),
}

/// One fitted model.
#[derive(Clone)]
pub(super) struct Fitted {
    /// The model behind it.
    pub(super) drawn: Drawn,
    /// Name of the model.
    pub(super) name: String,
    /// The parameters.
    pub(super) p: Vec<f64>,
    /// Their covariance.
    pub(super) covariance: DMatrix<f64>,
    /// End-points with standard uncertainty.
    pub(super) ends: Vec<(f64, f64)>,
    /// -2 ln likelihood in the signal + priors + AICc penalty.
    pub(super) criterion: f64,
    /// Noise found over noise expected.
    pub(super) scale: f64,
    /// Titrant of the points that were fitted.
    pub(super) titrant: Vec<f64>,
    /// Residuals over their expected standard deviation.
    pub(super) standardised: Vec<f64>,
    /// Weights of the robust loss.
    pub(super) weights: Vec<f64>,
    /// Correlation of neighbouring residuals.
    pub(super) lag_one: f64,
    /// Standardised count of runs.
    pub(super) runs_z: f64,
    /// Why the fit may not be used, if it may not.
    pub(super) fault: Option<&'static str>,
}

/// Models within this many units of the criterion of the best are averaged.
const NEAR: f64 = 12.0;
/// An end-point that does not stand out is told if its relative uncertainty is below this.
const UNSEEN: f64 = 0.004;
/// Neighbouring readings of the titrant are rounded alike: this part of their uncertainty does not average out.
const ALIKE: f64 = 0.3;
/// A rival whose uncertainty is so many times that of the best says nothing about the end-point.
const BLUNT: f64 = 5.0;

impl Fitted {
    /// Its row in the table.
    pub(super) fn row(&self, best: f64, weight: f64) -> Tried {
        Tried {
            model: self.name.clone(),
            parameters: self.p.len(),
            delta_aicc: self.criterion - best,
            weight,
            end_points: self.ends.clone(),
            misfit: self.scale,
            lag_one: self.lag_one,
            runs_z: self.runs_z,
            set_aside: self.fault.unwrap_or("").to_owned(),
        }
    }

    /// An end-point that only the model knows, where it is sharp enough to be told.
    pub(super) fn unseen(&self) -> Option<(f64, f64)> {
        let Drawn::Response(response) = &self.drawn else { return None };
        let i = response.unseen()?;
        let (v, u) = (self.p[i], (self.covariance[(i, i)].max(0.0) * self.inflation()).sqrt());
        (v > 0.0 && u < UNSEEN * v).then_some((v, u))
    }

    /// Its residuals for the picture.
    pub(super) fn residuals(&self) -> Vec<Residual> {
        self.titrant
            .iter()
            .zip(self.standardised.iter().zip(&self.weights))
            .map(|(v, (u, w))| Residual { titrant: *v, standardised: *u, weight: *w })
            .collect()
    }

    /// Variance factor for residuals that hang together: a first-order chain of correlation r carries
    /// (1 - r) / (1 + r) of the information of independent ones.
    fn inflation(&self) -> f64 {
        let r = self.lag_one.clamp(0.0, 0.8);
        if r > 0.1 { (1.0 + r) / (1.0 - r) } else { 1.0 }
    }
}

/// Whether the residuals of a fit look like the noise of the signal.
pub(super) fn plain_enough(fit: &Fitted) -> bool {
    fit.scale < 1.1 && fit.lag_one < 0.1 && fit.runs_z > -1.5
}

/// Whether they look like noise of about the expected size.
pub(super) fn well_explained(fit: &Fitted) -> bool {
    fit.scale < 1.4 && fit.lag_one < 0.25 && fit.runs_z > -2.5
}

/// End-points averaged over the usable fits by their Akaike weights, with the spread between models in the uncertainty.
///
/// Sorts `fits`, usable ones first and best first. `None` if none is usable; else end-points and the whole table.
/// Source of the weights: K. P. Burnham, D. R. Anderson, Model Selection and Multimodel Inference, 2nd ed. (2002), 4.2.
pub(super) fn average(fits: &mut [Fitted], u_titrant: f64) -> (Option<Vec<(f64, f64)>>, Vec<Tried>) {
    fits.sort_by(|a, b| a.fault.is_some().cmp(&b.fault.is_some()).then(a.criterion.total_cmp(&b.criterion)));
    let Some(first) = fits.first() else { return (None, Vec::new()) };
    let best = first.criterion;
    if first.fault.is_some() {
        return (None, fits.iter().map(|f| f.row(best, 0.0)).collect());
    }
    let weights: Vec<f64> = fits
        .iter()
        .map(|f| {
            let behind = f.criterion - best;
            let blunt = f.ends.iter().zip(&first.ends).any(|(a, b)| a.1 > BLUNT * b.1);
            if f.fault.is_some() || f.ends.len() != first.ends.len() || behind > NEAR || blunt {
                0.0
            } else {
                (-0.5 * behind).exp()
            }
        })
        .collect();
    let total: f64 = weights.iter().sum();
    let ends = (0..first.ends.len())
        .map(|k| {
            let mean =
                fits.iter().zip(&weights).map(|(f, w)| w * f.ends.get(k).map_or(0.0, |e| e.0)).sum::<f64>()
                    / total;
            let variance = fits
                .iter()
                .zip(&weights)
                .filter(|(_, w)| **w > 0.0)
                .map(|(f, w)| w * (f.ends[k].1.powi(2) * f.inflation() + (f.ends[k].0 - mean).powi(2)))
                .sum::<f64>()
                / total;
            (mean, variance.sqrt().hypot(ALIKE * u_titrant))
        })
        .collect();
    let rows = fits.iter().zip(&weights).map(|(f, w)| f.row(best, w / total)).collect();
    (Some(ends), rows)
}
