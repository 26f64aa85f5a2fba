//! The check of a TOML file against the JSON Schema of its form.
//!
//! The check takes every mistake out of the table and goes on, so that one reading of the file tells all of them.

use super::diagnostic::Mistakes;
use super::nearest::nearest;
use serde::de::DeserializeOwned;
use serde_json::Value as Json;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

/// The form of one kind of file: what it is called, and its JSON Schema.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Form {
    /// The noun for messages and the first part of codes: `profile`.
    pub noun: &'static str,
    /// The JSON Schema.
    pub schema: &'static Json,
}

impl Form {
    /// Reads a text as a file of this form. Syntax errors, unknown keys, wrong types and values out of their range
    /// are told with their places and taken out, so that the rest can be checked too.
    ///
    /// `stand_in`: text keys that the form needs; what is missing was told, an empty text lets the rest be checked.
    pub(crate) fn read<T: DeserializeOwned>(
        self,
        text: &str,
        stand_in: &[&'static str],
        mistakes: &mut Mistakes<'_>,
    ) -> Option<T> {
        let (mut table, errors) = DeTable::parse_recoverable(text);
        for error in errors {
            let span = error.span().unwrap_or(0..0);
            let message = format!("this is no TOML: {}", error.message());
            mistakes.error(self.code("toml"), span, message, Some("mend the syntax of this line".to_owned()));
        }
        self.check_table(table.get_mut(), &(0..0), self.schema, &format!("the {}", self.noun), mistakes);
        for key in stand_in {
            if !table.get_ref().contains_key(*key) {
                let value = Spanned::new(0..0, DeValue::String("".into()));
                table.get_mut().insert(Spanned::new(0..0, (*key).into()), value);
            }
        }
        match T::deserialize(toml::de::Deserializer::from(table)) {
            Ok(form) => Some(form),
            Err(error) => {
                let message = error.message().to_owned();
                mistakes.error(self.code("wrong-type"), error.span().unwrap_or(0..0), message, None);
                None
            }
        }
    }

    /// A code for programs: the noun and what is wrong.
    pub(crate) fn code(self, what: &str) -> String {
        format!("{}.{what}", self.noun)
    }

    fn resolve(self, schema: &'static Json) -> &'static Json {
        let Some(name) = schema.get("$ref").and_then(Json::as_str) else { return schema };
        name.strip_prefix("#/$defs/").and_then(|name| self.schema.get("$defs")?.get(name)).unwrap_or(schema)
    }

    /// The schemas that a value may follow (`null` left out: TOML has none).
    fn choices(self, schema: &'static Json) -> Vec<&'static Json> {
        let schema = self.resolve(schema);
        for key in ["anyOf", "oneOf"] {
            if let Some(list) = schema.get(key).and_then(Json::as_array) {
                return list
                    .iter()
                    .flat_map(|schema| self.choices(schema))
                    .filter(|s| s.get("type") != Some(&Json::from("null")))
                    .collect();
            }
        }
        vec![schema]
    }

    /// Whether `value` may stay; mistakes inside tables and lists are taken out.
    fn check(
        self,
        value: &mut Spanned<DeValue<'_>>,
        schema: &'static Json,
        key: &str,
        mistakes: &mut Mistakes<'_>,
    ) -> bool {
        let span = value.span();
        let choices = self.choices(schema);
        let fitting: Vec<_> =
            choices.iter().copied().filter(|schema| fits(schema, value.get_ref())).collect();
        let Some(schema) = fitting.first() else {
            let wanted: Vec<_> = choices.iter().flat_map(|schema| types(schema)).map(in_words).collect();
            let mut wanted: Vec<&str> = wanted;
            wanted.dedup();
            let message = format!("`{key}` is {}", in_words(type_of(value.get_ref())));
            mistakes.error(
                self.code("wrong-type"),
                span,
                message,
                Some(format!("it must be {}", wanted.join(" or "))),
            );
            return false;
        };
        match value.get_mut() {
            DeValue::Table(table) => self.check_table(table, &span, schema, key, mistakes),
            DeValue::Array(list) => {
                if let Some(items) = schema.get("items") {
                    self.check_list(list, items, key, mistakes);
                }
                true
            }
            DeValue::String(text) => self.check_word(text, &span, &fitting, key, mistakes),
            DeValue::Integer(number) => {
                let value = i64::from_str_radix(&number.as_str().replace('_', ""), number.radix()).ok();
                self.check_range(value.map(|v| v as f64), &span, schema, key, mistakes)
            }
            DeValue::Float(number) => {
                self.check_range(number.as_str().replace('_', "").parse().ok(), &span, schema, key, mistakes)
            }
            _ => true,
        }
    }

    fn check_word(
        self,
        text: &str,
        span: &Range<usize>,
        fitting: &[&'static Json],
        key: &str,
        mistakes: &mut Mistakes<'_>,
    ) -> bool {
        let words = words(fitting);
        if words.is_empty() || words.contains(&text) {
            return true;
        }
        let remedy = match nearest(text, words.iter().copied()) {
            Some(near) => format!("did you mean \"{near}\"? known are: {}", words.join(", ")),
            None => format!("known are: {}", words.join(", ")),
        };
        mistakes.error(
            self.code("unknown-word"),
            span.clone(),
            format!("`{key}` cannot be {text:?}"),
            Some(remedy),
        );
        false
    }

    fn check_range(
        self,
        number: Option<f64>,
        span: &Range<usize>,
        schema: &Json,
        key: &str,
        mistakes: &mut Mistakes<'_>,
    ) -> bool {
        let low = schema.get("minimum").and_then(Json::as_f64);
        let high = schema.get("maximum").and_then(Json::as_f64);
        let inside = number.is_some_and(|n| {
            n.is_finite() && low.is_none_or(|low| n >= low) && high.is_none_or(|high| n <= high)
        });
        if !inside {
            let remedy = match (low, high) {
                (Some(low), Some(high)) => format!("it must lie between {low} and {high}"),
                (Some(low), None) => format!("it must be at least {low}"),
                (None, Some(high)) => format!("it must be at most {high}"),
                (None, None) => "it must be an ordinary number".to_owned(),
            };
            mistakes.error(
                self.code("out-of-range"),
                span.clone(),
                format!("`{key}` is out of its range"),
                Some(remedy),
            );
        }
        inside
    }

    fn check_list<'i>(
        self,
        list: &mut DeArray<'i>,
        items: &'static Json,
        key: &str,
        mistakes: &mut Mistakes<'_>,
    ) {
        let mut kept = DeArray::default();
        for slot in list.iter_mut() {
            if self.check(slot, items, key, mistakes) {
                kept.push(std::mem::replace(slot, Spanned::new(0..0, DeValue::Boolean(false))));
            }
        }
        *list = kept;
    }

    fn check_table<'i>(
        self,
        table: &mut DeTable<'i>,
        span: &Range<usize>,
        schema: &'static Json,
        name: &str,
        mistakes: &mut Mistakes<'_>,
    ) -> bool {
        let properties = schema.get("properties").and_then(Json::as_object);
        let others = schema.get("additionalProperties");
        for (key, mut value) in std::mem::take(table) {
            let key_text: &str = key.get_ref();
            let known = properties.and_then(|p| p.get(key_text));
            let stays = match known.or(others) {
                Some(Json::Bool(false)) => {
                    let known: Vec<&str> =
                        properties.into_iter().flat_map(|p| p.keys()).map(String::as_str).collect();
                    let remedy = match nearest(key_text, known.iter().copied()) {
                        Some(near) => format!("did you mean `{near}`?"),
                        None => format!("known keys here: {}", known.join(", ")),
                    };
                    mistakes.error(
                        self.code("unknown-key"),
                        key.span(),
                        format!("unknown key `{key_text}`"),
                        Some(remedy),
                    );
                    false
                }
                Some(schema @ Json::Object(_)) => self.check(&mut value, schema, key_text, mistakes),
                _ => true,
            };
            if stays {
                table.insert(key, value);
            }
        }
        let required =
            schema.get("required").and_then(Json::as_array).into_iter().flatten().filter_map(Json::as_str);
        let mut complete = true;
        for key in required.filter(|key| !table.contains_key(*key)) {
            complete = false;
            mistakes.error(
                self.code("missing-key"),
                span.clone(),
                format!("`{key}` is missing in {name}"),
                Some(format!("add `{key} = ...`")),
            );
        }
        complete
    }
}

fn types(schema: &Json) -> Vec<&str> {
    match schema.get("type") {
        Some(Json::String(one)) => vec![one],
        Some(Json::Array(many)) => many.iter().filter_map(Json::as_str).filter(|t| *t != "null").collect(),
        _ => Vec::new(),
    }
}

fn type_of(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "string",
        DeValue::Integer(_) => "integer",
        DeValue::Float(_) => "number",
        DeValue::Boolean(_) => "boolean",
        DeValue::Datetime(_) => "date",
        DeValue::Array(_) => "array",
        DeValue::Table(_) => "object",
    }
}

fn in_words(kind: &str) -> &str {
    match kind {
        "string" => "a text in quotes",
        "integer" => "a whole number",
        "number" => "a number",
        "boolean" => "true or false",
        "array" => "a list [...]",
        "object" => "a table",
        other => other,
    }
}

fn fits(schema: &Json, value: &DeValue<'_>) -> bool {
    let types = types(schema);
    let kind = type_of(value);
    types.is_empty() && schema.get("const").is_none() && schema.get("enum").is_none()
        || types.contains(&kind)
        || (kind == "integer" && types.contains(&"number"))
}

/// The words that a choice of schemas allows.
fn words(choices: &[&'static Json]) -> Vec<&'static str> {
    let mut words = Vec::new();
    for schema in choices {
        words.extend(schema.get("const").and_then(Json::as_str));
        words.extend(
            schema.get("enum").and_then(Json::as_array).into_iter().flatten().filter_map(Json::as_str),
        );
    }
    words
}
