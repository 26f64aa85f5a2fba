//! Words of the invented instruments, in several languages.

use dropwise::reading::{Quantity, Unit};
use rand::prelude::*;
use rand_chacha::ChaCha8Rng;

pub const LANGUAGES: usize = 9;

/// English, German, French, Italian, Spanish, Swedish, Dutch, Polish, Finnish; short and long words.
const LABELS: &[(Quantity, [&[&str]; LANGUAGES])] = &[
    (
        Quantity::Volume,
        [
            &["VOL", "Volume", "Added", "DISP", "Titrant"],
            &["Vol", "Volumen", "Verbrauch", "Zugabe"],
            &["VOL", "Volume", "Ajout"],
            &["VOL", "Volume", "Erogato"],
            &["VOL", "Volumen", "Consumo"],
            &["VOL", "Volym"],
            &["VOL", "Volume"],
            &["OBJ", "Objetosc"],
            &["TIL", "Tilavuus"],
        ],
    ),
    (
        Quantity::Ph,
        [&["pH"], &["pH", "pH-Wert"], &["pH"], &["pH"], &["pH"], &["pH"], &["pH"], &["pH"], &["pH"]],
    ),
    (
        Quantity::Emf,
        [
            &["EMF", "Potential", "mV", "POT"],
            &["EMK", "Potential", "Spannung"],
            &["FEM", "Potentiel", "Tension"],
            &["FEM", "Potenziale", "Tensione"],
            &["FEM", "Potencial"],
            &["EMK", "Potential", "Spanning"],
            &["EMK", "Potentiaal", "Spanning"],
            &["SEM", "Potencjal", "Napiecie"],
            &["SMV", "Potentiaali", "Jannite"],
        ],
    ),
    (
        Quantity::Temperature,
        [
            &["TEMP", "Temperature", "Temp."],
            &["Temp", "Temperatur"],
            &["TEMP", "Temperature"],
            &["TEMP", "Temperatura"],
            &["TEMP", "Temperatura"],
            &["TEMP", "Temperatur"],
            &["TEMP", "Temperatuur"],
            &["TEMP", "Temperatura"],
            &["LPT", "Lampotila"],
        ],
    ),
    (
        Quantity::Conductance,
        [
            &["COND", "Conductivity", "Kappa"],
            &["LF", "Leitfaehigkeit", "Leitf."],
            &["COND", "Conductivite"],
            &["COND", "Conducibilita"],
            &["COND", "Conductividad"],
            &["KOND", "Konduktivitet"],
            &["EC", "Geleidbaarheid"],
            &["PRZ", "Przewodnosc"],
            &["JOHT", "Johtavuus"],
        ],
    ),
    (
        Quantity::Absorbance,
        [
            &["ABS", "Absorbance", "OD"],
            &["EXT", "Extinktion"],
            &["ABS", "Absorbance"],
            &["ASS", "Assorbanza"],
            &["ABS", "Absorbancia"],
            &["ABS", "Absorbans"],
            &["EXT", "Extinctie"],
            &["ABS", "Absorbancja"],
            &["ABS", "Absorbanssi"],
        ],
    ),
    (
        Quantity::Transmittance,
        [
            &["TRANS", "Transmittance"],
            &["Transm", "Durchlass"],
            &["TRANS", "Transmission"],
            &["TRASM", "Trasmittanza"],
            &["TRANS", "Transmitancia"],
            &["TRANS", "Transmission"],
            &["TRANS", "Transmissie"],
            &["TRANS", "Transmitancja"],
            &["TRANS", "Lapaisy"],
        ],
    ),
    (
        Quantity::Current,
        [
            &["CURR", "Current"],
            &["Strom"],
            &["COUR", "Courant"],
            &["CORR", "Corrente"],
            &["CORR", "Corriente"],
            &["STR", "Strom"],
            &["Stroom"],
            &["PRAD", "Prad"],
            &["VIRTA", "Virta"],
        ],
    ),
    (
        Quantity::Mass,
        [
            &["MASS", "Weight", "NET"],
            &["Masse", "Gewicht", "Netto"],
            &["MASSE", "Poids"],
            &["MASSA", "Peso"],
            &["MASA", "Peso"],
            &["MASSA", "Vikt"],
            &["MASSA", "Gewicht"],
            &["MASA", "Masa"],
            &["MASSA", "Paino"],
        ],
    ),
    (
        Quantity::Time,
        [
            &["TIME", "Time"],
            &["Zeit"],
            &["TEMPS", "Duree"],
            &["TEMPO", "Durata"],
            &["TIEMPO", "Tiempo"],
            &["TID", "Tid"],
            &["TIJD", "Tijd"],
            &["CZAS", "Czas"],
            &["AIKA", "Aika"],
        ],
    ),
    (
        Quantity::Voltage,
        [
            &["U", "Upol", "Voltage"],
            &["U", "Spannung"],
            &["U", "Tension"],
            &["U", "Tensione"],
            &["U", "Tension"],
            &["U", "Spanning"],
            &["U", "Spanning"],
            &["U", "Napiecie"],
            &["U", "Jannite"],
        ],
    ),
];

pub fn label(rng: &mut ChaCha8Rng, q: Quantity, language: usize) -> &'static str {
    let list = LABELS.iter().find(|l| l.0 == q).map_or(&["X"][..], |l| l.1[language]);
    list[rng.random_range(0..list.len())]
}

pub fn letter(q: Quantity) -> &'static str {
    match q {
        Quantity::Volume => "V",
        Quantity::Ph => "P",
        Quantity::Emf | Quantity::Voltage => "U",
        Quantity::Temperature => "T",
        Quantity::Conductance => "K",
        Quantity::Absorbance => "A",
        Quantity::Transmittance => "R",
        Quantity::Current => "I",
        Quantity::Mass => "M",
        Quantity::Time => "S",
    }
}

pub fn unit(rng: &mut ChaCha8Rng, unit: Unit) -> &'static str {
    let list: &[&str] = match unit {
        Unit::Millilitre => &["mL", "ml", "ML", "mL"],
        Unit::Ph => &["pH", "pH", "PH"],
        Unit::Millivolt => &["mV", "mV", "MV"],
        Unit::Volt => &["V"],
        Unit::Celsius => &["C", "\u{b0}C", "degC", "C", "oC"],
        Unit::MicrosiemensPerCm => &["uS/cm", "\u{b5}S/cm", "uS/cm", "uS"],
        Unit::MillisiemensPerCm => &["mS/cm", "mS/cm", "mS"],
        Unit::Absorbance => &["A", "Abs", "ABS", "AU"],
        Unit::Percent => &["%", "%T"],
        Unit::Microampere => &["uA", "\u{b5}A"],
        Unit::Nanoampere => &["nA"],
        Unit::Gram => &["g"],
        Unit::Second => &["s", "sec"],
        Unit::Minute => &["min"],
        _ => &["?"],
    };
    list[rng.random_range(0..list.len())]
}

/// Pairs of words for a settled and a moving value.
pub const FLAGS: &[(&str, &str)] = &[
    ("S", "*"),
    ("ST", "US"),
    ("STABLE", "MOVING"),
    ("=", "~"),
    ("OK", "??"),
    ("stabil", "unruhig"),
    ("S", "D"),
    ("", "*"),
    ("STEADY", "DRIFT"),
    ("1", "0"),
    ("FERME", "MOBILE"),
    ("K", "L"),
];

/// Words for a value out of range.
pub const OVER: &[&str] =
    &["OVER", "OVER RANGE", "-----", "OL", "HIGH", "*****", "ERR", "UEBERLAUF", "HORS GAMME", "FUORI SCALA"];

pub const TITLES: &[&str] = &[
    "CHLORIDE IN WATER",
    "SAMPLE A 12",
    "TITRATION",
    "READY",
    "MESSUNG 7",
    "-- START --",
    "Echantillon 3",
    "LAB 2 / BENCH 4",
    "VERSION 1.04",
    "METER ON",
];
