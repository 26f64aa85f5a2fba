//! Degrees of freedom in files: a number, or the word `infinite`, since JSON has no infinite number.

use serde::{Deserialize, Deserializer, Serializer};

const INFINITE: &str = "infinite";

#[derive(Deserialize)]
#[serde(untagged)]
enum Written {
    Number(f64),
    Word(String),
}

pub(super) fn serialize<S: Serializer>(degrees: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    if degrees.is_finite() { serializer.serialize_f64(*degrees) } else { serializer.serialize_str(INFINITE) }
}

pub(super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    match Written::deserialize(deserializer)? {
        Written::Number(degrees) => Ok(degrees),
        Written::Word(word) if word == INFINITE => Ok(f64::INFINITY),
        Written::Word(word) => Err(serde::de::Error::custom(format!(
            "'{word}' are no degrees of freedom; write a number or {INFINITE}"
        ))),
    }
}
