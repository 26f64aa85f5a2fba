//! `--columns`: which column is what, where the heading does not say it in our words.

use super::heading;
use crate::reading::{Quantity, Titrant, Unit};

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    /// Titrant added.
    Titrant(Titrant),
    /// The signal.
    Signal(Quantity, Unit),
    /// Seconds since the start.
    Time,
    /// Temperature in degrees Celsius.
    Temperature,
}

/// Columns as told: role and the title or number of the column.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Columns {
    pub(super) told: Vec<(Role, String)>,
}

impl Columns {
    /// Reads entries such as `volume_mL=burette` or `signal_mV=3` (third column).
    ///
    /// # Errors
    /// Says which entry cannot be used and what it should look like.
    pub fn parse(entries: &[String]) -> Result<Self, String> {
        let mut told = Vec::new();
        for entry in entries {
            let (role, column) = entry.split_once('=').ok_or_else(|| {
                format!("--columns: \"{}\" has no =; write it as volume_mL=COLUMN", heading::shown(entry))
            })?;
            let role = heading::role(role.trim()).ok_or_else(|| {
                format!(
                    "--columns: \"{}\" is not known; left of the = stands volume_mL, mass_g, t_s, temperature_C or signal_ with one of {}",
                    heading::shown(role),
                    heading::signal_units()
                )
            })?;
            told.push((role, column.trim().to_owned()));
        }
        Ok(Self { told })
    }
}
