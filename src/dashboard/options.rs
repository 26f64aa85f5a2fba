//! What the caller tells the dashboard: how the terminal is, and what is in the record.

use super::Theme;
use super::palette::Palette;
use crate::reading::{Stamp, Titrant};
use crate::work::{Origin, RunId, RunPlan};
use std::sync::Arc;

/// How to show, and what to offer.
#[derive(Debug, Clone)]
pub struct Options {
    /// Colour and characters.
    pub theme: Theme,
    /// Whether the data are made up: SIMULATED stands on every page.
    pub simulated: bool,
    /// Zone in which times of day are shown.
    pub zone: jiff::tz::TimeZone,
    /// What the form for the next portion begins with when a lane has had no run yet.
    pub plan: RunPlan,
    /// Procedures to choose from; may be empty (the plan's own is used).
    pub procedures: Vec<Procedure>,
    /// Runs in the record, newest first.
    pub runs: Vec<StoredRun>,
    /// Whether alarms are told to the desktop, and how.
    pub notify: Notify,
    /// Whether the bell rings.
    pub bell: bool,
    /// Whether the mouse moves the cursor on the curve.
    pub mouse: bool,
    /// Reads profile files again when they are asked for.
    pub profiles: ProfileReader,
    /// The folder that files go to unless another is named.
    pub folder: String,
    /// Something to say at the beginning.
    pub notice: Option<String>,
    /// Answers what is asked of the record and of this place.
    pub desk: DeskHandle,
}

/// The desk of a dashboard.
#[derive(Clone)]
pub struct DeskHandle(pub Arc<dyn super::desk::Desk>);

impl std::fmt::Debug for DeskHandle {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("DeskHandle")
    }
}

/// Gives the text of a profile for its name or path; the error is in words.
pub type ReadProfile = dyn Fn(&str) -> Result<String, String> + Send + Sync;

/// Reads profile files again.
#[derive(Clone)]
pub struct ProfileReader(pub Arc<ReadProfile>);

impl std::fmt::Debug for ProfileReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("ProfileReader")
    }
}

/// How a terminal tells the desktop of an alarm, where it does so.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Notify {
    /// Not at all.
    #[default]
    Never,
    /// By the operating system command 9.
    Osc9,
    /// By the operating system command 777.
    Osc777,
}

/// A procedure as the form offers it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Procedure {
    /// Its title.
    pub title: String,
    /// Its text, which goes into the plan.
    pub text: String,
    /// Its cautions, shown before the start.
    pub cautions: Vec<String>,
}

/// A run in the record as the list shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredRun {
    /// Its number.
    pub run: RunId,
    /// When it began.
    pub at: Stamp,
    /// Title of its procedure.
    pub title: String,
    /// The sample.
    pub sample: String,
    /// Which portion, and of how many.
    pub portion: (u32, u32),
    /// Where its data came from.
    pub origin: Origin,
    /// How the titrant is measured.
    pub titrant: Titrant,
    /// End-points with their standard uncertainties, in mL or g.
    pub end_points: Vec<(f64, Option<f64>)>,
    /// What became of it.
    pub fate: RunFate,
}

/// What became of a stored run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RunFate {
    /// It goes on.
    GoesOn,
    /// It ended; why, in words.
    Ended(String),
    /// The recorder was interrupted.
    Interrupted,
    /// It was set aside; the reason.
    SetAside(String),
}

impl Options {
    /// Options for this terminal and this place, read from the environment and the system's zone.
    ///
    /// No colour with `NO_COLOR` (not empty) or a `dumb` terminal; ASCII where the locale is not UTF-8
    /// or the terminal is a plain console.
    #[must_use]
    pub fn from_environment() -> Self {
        let lookup = |name: &str| std::env::var(name).unwrap_or_default();
        Self { zone: jiff::tz::TimeZone::system(), ..Self::with_theme(Theme::from_variables(lookup)) }
    }

    /// Options for a terminal, with nothing in the record and times in UTC.
    #[must_use]
    pub fn with_theme(theme: Theme) -> Self {
        Self {
            theme,
            simulated: false,
            zone: jiff::tz::TimeZone::UTC,
            plan: RunPlan { portion: 1, portions: 1, ..RunPlan::default() },
            procedures: Vec::new(),
            runs: Vec::new(),
            notify: Notify::Never,
            bell: true,
            mouse: true,
            profiles: ProfileReader(Arc::new(|name| Err(format!("the profile {name} cannot be read here")))),
            folder: String::new(),
            notice: None,
            desk: DeskHandle(Arc::new(super::desk::NoDesk)),
        }
    }
}

impl Theme {
    /// What the terminal can show, by the variables of its environment.
    #[must_use]
    pub fn from_variables(lookup: impl Fn(&str) -> String) -> Self {
        let terminal = lookup("TERM");
        // The first of these that is set decides (POSIX.1-2017, chapter 8.2).
        let locale = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().map(&lookup).find(|value| !value.is_empty());
        let utf8 = locale.is_some_and(|value| {
            let value = value.to_ascii_lowercase();
            value.contains("utf-8") || value.contains("utf8")
        });
        Self {
            colour: lookup("NO_COLOR").is_empty() && terminal != "dumb",
            ascii: !utf8 || matches!(terminal.as_str(), "linux" | "dumb"),
            palette: Palette::DARK,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn theme(variables: &[(&str, &str)]) -> Theme {
        Theme::from_variables(|name| {
            variables
                .iter()
                .find(|(key, _)| *key == name)
                .map_or(String::new(), |(_, value)| (*value).to_owned())
        })
    }

    #[test]
    fn the_locale_decides_about_characters() {
        assert!(!theme(&[("LANG", "en_GB.UTF-8")]).ascii);
        assert!(!theme(&[("LANG", "C"), ("LC_CTYPE", "C.utf8")]).ascii);
        assert!(theme(&[("LC_ALL", "C"), ("LANG", "en_GB.UTF-8")]).ascii);
        assert!(theme(&[]).ascii);
        assert!(theme(&[("TERM", "linux"), ("LANG", "en_GB.UTF-8")]).ascii);
    }

    #[test]
    fn no_color_is_heard() {
        assert!(theme(&[("TERM", "xterm")]).colour);
        assert!(!theme(&[("NO_COLOR", "1")]).colour);
        assert!(theme(&[("NO_COLOR", "")]).colour);
        assert!(!theme(&[("TERM", "dumb")]).colour);
    }
}
