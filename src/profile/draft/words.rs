//! Words that name a quantity or a unit, in the languages that instruments print.
//!
//! The lists are common practice of the trade, no source: they only weigh guesses, never values.

mod lists;

use crate::reading::{Quantity, Unit};
use lists::{OTHER, OVER, STEMS, WHOLE};

/// What a word says about the number that it belongs to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Meaning {
    /// It names this quantity, so sure (0..1).
    Names(Quantity, f64),
    /// It names something that no titration reads: a counter, a wavelength, a set point.
    Other,
}

/// A word without accents, brackets and trailing marks, in capitals.
pub(super) fn plain(word: &str) -> String {
    let mut out = String::with_capacity(word.len());
    for c in word.chars() {
        match c {
            'ä' | 'Ä' => out.push_str("AE"),
            'ö' | 'Ö' => out.push_str("OE"),
            'ü' | 'Ü' => out.push_str("UE"),
            'à' | 'á' | 'â' | 'ã' | 'å' | 'À' | 'Á' | 'Â' | 'Ã' | 'Å' => out.push('A'),
            'ç' | 'Ç' | 'č' | 'Č' | 'ć' => out.push('C'),
            'è' | 'é' | 'ê' | 'ë' | 'È' | 'É' | 'Ê' | 'Ë' | 'ě' | 'ę' => out.push('E'),
            'ì' | 'í' | 'î' | 'ï' | 'Ì' | 'Í' | 'Î' | 'Ï' => out.push('I'),
            'ñ' | 'Ñ' | 'ń' => out.push('N'),
            'ò' | 'ó' | 'ô' | 'õ' | 'ø' | 'Ò' | 'Ó' | 'Ô' | 'Õ' | 'Ø' => out.push('O'),
            'ù' | 'ú' | 'û' | 'Ù' | 'Ú' | 'Û' | 'ů' => out.push('U'),
            'ß' => out.push_str("SS"),
            'ś' | 'š' | 'Š' => out.push('S'),
            'ý' | 'Ý' => out.push('Y'),
            'ł' | 'Ł' => out.push('L'),
            'ż' | 'ź' | 'ž' | 'Ž' => out.push('Z'),
            '%' | '/' | '_' => out.push(c),
            c if c.is_alphanumeric() => out.extend(c.to_uppercase()),
            _ => {}
        }
    }
    out.trim_matches(|c: char| c == '_' || c == '/').to_owned()
}

/// What a label says.
pub(super) fn label(word: &str) -> Option<Meaning> {
    let word = plain(word);
    let word = word.trim_end_matches(|c: char| c.is_ascii_digit() || c == '_');
    if word.is_empty() {
        return None;
    }
    if let Some((_, q, weight)) = WHOLE.iter().find(|(w, ..)| *w == word) {
        return Some(Meaning::Names(*q, *weight));
    }
    if OTHER.contains(&word) {
        return Some(Meaning::Other);
    }
    STEMS
        .iter()
        .find(|(stem, _)| word.starts_with(stem) && (stem.len() > 2 || word.len() < 9))
        .map(|(_, q)| Meaning::Names(*q, 0.85))
}

/// What a unit says: the unit, its quantity and the weight of that evidence.
pub(super) fn unit(word: &str) -> Option<(Unit, Quantity, f64)> {
    let trimmed: String = word
        .trim_matches(|c: char| matches!(c, '(' | ')' | '[' | ']' | '<' | '>' | '"' | '\'' | '.' | ':' | ','))
        .to_owned();
    let folded: String = trimmed
        .chars()
        .map(|c| match c {
            'µ' | 'μ' | 'æ' | 'Æ' => 'u',
            'º' | '˚' => '°',
            c => c,
        })
        .collect();
    let lower = folded.to_lowercase();
    Some(match lower.as_str() {
        "ml" | "cm³" | "cm3" | "ccm" | "мл" => (Unit::Millilitre, Quantity::Volume, 0.95),
        "cc" | "mls" => (Unit::Millilitre, Quantity::Volume, 0.8),
        "ul" => (Unit::Microlitre, Quantity::Volume, 0.95),
        "l" => (Unit::Litre, Quantity::Volume, 0.45),
        "ph" | "ph-wert" => (Unit::Ph, Quantity::Ph, 0.95),
        "mv" | "mvolt" | "мв" => (Unit::Millivolt, Quantity::Emf, 0.95),
        "v" | "volt" | "volts" | "vdc" => (Unit::Volt, Quantity::Emf, 0.75),
        "uv" => (Unit::Microvolt, Quantity::Emf, 0.9),
        "°c" | "degc" | "gradc" | "\u{2103}" | "celsius" | "oc" | "deg" | "°" | "grad" => {
            (Unit::Celsius, Quantity::Temperature, 0.95)
        }
        "c" => (Unit::Celsius, Quantity::Temperature, 0.85),
        "°f" | "degf" => (Unit::Fahrenheit, Quantity::Temperature, 0.95),
        "k" | "kelvin" => (Unit::Kelvin, Quantity::Temperature, 0.5),
        "us/cm" | "usie/cm" | "мксм/см" => (Unit::MicrosiemensPerCm, Quantity::Conductance, 0.95),
        "ms/cm" => (Unit::MillisiemensPerCm, Quantity::Conductance, 0.95),
        "us" => (Unit::MicrosiemensPerCm, Quantity::Conductance, 0.75),
        "ms" if folded != "ms" => (Unit::MillisiemensPerCm, Quantity::Conductance, 0.75),
        "ms" => (Unit::Millisecond, Quantity::Time, 0.4),
        "s/m" => (Unit::SiemensPerM, Quantity::Conductance, 0.9),
        "a" | "abs" | "au" | "ext" | "absorb" | "aufs" => (Unit::Absorbance, Quantity::Absorbance, 0.8),
        "%t" | "t%" | "%tr" => (Unit::Percent, Quantity::Transmittance, 0.95),
        "%" => (Unit::Percent, Quantity::Transmittance, 0.45),
        "ua" => (Unit::Microampere, Quantity::Current, 0.95),
        "na" => (Unit::Nanoampere, Quantity::Current, 0.95),
        "ma" => (Unit::Milliampere, Quantity::Current, 0.95),
        "g" | "gr" | "gram" | "grams" | "г" => (Unit::Gram, Quantity::Mass, 0.9),
        "mg" | "мг" => (Unit::Milligram, Quantity::Mass, 0.9),
        "kg" => (Unit::Kilogram, Quantity::Mass, 0.9),
        "s" | "sec" | "sek" | "secs" => (Unit::Second, Quantity::Time, 0.8),
        "min" => (Unit::Minute, Quantity::Time, 0.8),
        "h" | "hr" | "std" => (Unit::Hour, Quantity::Time, 0.5),
        _ => return None,
    })
}

/// Whether the words say that there is no number.
pub(super) fn says_out_of_range(words: &str) -> bool {
    words.split_whitespace().any(|w| OVER.contains(&plain(w).as_str()))
        || words.chars().filter(|c| !c.is_whitespace()).all(|c| "-*#<>^=_?.".contains(c))
}

/// What a flag word says about a settled value.
pub(super) fn steadiness(word: &str) -> Option<bool> {
    Some(match plain(word).as_str() {
        "S" | "ST" | "STABLE" | "STEADY" | "STILL" | "STABIL" | "SETTLED" | "RUHIG" | "STABILE"
        | "ESTABLE" | "OK" | "REST" | "FEST" | "RDY" | "READY" | "FIX" | "FERTIG" | "FERMO" | "FERME"
        | "QUIET" | "HOLD" | "CALM" | "LOCK" => true,
        "U" | "US" | "UNSTABLE" | "MOVING" | "INSTABLE" | "UNRUHIG" | "INSTABIL" | "INSTABILE"
        | "INESTABLE" | "DRIFT" | "MOT" | "D" | "BUSY" | "WAIT" | "MOVE" | "DYN" | "LAEUFT" | "BEWEGT"
        | "MUEVE" | "RUN" | "DRIFTING" => false,
        _ => return None,
    })
}
