//! The heading of a curve file: which column is what.

use super::columns::{Columns, Role};
use crate::reading::{CurveHead, Quantity, Titrant, Unit};

/// Units of `signal_UNIT`, as written in headings, with the quantity they stand for.
const SIGNALS: &[(&str, Quantity, Unit)] = &[
    ("pH", Quantity::Ph, Unit::Ph),
    ("mV", Quantity::Emf, Unit::Millivolt),
    ("V", Quantity::Emf, Unit::Volt),
    ("uS_cm", Quantity::Conductance, Unit::MicrosiemensPerCm),
    ("mS_cm", Quantity::Conductance, Unit::MillisiemensPerCm),
    ("A", Quantity::Absorbance, Unit::Absorbance),
    ("uA", Quantity::Current, Unit::Microampere),
];

/// Plain names of signals that may stand before a unit, or alone where the unit goes without saying.
const NAMES: &[(&str, Quantity)] = &[
    ("ph", Quantity::Ph),
    ("emf", Quantity::Emf),
    ("e", Quantity::Emf),
    ("potential", Quantity::Emf),
    ("voltage", Quantity::Voltage),
    ("conductance", Quantity::Conductance),
    ("conductivity", Quantity::Conductance),
    ("absorbance", Quantity::Absorbance),
    ("transmittance", Quantity::Transmittance),
    ("current", Quantity::Current),
];

/// The places of the columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Places {
    pub(super) head: CurveHead,
    pub(super) titrant: usize,
    pub(super) signal: usize,
    pub(super) time: Option<usize>,
    pub(super) temperature: Option<usize>,
}

impl Places {
    /// Finds the columns by what was told and, for the rest, by their titles.
    pub(super) fn find(titles: &[String], columns: &Columns) -> Result<Self, String> {
        let mut roles: Vec<Option<Role>> = vec![None; titles.len()];
        let mut told = [false; 4];
        for (role, column) in &columns.told {
            let at = titles
                .iter()
                .position(|t| t == column)
                .or_else(|| {
                    column.parse::<usize>().ok().filter(|n| (1..=titles.len()).contains(n)).map(|n| n - 1)
                })
                .ok_or_else(|| {
                    format!(
                        "--columns names a column \"{}\" that the file does not have; it has {}",
                        shown(column),
                        list(titles.iter())
                    )
                })?;
            roles[at] = Some(*role);
            told[kind(*role)] = true;
        }
        for (place, title) in roles.iter_mut().zip(titles) {
            if place.is_none()
                && let Some(role) = role(title)
                && !told[kind(role)]
            {
                *place = Some(role);
            }
        }
        let only = |wanted: usize, what: &str| -> Result<usize, String> {
            let found: Vec<usize> =
                (0..roles.len()).filter(|i| roles[*i].is_some_and(|r| kind(r) == wanted)).collect();
            match found.as_slice() {
                [one] => Ok(*one),
                [] => Err(format!("no column is known to hold the {what}. {}", how_to(titles))),
                many => Err(format!(
                    "more than one column could be the {what}: {}. {}",
                    list(many.iter().map(|i| &titles[*i])),
                    how_to(titles)
                )),
            }
        };
        let titrant = only(0, "titrant")?;
        let signal = only(1, "signal")?;
        let (Some(Role::Titrant(by)), Some(Role::Signal(quantity, unit))) = (roles[titrant], roles[signal])
        else {
            return Err(how_to(titles));
        };
        let place = |wanted: usize| roles.iter().position(|r| r.is_some_and(|r| kind(r) == wanted));
        Ok(Self {
            head: CurveHead { titrant: by, signal: Some((quantity, unit)) },
            titrant,
            signal,
            time: place(2),
            temperature: place(3),
        })
    }
}

const fn kind(role: Role) -> usize {
    match role {
        Role::Titrant(_) => 0,
        Role::Signal(..) => 1,
        Role::Time => 2,
        Role::Temperature => 3,
    }
}

fn how_to(titles: &[String]) -> String {
    format!(
        "The heading says {}; it should have volume_mL or mass_g and one of {}. Name the columns with --columns, for example --columns volume_mL=COLUMN,signal_mV=COLUMN (a title of the heading, or its number from 1)",
        list(titles.iter()),
        signal_units()
    )
}

/// `signal_pH, signal_mV, ...` as listed in messages.
pub(super) fn signal_units() -> String {
    SIGNALS.iter().map(|(unit, ..)| format!("signal_{unit}")).collect::<Vec<_>>().join(", ")
}

/// What a title of ours means.
pub(super) fn role(title: &str) -> Option<Role> {
    let lower = title.to_ascii_lowercase();
    match lower.as_str() {
        "volume_ml" => return Some(Role::Titrant(Titrant::Volume)),
        "mass_g" => return Some(Role::Titrant(Titrant::Mass)),
        "t_s" | "time_s" => return Some(Role::Time),
        "temperature_c" | "temperature_degc" => return Some(Role::Temperature),
        _ => {}
    }
    if let Some((name, unit)) = title.split_once('_') {
        let known = SIGNALS.iter().find(|(symbol, ..)| *symbol == unit).copied();
        if name.eq_ignore_ascii_case("signal") {
            return known.map(|(_, quantity, unit)| Role::Signal(quantity, unit));
        }
        let quantity = named(name)?;
        return known
            .filter(|(.., unit)| unit.quantities().contains(&quantity))
            .map(|(.., unit)| Role::Signal(quantity, unit))
            .or_else(|| {
                let unit = Unit::parse(&unit.replace("_cm", "/cm"))?;
                unit.quantities().contains(&quantity).then_some(Role::Signal(quantity, unit))
            });
    }
    let quantity = named(title).filter(|q| {
        // A potential or a current without a unit could be anything.
        matches!(q, Quantity::Ph | Quantity::Absorbance)
    })?;
    Some(Role::Signal(quantity, quantity.canonical_unit()))
}

fn named(name: &str) -> Option<Quantity> {
    let lower = name.to_ascii_lowercase();
    NAMES.iter().find(|(known, _)| *known == lower).map(|(_, quantity)| *quantity)
}

/// The sign between the cells, by the first line: a comma unless only the other signs occur.
pub(super) fn delimiter(start: &[u8]) -> u8 {
    let first = start.split(|b| *b == b'\n').find(|l| !l.is_empty() && l[0] != b'#').unwrap_or(&[]);
    let has = |sign: u8| first.contains(&sign);
    if has(b';') {
        b';'
    } else if has(b'\t') && !has(b',') {
        b'\t'
    } else {
        b','
    }
}

/// A title as text, without the mark that some programs put before UTF-8.
pub(super) fn title(bytes: &[u8]) -> String {
    shown(String::from_utf8_lossy(bytes).trim_start_matches('\u{feff}'))
}

/// Text from a file for a message: no control characters, no more than 40 characters.
pub(super) fn shown(text: &str) -> String {
    let mut short: String =
        text.chars().take(40).map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect();
    if text.chars().nth(40).is_some() {
        short.push_str("...");
    }
    short
}

fn list<'a>(titles: impl Iterator<Item = &'a String>) -> String {
    titles.take(12).map(|t| format!("\"{t}\"")).collect::<Vec<_>>().join(", ")
}
