//! From the text of a pattern to its program.

use super::{Compiler, Flags};
use crate::profile::form::{Text, TextOrList};
use crate::profile::number::scan;
use crate::profile::pattern::{self, Attribute, FieldPart, Part};
use crate::profile::program::{Field, Kind, NumberField, Op, Program, UnitFrom};
use crate::profile::shape::Shape;
use crate::profile::straight::Straight;
use crate::profile::{Pattern, unit_words};
use crate::reading::{Quantity, Unit};
use std::ops::Range;
use toml::Spanned;

impl Compiler<'_, '_> {
    pub(super) fn patterns(&mut self, like: Option<&Spanned<TextOrList>>, flags: &Flags) -> Vec<Pattern> {
        let texts = like.map(TextOrList::texts).unwrap_or_default();
        texts.iter().filter_map(|text| self.pattern(text, flags)).collect()
    }

    pub(super) fn pattern(&mut self, text: &Text, flags: &Flags) -> Option<Pattern> {
        let source = text.get_ref();
        let parts = match pattern::parse(source) {
            Ok(parts) => parts,
            Err(error) => {
                let place = self.mistakes.within(&text.span(), source, error.at, 1);
                self.error(
                    "profile.pattern",
                    place,
                    error.message,
                    "see the pattern language in protocols/README.md",
                );
                return None;
            }
        };
        let place = (text.span(), source.clone());
        let mut ops = Vec::new();
        let numbers = number_channels(&parts);
        self.emit(&parts, &place, flags, &numbers, true, &mut ops)?;
        while matches!(ops.last(), Some(Op::Blanks | Op::AnyBlanks)) {
            ops.pop();
        }
        ops.push(Op::End);
        let mut missing_flags = Vec::new();
        for op in &ops {
            if let Op::Field(Field { channel, kind: Kind::Flag(words), .. }) = op
                && let Some((_, meaning)) = words.iter().find(|(word, _)| word.is_empty())
            {
                missing_flags.push((channel.clone(), *meaning));
            }
        }
        let has_flags = !missing_flags.is_empty()
            || ops.iter().any(|op| matches!(op, Op::Field(Field { kind: Kind::Flag(_), .. })));
        Some(Pattern {
            text: source.clone(),
            straight: Straight::of(&ops),
            program: Program { ops },
            has_flags,
            missing_flags,
            span: text.span(),
        })
    }

    pub(super) fn emit(
        &mut self,
        parts: &[Part],
        place: &(Range<usize>, String),
        flags: &Flags,
        numbers: &[String],
        at_start: bool,
        ops: &mut Vec<Op>,
    ) -> Option<()> {
        let mut sound = Some(());
        for (index, part) in parts.iter().enumerate() {
            let next_has_width = parts.get(index + 1).is_some_and(has_width);
            let first = at_start && index == 0;
            if first
                && !matches!(part, Part::Blanks(_))
                && !has_width(part)
                && !matches!(part, Part::Field(f) if f.columns.is_some())
            {
                ops.push(Op::AnyBlanks);
            }
            match part {
                Part::Blanks(count) if next_has_width => ops.push(Op::ExactBlanks(*count)),
                Part::Blanks(_) if first => ops.push(Op::AnyBlanks),
                Part::Blanks(_) => ops.push(Op::Blanks),
                Part::Literal(literal) => {
                    literal_ops(literal, matches!(parts.get(index + 1), Some(Part::Field(_))), ops);
                }
                Part::OneOf(words) => {
                    let mut words: Vec<Box<str>> = words.iter().map(|word| word.as_str().into()).collect();
                    words.sort_by_key(|word| std::cmp::Reverse(word.len()));
                    ops.push(Op::OneOf(words));
                }
                Part::Optional(inner) => {
                    let at = ops.len();
                    ops.push(Op::Try(0));
                    if self.emit(inner, place, flags, numbers, false, ops).is_none() {
                        sound = None;
                    }
                    ops[at] = Op::Try(ops.len());
                }
                Part::Field(part) => {
                    let alone = !numbers.contains(&part.channel);
                    match self.field(part, place, flags, alone) {
                        Some(field) => {
                            let with_unit = matches!(&field.kind, Kind::Number(n) if n.unit == UnitFrom::Line)
                                && is_unit_word(part);
                            let unit = Field {
                                channel: field.channel.clone(),
                                kind: unit_kind(&field),
                                columns: None,
                            };
                            ops.push(Op::Field(field));
                            if with_unit {
                                ops.push(Op::AnyBlanks);
                                ops.push(Op::Field(unit));
                            }
                        }
                        None => sound = None,
                    }
                }
            }
        }
        sound
    }

    /// A field of a pattern. `alone`: its pattern has no number of this channel beside it.
    pub(super) fn field(
        &mut self,
        part: &FieldPart,
        place: &(Range<usize>, String),
        flags: &Flags,
        alone: bool,
    ) -> Option<Field> {
        let (span, source) = place;
        let here = self.mistakes.within(span, source, part.at, part.length.max(1));
        let field = |kind| Some(Field { channel: part.channel.as_str().into(), kind, columns: part.columns });
        let mut word: Option<(&str, usize)> = None;
        let mut shape = None;
        for (attribute, at) in &part.attributes {
            match attribute {
                Attribute::Word(text) if word.is_none() => word = Some((text, *at)),
                Attribute::Word(text) => {
                    let place = self.mistakes.within(span, source, *at, text.len());
                    self.error(
                        "profile.field",
                        place,
                        format!("`{text}` is one word too many"),
                        "a field has one unit or one kind",
                    );
                    return None;
                }
                Attribute::Shape(text) => match Shape::parse(text) {
                    Ok(parsed) => shape = Some(parsed),
                    Err((wrong, expected)) => {
                        let place = self.mistakes.within(span, source, at + 1 + wrong, 1);
                        self.error(
                            "profile.shape",
                            place,
                            "this is no shape of a number",
                            format!("expected here: {expected}"),
                        );
                        return None;
                    }
                },
            }
        }
        match (part.channel.as_str(), word.map(|w| w.0)) {
            ("_", None | Some("word")) => {
                return field(shape.map_or(Kind::Word, Kind::SkippedNumber));
            }
            (_, Some("text")) => return field(Kind::Text),
            ("_", Some(_)) => {
                self.error(
                    "profile.field",
                    here,
                    "what is skipped has no unit",
                    "write {_}, {_:text} or {_:/00/}",
                );
                return None;
            }
            (_, Some("flag")) => return field(self.flag(&part.channel, &here, flags)?),
            _ => {}
        }
        let quantity_name = part.quantity.as_deref().unwrap_or(&part.channel);
        let quantity = self.quantity(quantity_name, &here)?;
        let unit = match word {
            None => UnitFrom::Profile(quantity.canonical_unit()),
            Some(("clock", _)) if quantity == Quantity::Time => return field(Kind::Clock),
            Some(("unit", _)) if !alone => return field(Kind::Unit(quantity)),
            Some(("unit-below", _)) => return field(Kind::Unit(quantity)),
            Some(("unit", _)) => UnitFrom::Line,
            Some(("unit-above", _)) => UnitFrom::Above,
            Some((name, at)) => match unit_words::named(name, quantity) {
                Some(unit) => UnitFrom::Profile(unit),
                None => {
                    let units: Vec<_> = Unit::of(quantity).map(Unit::symbol).collect();
                    let place = self.mistakes.within(span, source, at, name.len());
                    let message = format!("`{name}` is no unit of {quantity}");
                    self.error(
                        "profile.unit",
                        place,
                        message,
                        format!("units of {quantity}: {}", units.join(", ")),
                    );
                    return None;
                }
            },
        };
        let unit =
            if word.is_none() && self.unit_in_line(&part.channel, source) { UnitFrom::Line } else { unit };
        let form = self.fields.iter().find(|(name, _)| *name.get_ref() == part.channel).map(|(_, form)| form);
        let mut number = NumberField {
            quantity,
            unit,
            style: self.style,
            shape,
            scale: form.and_then(|f| f.scale.as_ref()).map_or(1.0, |scale| *scale.get_ref()),
            base: form.and_then(|f| f.base).map_or(10, u32::from),
            instead: Vec::new(),
            codes: Vec::new(),
        };
        for (text, meaning) in form.map(|f| &f.instead).into_iter().flatten() {
            match scan(text.as_bytes(), 0, self.style).filter(|s| s.end == text.len()).and_then(|s| s.value) {
                Some(code) => number.codes.push((code, meaning.as_str().into())),
                None => number.instead.push((text.trim().into(), meaning.as_str().into())),
            }
        }
        number.instead.retain(|(text, _)| !text.is_empty());
        number.instead.sort_by_key(|(text, _)| std::cmp::Reverse(text.len()));
        field(Kind::Number(Box::new(number)))
    }

    /// Whether the pattern also holds the unit of this channel.
    pub(super) fn unit_in_line(&self, channel: &str, source: &str) -> bool {
        let Ok(parts) = pattern::parse(source) else { return false };
        fn any(parts: &[Part], channel: &str) -> bool {
            parts.iter().any(|part| match part {
                Part::Optional(inner) => any(inner, channel),
                Part::Field(field) => field.channel == channel && is_unit_word(field),
                _ => false,
            })
        }
        any(&parts, channel)
    }

    pub(super) fn flag(&mut self, name: &str, here: &Range<usize>, flags: &Flags) -> Option<Kind> {
        let find = |flags: &Flags| {
            flags.iter().find(|(flag, _)| flag.get_ref() == name).map(|(_, words)| words.clone())
        };
        let Some(words) = find(flags).or_else(|| find(self.flags)).filter(|words| !words.is_empty()) else {
            let remedy = format!(
                "add flags.{name} = {{ \"S\" = true, \"*\" = false }} with the words of the instrument"
            );
            self.error("profile.flag", here.clone(), format!("the flag `{name}` has no meaning"), remedy);
            return None;
        };
        let mut words: Vec<(Box<str>, bool)> =
            words.into_iter().map(|(word, meaning)| (word.as_str().into(), meaning)).collect();
        words.sort_by_key(|(word, _)| std::cmp::Reverse(word.len()));
        Some(Kind::Flag(words))
    }
}

fn is_unit_word(part: &FieldPart) -> bool {
    part.attributes.iter().any(|(attribute, _)| *attribute == Attribute::Word("unit".to_owned()))
}

fn unit_kind(field: &Field) -> Kind {
    match &field.kind {
        Kind::Number(number) => Kind::Unit(number.quantity),
        other => other.clone(),
    }
}

/// Channels that a pattern has a number of, beside their unit.
fn number_channels(parts: &[Part]) -> Vec<String> {
    let mut channels = Vec::new();
    for part in parts {
        match part {
            Part::Optional(inner) => channels.extend(number_channels(inner)),
            Part::Field(field) if !is_unit_word(field) => channels.push(field.channel.clone()),
            _ => {}
        }
    }
    channels
}

/// Whether the part is a number whose shape counts its blanks.
fn has_width(part: &Part) -> bool {
    match part {
        Part::Field(field) => field.attributes.iter().any(|(attribute, _)| {
            matches!(attribute, Attribute::Shape(text) if Shape::parse(text).is_ok_and(|shape| shape.has_width()))
        }),
        _ => false,
    }
}

/// A literal behind a number may be its unit: then any spelling of it will do. A unit that the next number touches
/// (`7.00pH24.8`) has no end of its own and stays as it is written.
fn literal_ops(literal: &str, number_touches: bool, ops: &mut Vec<Op>) {
    let number =
        ops.iter().rev().take_while(|op| matches!(op, Op::Blanks | Op::Field(_))).find_map(|op| match op {
            Op::Field(Field { kind: Kind::Number(number), .. }) => Some(number),
            _ => None,
        });
    if let Some(number) = number
        && let UnitFrom::Profile(unit) = number.unit
        && let Some(length) = unit_words::this_unit_at(literal, unit)
        && !(number_touches && length == literal.len())
    {
        ops.push(Op::Unit(unit, unit_words::spellings(unit).collect()));
        if length < literal.len() {
            ops.push(Op::Literal(literal[length..].into()));
        }
        return;
    }
    ops.push(Op::Literal(literal.into()));
}
