//! Models of titration curves that jump, each with the TITRANT as an explicit function of the SIGNAL.
//!
//! The signal enters as z, counted in units of the Nernst scale (RT/F, or 1/ln 10 in pH) in the direction in which it
//! rises with titrant: then one formula serves acids and bases, silver and halide electrodes.
//! R. de Levie, How to Use Excel in Analytical Chemistry, Cambridge University Press 2001, chapter 4: the progress of a
//! titration is an explicit function of the concentration that the electrode sees, so no root is searched.

mod bend;
pub(super) mod complexation;
mod halides;
mod polarised;
mod redox;
mod sites;

pub(super) use bend::Bend;
pub(super) use complexation::Complexation;
pub(super) use halides::Halides;
pub(super) use polarised::Polarised;
pub(super) use redox::{Redox, RightArm};
pub(super) use sites::{Group, Sites};

/// A linear combination of parameters that is known beforehand: sum of coefficient x parameter = mean +- sd.
#[derive(Debug, Clone)]
pub(super) struct Prior {
    /// (index of the parameter, coefficient).
    pub(super) terms: Vec<(usize, f64)>,
    /// Expected value.
    pub(super) mean: f64,
    /// Its standard deviation.
    pub(super) sd: f64,
}

impl Prior {
    /// One parameter is known.
    pub(super) fn on(index: usize, mean: f64, sd: f64) -> Self {
        Self { terms: vec![(index, 1.0)], mean, sd }
    }
}

/// What one parameter means to a chemist.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Meaning {
    /// A volume or mass of titrant.
    Titrant,
    /// Natural logarithm of the volume before the first addition.
    LnSampleVolume,
    /// A place on the z axis: half-neutralisation of a site.
    HalfPoint,
    /// A place on the z axis: formal potential of a couple.
    FormalPotential,
    /// A place on the z axis: an arm of the curve.
    Arm,
    /// ln of the slope of the electrode over the theoretical one.
    LnSlope,
    /// ln of the width of a joint, in titrant.
    LnWidth,
    /// Share of stray light.
    StrayLight,
    /// Nothing that is reported.
    Other,
}

/// Where a model has a signal.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    /// Titrant.
    pub(super) titrant: f64,
    /// Its derivative by z.
    pub(super) slope: f64,
    /// Its derivative by the activity shift.
    pub(super) by_shift: f64,
}

/// Titrant as an explicit function of the signal.
pub(super) trait Model {
    /// Name for people.
    fn name(&self) -> String;
    /// What each parameter means.
    fn meanings(&self) -> Vec<Meaning>;
    /// Titrant at z, where activity coefficients moved the concentrations by `shift` = -ln gamma of a singly charged
    /// ion against the middle of the run; the derivatives by the parameters go to `gradient`.
    /// `None` where the model has no titrant for that signal (beyond the titrant's own signal).
    fn titrant(&self, z: f64, shift: f64, p: &[f64], gradient: &mut [f64]) -> Option<Place>;
    /// Which parameters add up to each end-point.
    fn ends(&self) -> Vec<Vec<usize>>;
    /// The sites, if the model is one of acids and bases.
    fn sites(&self) -> Option<&Sites> {
        None
    }
    /// Parameters that priors tie to others so closely that they are none.
    fn tied(&self) -> usize {
        0
    }
    /// What is known beforehand.
    fn priors(&self) -> Vec<Prior>;
    /// Whether the fitted parameters make chemical sense.
    fn sensible(&self, p: &[f64], range: f64) -> bool;
}

/// exp with its argument held where squares stay finite.
fn exp(y: f64) -> f64 {
    y.clamp(-200.0, 200.0).exp()
}

/// 1 / (1 + exp(-y)).
fn logistic(y: f64) -> f64 {
    1.0 / (1.0 + exp(-y))
}
