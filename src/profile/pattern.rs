//! The pattern language of `like`, parsed with nom.
//!
//! `{ph} pH  {emf:mV} mV[ {steady:flag}]`: literal text, blanks, fields in braces, optional parts in brackets.

use nom::branch::alt;
use nom::bytes::complete::{tag, take_while1};
use nom::character::complete::{anychar, char, digit1};
use nom::combinator::{cut, map, opt, recognize, verify};
use nom::error::{ErrorKind, ParseError};
use nom::multi::{many0, many1, separated_list1};
use nom::sequence::{delimited, preceded, separated_pair};
use nom::{Err as NomErr, IResult, Parser};

/// A part of a pattern.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Part {
    /// Text that stands for itself.
    Literal(String),
    /// So many blanks in the pattern.
    Blanks(usize),
    /// A field.
    Field(FieldPart),
    /// A part that may be missing.
    Optional(Vec<Part>),
    /// One of these texts.
    OneOf(Vec<String>),
}

/// A field of a pattern.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct FieldPart {
    /// Name of the channel; `_` for what is skipped.
    pub channel: String,
    /// What it measures, where that is said apart from the channel.
    pub quantity: Option<String>,
    /// Fixed columns from 1, both ends included.
    pub columns: Option<(usize, usize)>,
    /// What stands behind the colons, with its place in the pattern.
    pub attributes: Vec<(Attribute, usize)>,
    /// Place in the pattern, in bytes.
    pub at: usize,
    /// Length in the pattern, in bytes.
    pub length: usize,
}

/// What may stand behind a colon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Attribute {
    /// A word: `mV`, `text`, `flag`, `unit`.
    Word(String),
    /// A shape between strokes.
    Shape(String),
}

/// A mistake in a pattern.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct PatternError {
    /// Place in the pattern, in bytes.
    pub at: usize,
    /// What is wrong there.
    pub message: &'static str,
}

/// nom's error: how much of the pattern was left, and what was expected there.
#[derive(Debug)]
struct Expected {
    left: usize,
    message: &'static str,
}

impl ParseError<&str> for Expected {
    fn from_error_kind(input: &str, _: ErrorKind) -> Self {
        Self { left: input.len(), message: "" }
    }
    fn append(_: &str, _: ErrorKind, other: Self) -> Self {
        other
    }
    fn or(self, other: Self) -> Self {
        // What got further knows better.
        if self.left < other.left { self } else { other }
    }
}

type Parsed<'a, T> = IResult<&'a str, T, Expected>;

/// Deepest nesting of optional parts.
const DEEPEST: usize = 16;

/// Parses a pattern.
pub(crate) fn parse(pattern: &str) -> Result<Vec<Part>, PatternError> {
    let whole = pattern.len();
    match many0(|i| part(i, whole, 0)).parse(pattern) {
        Ok(("", parts)) if parts.is_empty() => Err(PatternError { at: 0, message: "the pattern is empty" }),
        Ok(("", parts)) => Ok(parts),
        Ok((rest, _)) => {
            let message = match rest.chars().next() {
                Some('}') => "`}` without `{` (write \\} for the character itself)",
                Some(']') => "`]` without `[` (write \\] for the character itself)",
                Some('\\') => "`\\` at the end says nothing (write \\\\ for the character itself)",
                _ => "this is no part of a pattern",
            };
            Err(PatternError { at: whole - rest.len(), message })
        }
        Err(NomErr::Error(e) | NomErr::Failure(e)) => {
            Err(PatternError { at: whole - e.left, message: e.message })
        }
        Err(NomErr::Incomplete(_)) => Err(PatternError { at: whole, message: "the pattern ends too early" }),
    }
}

/// Parses what stands between the braces of a field: `emf:mV`.
pub(crate) fn parse_field(text: &str) -> Result<FieldPart, PatternError> {
    match field_inside(text, text.len()) {
        Ok(("", field)) => Ok(field),
        Ok((rest, _)) => {
            Err(PatternError { at: text.len() - rest.len(), message: "a field ends before this" })
        }
        Err(NomErr::Error(e) | NomErr::Failure(e)) => {
            Err(PatternError { at: text.len() - e.left, message: e.message })
        }
        Err(NomErr::Incomplete(_)) => {
            Err(PatternError { at: text.len(), message: "the field ends too early" })
        }
    }
}

fn fail<'a, T>(at: &'a str, message: &'static str) -> Parsed<'a, T> {
    Err(NomErr::Failure(Expected { left: at.len(), message }))
}

fn part(input: &str, whole: usize, depth: usize) -> Parsed<'_, Part> {
    alt((
        map(take_while1(|c| c == ' ' || c == '\t'), |blanks: &str| Part::Blanks(blanks.chars().count())),
        map(literal, Part::Literal),
        |i| optional(i, whole, depth),
        |i| braces(i, whole),
    ))
    .parse(input)
}

fn literal(input: &str) -> Parsed<'_, String> {
    let escaped = preceded(char('\\'), anychar);
    let plain = verify(anychar, |c| !matches!(c, '{' | '}' | '[' | ']' | '\\' | ' ' | '\t'));
    map(many1(alt((escaped, plain))), |chars| chars.into_iter().collect()).parse(input)
}

fn optional(input: &str, whole: usize, depth: usize) -> Parsed<'_, Part> {
    let (rest, _) = char('[').parse(input)?;
    if depth == DEEPEST {
        return fail(input, "optional parts are nested too deeply");
    }
    let (rest, parts) = many1(|i| part(i, whole, depth + 1)).parse(rest).map_err(|e| match e {
        NomErr::Error(e) if e.message.is_empty() => NomErr::Failure(Expected {
            left: e.left,
            message: "an optional part [...] needs something inside",
        }),
        other => other,
    })?;
    match char::<_, Expected>(']').parse(rest) {
        Ok((rest, _)) => Ok((rest, Part::Optional(parts))),
        Err(_) if rest.is_empty() => fail(input, "`[` has no `]` (write \\[ for the character itself)"),
        Err(_) => fail(rest, "`]` was expected here"),
    }
}

fn braces(input: &str, whole: usize) -> Parsed<'_, Part> {
    let (rest, _) = char('{').parse(input)?;
    if let Ok((after, words)) = one_of(rest) {
        return Ok((after, Part::OneOf(words)));
    }
    let (rest, mut field) = field_inside(rest, whole)?;
    match char::<_, Expected>('}').parse(rest) {
        Ok((after, _)) => {
            field.at = whole - input.len();
            field.length = input.len() - after.len();
            Ok((after, Part::Field(field)))
        }
        Err(_) if rest.is_empty() => fail(input, "`{` has no `}` (write \\{ for the character itself)"),
        Err(_) => fail(rest, "`:`, `@` or `}` was expected here"),
    }
}

/// `a|b}`: at least two texts.
fn one_of(input: &str) -> Parsed<'_, Vec<String>> {
    let escaped = preceded(char('\\'), anychar);
    let plain = verify(anychar, |c| !matches!(c, '{' | '}' | '|' | '\\'));
    let word = map(many0(alt((escaped, plain))), |chars| chars.into_iter().collect::<String>());
    let mut words = verify(separated_list1(char('|'), word), |words: &Vec<String>| words.len() > 1);
    let (rest, words) = words.parse(input)?;
    let (rest, _) = char('}').parse(rest)?;
    Ok((rest, words))
}

fn name(input: &str) -> Parsed<'_, &str> {
    recognize(take_while1(|c: char| c.is_ascii_alphanumeric() || c == '_')).parse(input)
}

fn field_inside(input: &str, whole: usize) -> Parsed<'_, FieldPart> {
    let spaces = |i| -> Parsed<'_, ()> { map(opt(take_while1(|c| c == ' ')), |_| ()).parse(i) };
    let (rest, ()) = spaces(input)?;
    let Ok((rest, channel)) = name(rest) else {
        return fail(rest, "a field needs a name here: letters, digits and _");
    };
    let mut field = FieldPart { channel: channel.to_owned(), ..FieldPart::default() };
    let (mut rest, ()) = spaces(rest)?;
    if let Ok((after, _)) = char::<_, Expected>('=').parse(rest) {
        let (after, ()) = spaces(after)?;
        let Ok((after, quantity)) = name(after) else {
            return fail(after, "a quantity was expected after `=`");
        };
        field.quantity = Some(quantity.to_owned());
        (rest, ()) = spaces(after)?;
    }
    loop {
        if let Ok((after, _)) = char::<_, Expected>('@').parse(rest) {
            let columns = separated_pair(number, tag(".."), number);
            let Ok((after, (from, to))) = cut(columns).parse(after) else {
                return fail(after, "columns are written @from..to, such as @10..18");
            };
            if from == 0 || to < from {
                return fail(after, "columns count from 1 and go from left to right");
            }
            field.columns = Some((from, to));
            rest = after;
        } else if let Ok((after, _)) = char::<_, Expected>(':').parse(rest) {
            let at = whole - after.len();
            let (after, attribute) = attribute(after)?;
            field.attributes.push((attribute, at));
            rest = after;
        } else {
            return Ok((spaces(rest)?.0, field));
        }
    }
}

fn number(input: &str) -> Parsed<'_, usize> {
    verify(map(digit1, |d: &str| d.parse().unwrap_or(usize::MAX)), |n| *n <= 65_536).parse(input)
}

fn attribute(input: &str) -> Parsed<'_, Attribute> {
    if let Ok((shape_text, _)) = char::<_, Expected>('/').parse(input) {
        let shape = |i| -> Parsed<'_, Option<&str>> {
            delimited(char('/'), opt(take_while1(|c| !matches!(c, '/' | '}'))), char('/')).parse(i)
        };
        return match map(shape, |s| Attribute::Shape(s.unwrap_or_default().to_owned())).parse(input) {
            Ok(done) => Ok(done),
            Err(_) => fail(shape_text, "a shape ends with `/`, such as {ph:/n.00/}"),
        };
    }
    let word = take_while1(|c: char| !matches!(c, ':' | '}' | '{' | '@' | ' '));
    match map(word, |w: &str| Attribute::Word(w.to_owned())).parse(input) {
        Ok(done) => Ok(done),
        Err(NomErr::Error(_)) => fail(input, "a unit, text, flag, unit or a /shape/ was expected after `:`"),
        Err(other) => Err(other),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn parts_are_told_apart() {
        let parts = parse(r"\{x\} {ph:/n.00/}  [{steady:flag}]{a|b}").unwrap();
        assert_eq!(parts[0], Part::Literal("{x}".into()));
        assert_eq!(parts[1], Part::Blanks(1));
        let Part::Field(field) = &parts[2] else { panic!("{parts:?}") };
        assert_eq!(field.channel, "ph");
        assert_eq!(field.attributes, [(Attribute::Shape("n.00".into()), 10)]);
        assert_eq!((field.at, field.length), (6, 11));
        assert_eq!(parts[3], Part::Blanks(2));
        assert!(matches!(&parts[4], Part::Optional(inner) if inner.len() == 1));
        assert_eq!(parts[5], Part::OneOf(vec!["a".into(), "b".into()]));
    }

    #[test]
    fn a_channel_may_have_a_quantity_and_columns() {
        let parts = parse("{outside = temperature@10..18:degC}").unwrap();
        let Part::Field(field) = &parts[0] else { panic!("{parts:?}") };
        assert_eq!(field.quantity.as_deref(), Some("temperature"));
        assert_eq!(field.columns, Some((10, 18)));
        assert_eq!(field.attributes[0].0, Attribute::Word("degC".into()));
    }

    #[test]
    fn mistakes_have_a_place_and_words() {
        for (pattern, at, word) in [
            ("{ph", 0, "no `}`"),
            ("a]", 1, "without `[`"),
            ("x {", 3, "needs a name"),
            ("[{ph}", 0, "no `]`"),
            ("{ph:}", 4, "expected after `:`"),
            ("{ph@9..3}", 8, "left to right"),
            ("[]", 1, "something inside"),
            ("", 0, "empty"),
        ] {
            let error = parse(pattern).unwrap_err();
            assert_eq!(error.at, at, "{pattern}: {}", error.message);
            assert!(error.message.contains(word), "{pattern}: {}", error.message);
        }
    }

    proptest! {
        #[test]
        fn no_text_panics(text in r"[{}\[\]\\:/@=a|0-9. #n+-]{0,60}") {
            if let Err(error) = parse(&text) {
                prop_assert!(error.at <= text.len());
                prop_assert!(!error.message.is_empty(), "{}", text);
            }
        }
    }
}
