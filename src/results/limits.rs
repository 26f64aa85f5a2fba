//! Limits of a result, and what is said about it.

use super::{Quantity, Unit};
use serde::{Deserialize, Serialize};

/// Which value is held against a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Compare {
    /// The value as it is told: the usual way of pharmacopoeias.
    #[default]
    Rounded,
    /// The full value.
    Full,
}

/// The rule of decision.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// The value alone decides (simple acceptance, JCGM 106:2012, 8.2).
    #[default]
    Simple,
    /// The value must be inside by at least its expanded uncertainty (guarded acceptance, JCGM 106:2012, 8.3.2).
    GuardBand,
}

/// Limits of a result; both ends belong to what is allowed.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Limits {
    /// Lowest value allowed.
    pub from: Option<Quantity>,
    /// Highest value allowed.
    pub to: Option<Quantity>,
    /// Which value is compared.
    pub compare: Compare,
    /// The rule of decision.
    pub decision: Decision,
}

/// What the limits say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Inside.
    Within,
    /// Below the lowest value allowed.
    Below,
    /// Above the highest value allowed.
    Above,
    /// Inside, but nearer to a limit than its uncertainty: by the guard band not shown to be inside.
    NotShown,
}

impl Verdict {
    /// Whether the result passes.
    #[must_use]
    pub const fn passes(self) -> bool {
        matches!(self, Self::Within)
    }

    /// The verdict in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Within => "within the limits",
            Self::Below => "below the limit",
            Self::Above => "above the limit",
            Self::NotShown => "not shown to be within the limits: nearer to one than its uncertainty",
        }
    }
}

/// Why limits cannot be used for a result.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BadLimits {
    /// A limit measures something else than the result.
    #[error("the limit {limit} cannot be compared with a result in {result}; give it in {result}")]
    Unit {
        /// The limit.
        limit: String,
        /// The unit of the result.
        result: String,
    },
    /// The lower limit is above the upper one.
    #[error("the limits leave nothing: from {from} to {to}; exchange them")]
    Empty {
        /// Lower limit.
        from: String,
        /// Upper limit.
        to: String,
    },
    /// A guard band without uncertainty.
    #[error(
        "the guard band needs the uncertainty of the result; enter its sources or decide by the value alone"
    )]
    NoUncertainty,
    /// The value is no number.
    #[error("the value {0} cannot be judged; check the values that enter the result")]
    Value(f64),
}

impl Limits {
    /// Holds a result against the limits: full and rounded value and expanded uncertainty, all in `unit`.
    ///
    /// # Errors
    /// When a limit has another dimension, the limits leave nothing, or what the rule needs is not there.
    pub fn judge(
        &self,
        full: f64,
        rounded: f64,
        expanded: Option<f64>,
        unit: &Unit,
    ) -> Result<Verdict, BadLimits> {
        let value = match self.compare {
            Compare::Rounded => rounded,
            Compare::Full => full,
        };
        if !value.is_finite() {
            return Err(BadLimits::Value(value));
        }
        let end = |limit: &Option<Quantity>| match limit {
            None => Ok(None),
            Some(limit) => limit
                .in_unit(unit)
                .map(Some)
                .ok_or_else(|| BadLimits::Unit { limit: limit.to_string(), result: unit.to_string() }),
        };
        let (from, to) = (end(&self.from)?, end(&self.to)?);
        if let (Some(from), Some(to), Some(low), Some(high)) = (from, to, &self.from, &self.to)
            && from > to
        {
            return Err(BadLimits::Empty { from: low.to_string(), to: high.to_string() });
        }
        // The limit itself is allowed, also when a change of unit has touched its last bit.
        let slack = |limit: f64| 1e-12 * limit.abs();
        if from.is_some_and(|from| value < from - slack(from)) {
            return Ok(Verdict::Below);
        }
        if to.is_some_and(|to| value > to + slack(to)) {
            return Ok(Verdict::Above);
        }
        if self.decision == Decision::GuardBand {
            let guard = expanded.filter(|u| u.is_finite() && *u >= 0.0).ok_or(BadLimits::NoUncertainty)?;
            let near = from.is_some_and(|from| value - guard < from - slack(from))
                || to.is_some_and(|to| value + guard > to + slack(to));
            if near {
                return Ok(Verdict::NotShown);
            }
        }
        Ok(Verdict::Within)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limits(compare: Compare, decision: Decision) -> Limits {
        let quantity = |text: &str| Some(text.parse().unwrap());
        Limits { from: quantity("3.9 g/100 g"), to: quantity("80 g/kg"), compare, decision }
    }

    #[test]
    fn rounded_and_full_values_can_differ_in_verdict() {
        let unit = Unit::parse("g/100 g").unwrap();
        let judge = |compare, full, rounded| {
            limits(compare, Decision::Simple).judge(full, rounded, None, &unit).unwrap()
        };
        assert_eq!(judge(Compare::Rounded, 3.896, 3.9), Verdict::Within);
        assert_eq!(judge(Compare::Full, 3.896, 3.9), Verdict::Below);
        assert_eq!(judge(Compare::Rounded, 8.04, 8.0), Verdict::Within);
        assert_eq!(judge(Compare::Full, 8.04, 8.0), Verdict::Above);
        assert!(Verdict::Within.passes() && !Verdict::NotShown.passes());
    }

    #[test]
    fn the_guard_band_wants_the_uncertainty_inside_too() {
        let unit = Unit::parse("g/100 g").unwrap();
        let guarded = limits(Compare::Full, Decision::GuardBand);
        let judge = |value, u| guarded.judge(value, value, u, &unit);
        assert_eq!(judge(4.0, Some(0.1)), Ok(Verdict::Within), "the edge of the band is inside");
        assert_eq!(judge(3.95, Some(0.1)), Ok(Verdict::NotShown));
        assert_eq!(judge(7.95, Some(0.1)), Ok(Verdict::NotShown));
        assert_eq!(judge(3.8, Some(0.1)), Ok(Verdict::Below));
        assert_eq!(judge(5.0, None), Err(BadLimits::NoUncertainty));
    }

    #[test]
    fn limits_that_cannot_be_are_told() {
        let grams = Unit::parse("g").unwrap();
        let error = limits(Compare::Full, Decision::Simple).judge(5.0, 5.0, None, &grams).unwrap_err();
        assert!(error.to_string().contains("give it in g"), "{error}");
        let turned = Limits {
            from: Some("2 g".parse().unwrap()),
            to: Some("1 g".parse().unwrap()),
            ..Limits::default()
        };
        assert!(matches!(turned.judge(1.5, 1.5, None, &grams), Err(BadLimits::Empty { .. })));
        assert!(matches!(Limits::default().judge(f64::NAN, 1.0, None, &grams), Ok(Verdict::Within)));
        assert!(matches!(Limits::default().judge(1.0, f64::NAN, None, &grams), Err(BadLimits::Value(_))));
    }
}
