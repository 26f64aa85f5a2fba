//! How much of the scatter comes from the signal and how much from the titrant, found from what a fit leaves over.
//!
//! Two components of variance by their likelihood equations, sum of share_i (u_i^2 - 1) = 0 for each, solved by repeated
//! scaling (S. R. Searle, G. Casella, C. E. McCulloch, Variance Components, Wiley 1992, chapter 8). In the jump the
//! titrant rules, elsewhere the signal; where few points tell of the titrant, what was expected of it stands.

use super::robust::{TUKEY_SHARE, median_scale, tukey};

/// Noise may come out lower than its estimate, but not by more than this.
const LEAST_SIGNAL: f64 = 0.5;
/// The same for readings of the titrant, which may well be exact to far below their last digit,
const LEAST_TITRANT: f64 = 0.4;
/// and how much more they may scatter.
const MOST_TITRANT: f64 = 2.0;
/// What is expected of the titrant counts as much as so many points.
const EXPECTED: f64 = 10.0;

/// Both standard deviations over what was expected of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scatter {
    /// Of the signal.
    pub(super) signal: f64,
    /// Of the titrant.
    pub(super) titrant: f64,
}

/// What a fit left over.
#[derive(Debug, Clone, Copy)]
pub(super) struct LeftOver<'a> {
    /// Residuals over their standard deviation.
    pub(super) standardised: &'a [f64],
    /// The part of each variance that comes from the titrant.
    pub(super) of_titrant: &'a [f64],
    /// Number of parameters,
    pub(super) parameters: usize,
    /// and of end-points among them, on which points in the jumps are spent.
    pub(super) ends: usize,
}

impl Scatter {
    /// Before a fit: a start that throws little out.
    pub(super) const fn at_first() -> Self {
        Self { signal: 1.5, titrant: 1.0 }
    }

    /// The same with what was left over by a fit with this scatter; `rough` while the fit is far from its end.
    pub(super) fn renewed(self, left: &LeftOver, rough: bool) -> Self {
        let n = left.standardised.len() as f64;
        let freedom = (n / (n - left.parameters as f64).max(1.0)).min(4.0);
        let (mut signal, mut of_signal, mut titrant, mut of_titrant, mut weight) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (u, share) in left.standardised.iter().zip(left.of_titrant) {
            let w = tukey(*u);
            weight += w;
            of_signal += w * (1.0 - share);
            signal += w * (1.0 - share) * u * u;
            of_titrant += w * share;
            titrant += w * share * u * u;
        }
        if rough || weight <= 0.3 * n {
            let found = median_scale(left.standardised) * freedom.sqrt();
            return Self { signal: held(self.signal * found.clamp(0.2, 5.0)), ..self };
        }
        let found = (signal / of_signal.max(1e-6) / TUKEY_SHARE * freedom).sqrt();
        let spent = (left.ends as f64).max(left.parameters as f64 * of_titrant / n);
        let free = (of_titrant - spent).max(0.0);
        let square = (EXPECTED + self.titrant.powi(2) * titrant / TUKEY_SHARE) / (EXPECTED + free);
        Self {
            signal: held(self.signal * found.clamp(0.2, 5.0)),
            titrant: square.sqrt().clamp(LEAST_TITRANT, MOST_TITRANT),
        }
    }

    /// -2 ln of the density of what the titrant is expected to scatter, over that at what is expected.
    pub(super) fn cost(self) -> f64 {
        let square = self.titrant.powi(2);
        EXPECTED * (square.ln() + square.recip() - 1.0)
    }

    /// Whether another one is the same for all purposes.
    pub(super) fn is_near(self, other: Self) -> bool {
        (self.signal / other.signal - 1.0).abs() < 0.02 && (self.titrant / other.titrant - 1.0).abs() < 0.05
    }
}

fn held(signal: f64) -> f64 {
    signal.clamp(LEAST_SIGNAL, 1e4)
}
