//! The grammar, with nom.

use super::super::Unit;
use super::super::quantity::number_length;
use super::{DEEPEST, Fault, FormulaError, Function, LONGEST, MOST_LEVELS, Node, Span, What};
use crate::chemistry::formula_mass;
use crate::form::nearest;
use nom::branch::alt;
use nom::bytes::complete::{take_till, take_while, take_while1};
use nom::character::complete::{char, one_of};
use nom::combinator::{opt, recognize};
use nom::error::{ErrorKind, ParseError};
use nom::multi::{many0, separated_list1};
use nom::sequence::{delimited, preceded, terminated};
use nom::{Err, IResult, Parser};

/// A fault with its place counted from the end: what was left to read at its beginning and end.
#[derive(Debug, PartialEq)]
struct Broken {
    left: usize,
    left_behind: usize,
    fault: Fault,
}

impl ParseError<&str> for Broken {
    fn from_error_kind(input: &str, _: ErrorKind) -> Self {
        let next = input.chars().next().map_or(0, char::len_utf8);
        Self { left: input.len(), left_behind: input.len() - next, fault: Fault::Expected("a value") }
    }

    fn append(_: &str, _: ErrorKind, other: Self) -> Self {
        other
    }
}

type Parsed<'a, T> = IResult<&'a str, T, Broken>;

/// Reads a whole formula.
pub(super) fn parse(text: &str) -> Result<Node, FormulaError> {
    bounded(text)?;
    let grammar = Grammar { length: text.len() };
    let broken = match preceded(blank, |i| grammar.sum(i)).parse(text) {
        Ok(("", node)) => return Ok(node),
        Ok((rest, _)) => {
            let next = rest.chars().next().map_or(0, char::len_utf8);
            Broken {
                left: rest.len(),
                left_behind: rest.len() - next,
                fault: Fault::Expected("an operator or the end"),
            }
        }
        Err(Err::Error(broken) | Err::Failure(broken)) => broken,
        Err(Err::Incomplete(_)) => Broken { left: 0, left_behind: 0, fault: Fault::Expected("a value") },
    };
    let span = Span { start: text.len() - broken.left, end: text.len() - broken.left_behind };
    Err(FormulaError::new(broken.fault, span, text))
}

/// Refuses what would make a tree too deep, before it is built.
fn bounded(text: &str) -> Result<(), FormulaError> {
    let whole = Span { start: 0, end: 0 };
    if text.len() > LONGEST {
        let why = format!("{} bytes, at most {LONGEST} are read", text.len());
        return Err(FormulaError::new(Fault::TooMuch(why), whole, text));
    }
    let (mut depth, mut deepest, mut levels) = (0_usize, 0, 0);
    let mut last = ' ';
    for c in text.chars().filter(|c| !c.is_whitespace()) {
        match c {
            '(' => depth += 1,
            ')' => depth = depth.saturating_sub(1),
            '^' => levels += 1,
            '-' | '+' | '\u{2212}' if "-+\u{2212}(*/^,·×".contains(last) => levels += 1,
            _ => {}
        }
        deepest = deepest.max(depth);
        last = c;
    }
    if deepest > DEEPEST {
        let why = format!("brackets {deepest} deep, at most {DEEPEST} are read");
        return Err(FormulaError::new(Fault::TooMuch(why), whole, text));
    }
    if levels > MOST_LEVELS {
        let why = format!("{levels} powers and signs, at most {MOST_LEVELS} are read");
        return Err(FormulaError::new(Fault::TooMuch(why), whole, text));
    }
    Ok(())
}

fn blank(input: &str) -> Parsed<'_, &str> {
    take_while(char::is_whitespace).parse(input)
}

/// What `inner` reads, and the blanks behind it.
fn token<'a, T>(
    inner: impl Parser<&'a str, Output = T, Error = Broken>,
) -> impl Parser<&'a str, Output = T, Error = Broken> {
    terminated(inner, blank)
}

fn fail<T>(from: &str, behind: &str, fault: Fault) -> Result<T, Err<Broken>> {
    Err(Err::Failure(Broken { left: from.len(), left_behind: behind.len(), fault }))
}

/// A closing mark that must come, with words for the case that it does not.
fn closing<'a>(mark: char, words: &'static str) -> impl Parser<&'a str, Output = char, Error = Broken> {
    token(move |input: &'a str| match char::<_, Broken>(mark).parse(input) {
        Ok(done) => Ok(done),
        Err(_) => {
            let next = input.chars().next().map_or(0, char::len_utf8);
            fail(input, &input[next..], Fault::Expected(words))
        }
    })
}

/// Knows the length of the text, so that places are counted from its beginning.
struct Grammar {
    length: usize,
}

impl Grammar {
    /// The node with its place: from what was left before it to what is left behind it, blanks not counted.
    fn placed(&self, before: &str, behind: &str, what: What) -> Node {
        let (start, end) = (self.length - before.len(), self.length - behind.len());
        let read = &before[..before.len() - behind.len()];
        Node { span: Span { start, end: end - (read.len() - read.trim_end().len()) }, what }
    }

    fn sum<'a>(&self, input: &'a str) -> Parsed<'a, Node> {
        self.chain(input, &['+'], &['-', '\u{2212}'], |i| self.product(i), What::Sum)
    }

    fn product<'a>(&self, input: &'a str) -> Parsed<'a, Node> {
        self.chain(input, &['*', '·', '×', '⋅'], &['/', '÷'], |i| self.signed(i), What::Product)
    }

    /// Operands with operators of one rank between them, as one flat node.
    fn chain<'a>(
        &self,
        input: &'a str,
        forward: &[char],
        back: &[char],
        operand: impl Fn(&'a str) -> Parsed<'a, Node>,
        node: impl Fn(Box<Node>, Vec<(bool, Node)>) -> What,
    ) -> Parsed<'a, Node> {
        let (rest, first) = operand(input)?;
        let operator = |i: &'a str| {
            let (rest, c) = nom::character::complete::anychar.parse(i)?;
            if !(forward.contains(&c) || back.contains(&c)) {
                return Err(Err::Error(Broken::from_error_kind(i, ErrorKind::OneOf)));
            }
            Ok((rest, forward.contains(&c)))
        };
        // Behind an operator an operand must come: the fault is there, not at the operator.
        let must = |i: &'a str| operand(i).map_err(to_failure);
        let (rest, more) = many0((token(operator), must)).parse(rest)?;
        if more.is_empty() {
            return Ok((rest, first));
        }
        let what = node(Box::new(first), more);
        Ok((rest, self.placed(input, rest, what)))
    }

    fn signed<'a>(&self, input: &'a str) -> Parsed<'a, Node> {
        let (rest, sign) = opt(token(one_of("+-\u{2212}"))).parse(input)?;
        match sign {
            None => self.power(input),
            Some('+') => self.signed(rest).map_err(to_failure),
            Some(_) => {
                let (rest, inner) = self.signed(rest).map_err(to_failure)?;
                Ok((rest, self.placed(input, rest, What::Negative(Box::new(inner)))))
            }
        }
    }

    fn power<'a>(&self, input: &'a str) -> Parsed<'a, Node> {
        let (rest, base) = self.atom(input)?;
        let (rest, exponent) =
            opt(preceded(token(char('^')), |i| self.signed(i).map_err(to_failure))).parse(rest)?;
        match exponent {
            None => Ok((rest, base)),
            Some(exponent) => {
                let what = What::Power(Box::new(base), Box::new(exponent));
                Ok((rest, self.placed(input, rest, what)))
            }
        }
    }

    fn atom<'a>(&self, input: &'a str) -> Parsed<'a, Node> {
        alt((|i| self.number(i), |i| self.named(i), |i| self.bracket(i))).parse(input)
    }

    fn bracket<'a>(&self, input: &'a str) -> Parsed<'a, Node> {
        delimited(token(char('(')), |i| self.sum(i).map_err(to_failure), closing(')', "')' or an operator"))
            .parse(input)
    }

    fn number<'a>(&self, input: &'a str) -> Parsed<'a, Node> {
        let Some(length) = number_length(input) else {
            return Err(Err::Error(Broken::from_error_kind(input, ErrorKind::Digit)));
        };
        let (digits, behind) = input.split_at(length);
        let value = match digits.parse::<f64>() {
            Ok(value) if value.is_finite() => value,
            _ => return fail(input, behind, Fault::NotFinite),
        };
        if behind.starts_with(|c: char| c.is_alphabetic() || c == '_' || c == '.') {
            let next = behind.chars().next().map_or(0, char::len_utf8);
            return fail(
                behind,
                &behind[next..],
                Fault::Expected("an operator or a unit in square brackets"),
            );
        }
        let (rest, _) = blank(behind)?;
        let (rest, unit) =
            opt(delimited(char('['), take_till(|c| c == ']'), closing(']', "']' behind the unit")))
                .parse(rest)?;
        let Some(unit) = unit else {
            return Ok((rest, self.placed(input, rest, What::Number(value))));
        };
        match Unit::parse(unit) {
            Ok(unit) => Ok((rest, self.placed(input, rest, What::Quantity(value, unit)))),
            Err(error) => fail(input, rest, Fault::Unit(error.to_string())),
        }
    }

    /// A name, a molar mass or a function with its arguments.
    fn named<'a>(&self, input: &'a str) -> Parsed<'a, Node> {
        let letter = |c: char| c.is_alphabetic() || c == '_';
        let mut name =
            recognize((take_while1(letter), take_while(move |c: char| letter(c) || c.is_numeric())));
        let (behind, name) = name.parse(input)?;
        let (rest, _) = blank(behind)?;
        let Some(inside) = rest.strip_prefix('(') else {
            return Ok((rest, self.placed(input, rest, What::Name(name.to_owned()))));
        };
        if name == "M" {
            return self.molar_mass(input, inside);
        }
        let Some((_, function)) = Function::ALL.into_iter().find(|(known, _)| *known == name) else {
            let near = nearest(name, Function::ALL.iter().map(|(known, _)| *known).chain(["M"]));
            return fail(input, behind, Fault::NoSuchFunction(near.map(str::to_owned)));
        };
        let argument = |i| self.sum(i).map_err(to_failure);
        let (rest, arguments) = delimited(
            blank,
            separated_list1(token(char(',')), argument),
            closing(')', "')', ',' or an operator"),
        )
        .parse(inside)?;
        if arguments.len() > 1 && !function.takes_several() {
            let why = format!("{name} takes one argument, {} are given", arguments.len());
            return fail(input, rest, Fault::Arguments(why));
        }
        Ok((rest, self.placed(input, rest, What::Call(function, arguments))))
    }

    fn molar_mass<'a>(&self, before: &'a str, inside: &'a str) -> Parsed<'a, Node> {
        let mut depth = 1;
        let end = inside.find(|c| {
            depth += i32::from(c == '(') - i32::from(c == ')');
            depth == 0
        });
        let Some(end) = end else {
            return fail(before, &before[1..], Fault::Expected("')' behind the substance"));
        };
        let substance = inside[..end].trim();
        let (rest, _) = blank(&inside[end + 1..])?;
        match formula_mass::Composition::parse(substance) {
            Ok(_) => Ok((rest, self.placed(before, rest, What::MolarMass(substance.to_owned())))),
            Err(error) => fail(inside, &inside[end..], Fault::Substance(error.to_string())),
        }
    }
}

/// An operand that must come makes its absence final.
fn to_failure(error: Err<Broken>) -> Err<Broken> {
    match error {
        Err::Error(mut broken) => {
            if broken.fault == Fault::Expected("a value") {
                broken.fault = Fault::Expected("a number, a name, a function or '('");
            }
            Err::Failure(broken)
        }
        other => other,
    }
}
