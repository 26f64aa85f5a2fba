//! Words that name a quantity or a unit, in the languages that instruments print.
//!
//! The lists are common practice of the trade, no source: they only weigh guesses, never values.

use crate::reading::{Quantity, Unit};

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

/// Stems: a word that begins with one of them names the quantity.
const STEMS: &[(&str, Quantity)] = &[
    ("VOL", Quantity::Volume), ("DISP", Quantity::Volume), ("DOS", Quantity::Volume), ("BURET", Quantity::Volume), ("BUERETTE", Quantity::Volume),
    ("TITRANT", Quantity::Volume), ("TITRIERM", Quantity::Volume), ("TITRAGEM", Quantity::Volume), ("VERBRAUCH", Quantity::Volume), ("CONSUM", Quantity::Volume),
    ("CONSOM", Quantity::Volume), ("ZUGABE", Quantity::Volume), ("AJOUT", Quantity::Volume), ("AGGIUNT", Quantity::Volume), ("ANADID", Quantity::Volume),
    ("ADDED", Quantity::Volume), ("ADDITION", Quantity::Volume), ("DELIV", Quantity::Volume), ("OBJEM", Quantity::Volume), ("OBJET", Quantity::Volume),
    ("TERFOGAT", Quantity::Volume), ("TIL", Quantity::Volume), ("HACIM", Quantity::Volume), ("VERSE", Quantity::Volume), ("GASTO", Quantity::Volume),
    ("RUMFANG", Quantity::Volume), ("REAGENT", Quantity::Volume), ("TOEVOEG", Quantity::Volume), ("EROGAT", Quantity::Volume), ("INKREMENT", Quantity::Volume),
    ("PH", Quantity::Ph), ("ACIDI", Quantity::Ph),
    ("EMF", Quantity::Emf), ("POT", Quantity::Emf), ("SPANNUNG", Quantity::Emf), ("TENSI", Quantity::Emf), ("VOLTA", Quantity::Emf), ("ORP", Quantity::Emf),
    ("REDOX", Quantity::Emf), ("EMK", Quantity::Emf), ("FEM", Quantity::Emf), ("MVOLT", Quantity::Emf), ("MILLIVOLT", Quantity::Emf), ("SPANNING", Quantity::Emf),
    ("NAPET", Quantity::Emf), ("NAPIEC", Quantity::Emf), ("JANNITE", Quantity::Emf), ("FESZULT", Quantity::Emf), ("GERILIM", Quantity::Emf), ("SPENNING", Quantity::Emf),
    ("TEMP", Quantity::Temperature), ("TMP", Quantity::Temperature), ("TEPLOTA", Quantity::Temperature), ("LAMPO", Quantity::Temperature), ("SICAK", Quantity::Temperature),
    ("HOMERS", Quantity::Temperature), ("THETA", Quantity::Temperature), ("CELSIUS", Quantity::Temperature), ("THERM", Quantity::Temperature),
    ("COND", Quantity::Conductance), ("LEITF", Quantity::Conductance), ("LEITW", Quantity::Conductance), ("KAPPA", Quantity::Conductance), ("LTF", Quantity::Conductance),
    ("KONDUKT", Quantity::Conductance), ("GELEID", Quantity::Conductance), ("PRZ", Quantity::Conductance), ("VODIVOST", Quantity::Conductance), ("PRZEWOD", Quantity::Conductance),
    ("JOHTAV", Quantity::Conductance), ("LEDNING", Quantity::Conductance), ("ILETKEN", Quantity::Conductance), ("VEZETOK", Quantity::Conductance),
    ("ABS", Quantity::Absorbance), ("EXT", Quantity::Absorbance), ("ASSORB", Quantity::Absorbance), ("ASS", Quantity::Absorbance), ("ASORB", Quantity::Absorbance), ("OPTDENS", Quantity::Absorbance),
    ("TRANSM", Quantity::Transmittance), ("TRASM", Quantity::Transmittance), ("DURCHL", Quantity::Transmittance), ("TRANSP", Quantity::Transmittance), ("%T", Quantity::Transmittance),
    ("CURR", Quantity::Current), ("STROM", Quantity::Current), ("STROEM", Quantity::Current), ("COURANT", Quantity::Current), ("CORRENT", Quantity::Current),
    ("CORRIENTE", Quantity::Current), ("STROOM", Quantity::Current), ("PRAD", Quantity::Current), ("PROUD", Quantity::Current), ("VIRTA", Quantity::Current), ("AMP", Quantity::Current),
    ("INTENSI", Quantity::Current), ("IPOL", Quantity::Current),
    ("MASS", Quantity::Mass), ("MASA", Quantity::Mass), ("WEIGH", Quantity::Mass), ("GEWICHT", Quantity::Mass), ("POIDS", Quantity::Mass), ("PESO", Quantity::Mass),
    ("NETT", Quantity::Mass), ("WAAGE", Quantity::Mass), ("BALANCE", Quantity::Mass), ("VIKT", Quantity::Mass), ("VAEGT", Quantity::Mass), ("VAHA", Quantity::Mass),
    ("HMOTNOST", Quantity::Mass), ("PAINO", Quantity::Mass), ("TOMEG", Quantity::Mass), ("AGIRLIK", Quantity::Mass), ("EINWAAGE", Quantity::Mass), ("BILANCI", Quantity::Mass),
    ("TIME", Quantity::Time), ("ZEIT", Quantity::Time), ("TEMPS", Quantity::Time), ("TIEMPO", Quantity::Time), ("ELAPS", Quantity::Time), ("DAUER", Quantity::Time),
    ("DUREE", Quantity::Time), ("DURATA", Quantity::Time), ("SECOND", Quantity::Time),
];

/// Whole words; a single letter is a weak witness.
const WHOLE: &[(&str, Quantity, f64)] = &[
    ("V", Quantity::Volume, 0.5), ("ML", Quantity::Volume, 0.9), ("UL", Quantity::Volume, 0.85), ("CC", Quantity::Volume, 0.7), ("DEL", Quantity::Volume, 0.8), ("TITR", Quantity::Volume, 0.7), ("VL", Quantity::Volume, 0.5),
    ("BUR", Quantity::Volume, 0.8), ("ADD", Quantity::Volume, 0.8), ("TILS", Quantity::Volume, 0.5), ("CON", Quantity::Conductance, 0.7), ("B", Quantity::Volume, 0.25), ("D", Quantity::Volume, 0.2),
    ("P", Quantity::Ph, 0.45), ("H", Quantity::Ph, 0.2),
    ("E", Quantity::Emf, 0.5), ("U", Quantity::Emf, 0.5), ("MV", Quantity::Emf, 0.9), ("EH", Quantity::Emf, 0.8), ("RX", Quantity::Emf, 0.6), ("UPOL", Quantity::Emf, 0.6), ("SIG", Quantity::Emf, 0.3), ("SIGNAL", Quantity::Emf, 0.3),
    ("MVOLTS", Quantity::Emf, 0.9), ("DDP", Quantity::Emf, 0.8),
    ("T", Quantity::Temperature, 0.5), ("TEMPO", Quantity::Time, 0.7), ("TEMPS", Quantity::Time, 0.8), ("DEGC", Quantity::Temperature, 0.9), ("C", Quantity::Temperature, 0.45), ("TE", Quantity::Temperature, 0.5), ("TP", Quantity::Temperature, 0.4),
    ("K", Quantity::Conductance, 0.42), ("G", Quantity::Conductance, 0.25), ("LF", Quantity::Conductance, 0.85), ("EC", Quantity::Conductance, 0.85), ("CD", Quantity::Conductance, 0.5), ("CDT", Quantity::Conductance, 0.8),
    ("L", Quantity::Conductance, 0.2), ("KOND", Quantity::Conductance, 0.85), ("CE", Quantity::Conductance, 0.6), ("USCM", Quantity::Conductance, 0.9), ("MSCM", Quantity::Conductance, 0.9),
    ("A", Quantity::Absorbance, 0.5), ("OD", Quantity::Absorbance, 0.8), ("AU", Quantity::Absorbance, 0.7), ("X", Quantity::Absorbance, 0.1),
    ("TR", Quantity::Transmittance, 0.6), ("TRANS", Quantity::Transmittance, 0.85), ("T%", Quantity::Transmittance, 0.85), ("TAU", Quantity::Transmittance, 0.6), ("TRA", Quantity::Transmittance, 0.6), ("PCT", Quantity::Transmittance, 0.4),
    ("I", Quantity::Current, 0.5), ("UA", Quantity::Current, 0.85), ("CUR", Quantity::Current, 0.85), ("MICROAMP", Quantity::Current, 0.9), ("INT", Quantity::Current, 0.3),
    ("M", Quantity::Mass, 0.5), ("W", Quantity::Mass, 0.45), ("WT", Quantity::Mass, 0.85), ("NET", Quantity::Mass, 0.8), ("GEW", Quantity::Mass, 0.85), ("GROSS", Quantity::Mass, 0.8), ("GRAM", Quantity::Mass, 0.85), ("BAL", Quantity::Mass, 0.8), ("BRUTTO", Quantity::Mass, 0.8), ("MG", Quantity::Mass, 0.8),
    ("SEC", Quantity::Time, 0.85), ("TID", Quantity::Time, 0.6), ("TIJD", Quantity::Time, 0.8), ("CAS", Quantity::Time, 0.6), ("CZAS", Quantity::Time, 0.8), ("AIKA", Quantity::Time, 0.8), ("IDO", Quantity::Time, 0.5), ("S", Quantity::Time, 0.3), ("MIN", Quantity::Time, 0.6),
];

/// Words of columns that are no reading of a titration.
const OTHER: &[&str] = &[
    "N", "NO", "NR", "NUM", "NUMBER", "NUMMER", "NUMERO", "NUMER", "ROW", "LINE", "ZEILE", "LIGNE", "RIGA", "FILA", "SEQ", "COUNT", "CNT", "CT", "ID", "SAMPLE", "PROBE", "PROBEN", "ECHANTILLON",
    "ECH", "CAMPIONE", "MUESTRA", "DATE", "DATUM", "DATA", "FECHA", "CHANNEL", "CH", "CHAN", "KANAL", "CANAL", "CANALE", "WAVELENGTH", "LAMBDA", "WL", "NM", "SETPOINT", "SP", "SET", "SOLL",
    "OUT", "OUTPUT", "STATUS", "STATE", "STAT", "RANGE", "BEREICH", "BIAS", "SLOPE", "STEILHEIT", "PENTE", "BATT", "BAT", "BATTERY", "HUM", "HUMIDITY", "RH", "%RH", "GAIN", "DEV", "SD", "STD", "ERR", "ERROR", "ALARM",
    "RPM", "STIR", "STIRRER", "INDEX", "IDX", "POS", "STEP", "SCHRITT", "PORTION", "RUN", "LAUF", "USER", "METHOD", "PROG", "PROGRAM", "FLOW", "PRESSURE", "HPA", "KPA", "MBAR", "BAR", "OHM", "KOHM", "MOHM", "HZ", "PPM",
    "MG/L", "MOL/L", "G/L", "MMOL/L", "PPB", "SAL", "TDS", "DRIFT", "RATE", "LFDNR", "PAGE", "SEITE", "VERSION", "VER", "SER", "SERIAL", "SN", "ADR", "ADDR", "UNIT", "MV/MIN", "UL/MIN", "ML/MIN", "%RF", "CNTR", "ZAEHLER", "NODE", "MEAS",
];

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
    STEMS.iter().find(|(stem, _)| word.starts_with(stem) && (stem.len() > 2 || word.len() < 9)).map(|(_, q)| Meaning::Names(*q, 0.85))
}

/// What a unit says: the unit, its quantity and the weight of that evidence.
pub(super) fn unit(word: &str) -> Option<(Unit, Quantity, f64)> {
    let trimmed: String = word.trim_matches(|c: char| matches!(c, '(' | ')' | '[' | ']' | '<' | '>' | '"' | '\'' | '.' | ':' | ',')).to_owned();
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
        "ml" | "cm³" | "cm3" | "ccm" => (Unit::Millilitre, Quantity::Volume, 0.95),
        "cc" | "mls" => (Unit::Millilitre, Quantity::Volume, 0.8),
        "ul" => (Unit::Microlitre, Quantity::Volume, 0.95),
        "l" => (Unit::Litre, Quantity::Volume, 0.45),
        "ph" | "ph-wert" => (Unit::Ph, Quantity::Ph, 0.95),
        "mv" | "mvolt" => (Unit::Millivolt, Quantity::Emf, 0.95),
        "v" | "volt" | "volts" | "vdc" => (Unit::Volt, Quantity::Emf, 0.75),
        "uv" => (Unit::Microvolt, Quantity::Emf, 0.9),
        "°c" | "degc" | "gradc" | "\u{2103}" | "celsius" | "oc" | "deg" | "°" | "grad" => (Unit::Celsius, Quantity::Temperature, 0.95),
        "c" => (Unit::Celsius, Quantity::Temperature, 0.85),
        "°f" | "degf" => (Unit::Fahrenheit, Quantity::Temperature, 0.95),
        "k" | "kelvin" => (Unit::Kelvin, Quantity::Temperature, 0.5),
        "us/cm" | "usie/cm" => (Unit::MicrosiemensPerCm, Quantity::Conductance, 0.95),
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
        "g" | "gr" | "gram" | "grams" => (Unit::Gram, Quantity::Mass, 0.9),
        "mg" => (Unit::Milligram, Quantity::Mass, 0.9),
        "kg" => (Unit::Kilogram, Quantity::Mass, 0.9),
        "s" | "sec" | "sek" | "secs" => (Unit::Second, Quantity::Time, 0.8),
        "min" => (Unit::Minute, Quantity::Time, 0.8),
        "h" | "hr" | "std" => (Unit::Hour, Quantity::Time, 0.5),
        _ => return None,
    })
}

/// Words that stand in place of a number that is out of range.
const OVER: &[&str] = &[
    "OVER", "UNDER", "RANGE", "OVERRANGE", "UNDERRANGE", "OL", "O.L", "OFL", "UFL", "OVR", "UNR", "HIGH", "LOW", "HI", "LO", "ERR", "ERROR", "NAN", "INF", "OVERFLOW", "OVERLOAD", "OVLD", "UEBERLAUF", "UEBERLAST",
    "BEREICH", "HORS", "GAMME", "FUORI", "SCALA", "FUERA", "RANGO", "LIMIT", "MAX", "MIN", "FEHLER", "ERREUR", "ERRORE", "OPEN", "NONE", "INVALID", "DEPASSEMENT", "SOBRE", "MEASURING", "OUT", "NO", "SENSOR", "UEBER", "UNTER", "UEBERSCHREITUNG", "DESBORDE", "----", "FULL",
];

/// Whether the words say that there is no number.
pub(super) fn says_out_of_range(words: &str) -> bool {
    words.split_whitespace().any(|w| OVER.contains(&plain(w).as_str())) || words.chars().filter(|c| !c.is_whitespace()).all(|c| "-*#<>^=_?.".contains(c))
}

/// What a flag word says about a settled value.
pub(super) fn steadiness(word: &str) -> Option<bool> {
    Some(match plain(word).as_str() {
        "S" | "ST" | "STABLE" | "STEADY" | "STILL" | "STABIL" | "SETTLED" | "RUHIG" | "STABILE" | "ESTABLE" | "OK" | "REST" | "FEST" | "RDY" | "READY" | "FIX" | "FERTIG" | "FERMO" | "FERME" | "QUIET" | "HOLD" | "CALM" | "LOCK" => true,
        "U" | "US" | "UNSTABLE" | "MOVING" | "INSTABLE" | "UNRUHIG" | "INSTABIL" | "INSTABILE" | "INESTABLE" | "DRIFT" | "MOT" | "D" | "BUSY" | "WAIT" | "MOVE" | "DYN" | "LAEUFT" | "BEWEGT" | "MUEVE" | "RUN" | "DRIFTING" => false,
        _ => return None,
    })
}
