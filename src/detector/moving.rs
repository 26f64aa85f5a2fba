//! What moves slowly along a run besides the titration itself.

use super::prior::Prior;

/// Relative standard deviation of the effect of diluted hydrogen ions.
const PROTONS_SPREAD: f64 = 0.4;

/// One thing that moves, with one parameter for its size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Moving {
    /// Nothing.
    Nothing,
    /// The electrode drifts in proportion to the titrant; standard deviation over the whole run in Nernst scales.
    Electrode(f64),
    /// Activity coefficients fall as the titrant brings salt; the size is that of 0.1 mol/L titrant.
    Activity,
    /// The titrant dilutes the hydrogen ions that its own couple consumes; the size is their number for each electron.
    Protons(f64),
}

impl Moving {
    /// Parameters that it needs.
    pub(super) fn count(self) -> usize {
        usize::from(self != Self::Nothing)
    }

    /// What is known of its size, as parameter `index`.
    pub(super) fn prior(self, index: usize) -> Option<Prior> {
        match self {
            Self::Nothing => None,
            Self::Electrode(sd) => Some(Prior::on(index, 0.0, sd)),
            Self::Activity => Some(Prior::on(index, 0.5, 0.6)),
            // The volume may not be known, the titrant may bring acid and the reaction consumes some.
            Self::Protons(expected) => Some(Prior::on(index, expected, PROTONS_SPREAD * expected)),
        }
    }

    /// Name of a model with it.
    pub(super) fn named(self, model: String) -> String {
        match self {
            Self::Nothing => model,
            Self::Electrode(_) => format!("{model}, drift"),
            Self::Activity => format!("{model}, activity"),
            Self::Protons(_) => format!("{model}, hydrogen ions diluted"),
        }
    }
}

/// How far each of these has come at a titrant of the run.
#[derive(Debug, Clone, Copy)]
pub(super) struct Along {
    /// Titrant of the first point, and from the first to the last.
    first: f64,
    range: f64,
    /// Volume before the first addition (mL), as far as it is known.
    volume_ml: f64,
    /// Mean over the points of what `salt` gives.
    mean_salt: f64,
}

impl Along {
    /// For the points of a run that starts with `volume_ml`.
    pub(super) fn of(titrant: &[f64], volume_ml: f64) -> Self {
        let first = titrant.first().copied().unwrap_or(0.0);
        let range = titrant.last().copied().unwrap_or(0.0) - first;
        let raw = Self { first, range, volume_ml, mean_salt: 0.0 };
        let mean_salt = titrant.iter().map(|v| raw.salt(*v)).sum::<f64>() / titrant.len().max(1) as f64;
        Self { mean_salt, ..raw }
    }

    /// Titrant as a share of the range, from -1/2 to 1/2.
    pub(super) fn share(&self, titrant: f64) -> f64 {
        (titrant - self.first) / self.range - 0.5
    }

    /// ln of the dilution by the titrant.
    pub(super) fn dilution(&self, titrant: f64) -> f64 {
        (titrant.max(0.0) / self.volume_ml).ln_1p()
    }

    /// -ln of the activity coefficient of a singly charged ion at 0.1 mol/L of titrant, against its mean over the run.
    ///
    /// C. W. Davies, Ion Association, Butterworths 1962, p. 41: lg gamma = -A (sqrt I / (1 + sqrt I) - 0.3 I), A = 0.509
    /// at 25 degrees Celsius.
    pub(super) fn salt(&self, titrant: f64) -> f64 {
        let titrant = titrant.max(0.0);
        let strength = (0.1 * titrant / (self.volume_ml + titrant)).max(1e-6);
        let root = strength.sqrt();
        0.509 * std::f64::consts::LN_10 * (root / (1.0 + root) - 0.3 * strength) - self.mean_salt
    }
}
