//! The words of a procedure file.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What happens when a check is overdue.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum OverdueWord {
    /// The run carries a warning.
    #[default]
    Warn,
    /// A reason must be given; it is kept, and the run carries the warning.
    Reason,
    /// The run does not start.
    Refuse,
}

/// How an amount of titrant is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AmountWord {
    /// In mL.
    #[default]
    Volume,
    /// In g.
    Mass,
}

/// What reacts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(in crate::work::procedure) enum ReactionWord {
    /// An acid with a strong base.
    Acid,
    /// A base with a strong acid.
    Base,
    /// Anions with silver.
    Silver,
    /// A metal with a chelating agent, one to one.
    Complex,
    /// Two redox couples.
    Redox,
}

/// The solvent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(in crate::work::procedure) enum MediumWord {
    Water,
    Mixed,
    NonAqueous,
}

/// What becomes of a potential.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SignalWord {
    /// It is used as the instrument sends it.
    #[default]
    Sent,
    /// Millivolts become pH by the electrode's valid check.
    PhFromCheck,
}

/// How a value of a portion is measured; decides which equipment enters its uncertainty, and how often.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum HowWord {
    /// One reading of a tared balance.
    #[default]
    OneReading,
    /// Two weighings: with and without.
    ByDifference,
    /// The container is weighed again after the sample was taken from it.
    BackWeighed,
    /// A pipette.
    Pipette,
    /// A measuring flask.
    Flask,
    /// Typed from elsewhere; its uncertainty is not known unless typed too.
    Typed,
}

/// How an end-point shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ShapeWord {
    /// The signal jumps.
    Jump,
    /// Branches meet.
    Bend,
    /// A level is crossed.
    Level,
    /// The signal goes through an extreme.
    Peak,
    /// A person sees it.
    Seen,
    /// The instrument prints it.
    Printed,
}

/// Which blank is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BlankWord {
    /// None.
    None,
    /// The value in the procedure.
    Fixed,
    /// The mean of the blanks titrated in the same series.
    MeanOfSeries,
    /// The mean of the last blanks of this procedure.
    MeanOfLast,
    /// The latest blank of this procedure that is still good.
    LatestValid,
}

/// A distribution within an interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DistributionWord {
    /// Every value is as likely.
    Rectangular,
    /// Values near the middle are likelier.
    Triangular,
    /// Normal, the half width being two standard deviations.
    NormalK2,
}

impl DistributionWord {
    /// Standard uncertainty over half the width.
    #[must_use]
    pub fn divisor(self) -> f64 {
        match self {
            Self::Rectangular => 3.0_f64.sqrt(),
            Self::Triangular => 6.0_f64.sqrt(),
            Self::NormalK2 => 2.0,
        }
    }
}

/// What kind of line a constant makes in the budget.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum KindWord {
    /// Calibration of a volume.
    Volume,
    /// Calibration of a mass.
    Mass,
    /// Purity, a certified value.
    Purity,
    /// Repeatability of the whole procedure.
    Repeatability,
    /// Anything else.
    Other,
}

/// What happens to a half.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(in crate::work::procedure) enum HalfWord {
    /// Away from zero.
    #[default]
    HalfUp,
    /// To the even neighbour.
    HalfEven,
}

/// When a further portion may be added.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AddWhen {
    /// Never: no testing until it fits.
    #[default]
    Never,
    /// When the scatter is above its limit.
    Rsd,
    /// When a portion was set aside.
    SetAside,
    /// In both cases.
    Either,
}

/// Which value is compared with limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(in crate::work::procedure) enum CompareWord {
    /// The value as it is stated.
    #[default]
    Rounded,
    /// The value with all its digits.
    Full,
}

/// How a limit is applied.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(in crate::work::procedure) enum AcceptWord {
    /// The value itself must lie inside.
    #[default]
    Simple,
    /// The value must lie inside by more than its expanded uncertainty.
    GuardBand,
}

/// When a step is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WhenWord {
    /// Before the first portion.
    BeforeSeries,
    /// Before each portion.
    BeforePortion,
    /// After each portion.
    AfterPortion,
    /// After the last portion.
    AfterSeries,
}
