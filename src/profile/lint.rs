//! What a profile says but hardly means: patterns that are never reached, two that take the same line,
//! flags and quantities without use.
//!
//! Whether one pattern takes what another one is for is tried, not proved: samples are written by each
//! pattern and read by the earlier ones.

use super::matcher::Scratch;
use super::program::{Field, Kind, NumberField, Op, Program, UnitFrom};
use super::{Means, Pattern, Profile};
use crate::form::{Diagnostic, Severity};
use crate::reading::Unit;

/// Samples that each pattern writes.
const SAMPLES: usize = 6;

impl Profile {
    /// Warnings about the patterns.
    pub(crate) fn lints(&self) -> Vec<Diagnostic> {
        let mut found = Vec::new();
        self.hidden_patterns(&mut found);
        self.unused_measures(&mut found);
        self.number_eats_comma(&mut found);
        if self.examples.is_empty() {
            let remedy =
                "add an [[example]] with bytes of the instrument and what they give; it becomes a test";
            found.push(self.located(
                Severity::Warning,
                "profile.no-example",
                0..0,
                "the profile has no example".to_owned(),
                remedy.to_owned(),
            ));
        }
        found
    }

    fn hidden_patterns(&self, found: &mut Vec<Diagnostic>) {
        // Patterns that are tried in the same situation, in their order, with the line they belong to.
        let mut situations: Vec<Vec<(usize, &Pattern)>> = Vec::new();
        let patterns_of = |line: usize| match &self.lines[line].means {
            Means::Like(patterns) => patterns.as_slice(),
            Means::Registers(_) => &[],
        };
        let asks: Vec<Option<usize>> = std::iter::once(None).chain((0..self.asks.len()).map(Some)).collect();
        for ask in asks {
            let in_turn = (0..self.lines.len()).filter(|line| {
                let answers = &self.lines[*line].answers;
                answers.is_empty() || ask.is_some_and(|ask| answers.contains(&ask))
            });
            situations
                .push(in_turn.flat_map(|line| patterns_of(line).iter().map(move |p| (line, p))).collect());
        }
        for (index, block) in self.blocks.iter().enumerate() {
            let lists = [&block.ends, &block.rows, &block.lines, &block.ignore];
            let in_turn = lists
                .into_iter()
                .enumerate()
                .flat_map(|(list, patterns)| patterns.iter().map(move |p| (4 * index + list, p)));
            situations.push(in_turn.collect());
        }
        let mut scratch = Scratch::default();
        for situation in situations {
            for (at, (group, pattern)) in situation.iter().enumerate() {
                let samples = samples(pattern, &mut scratch);
                for (earlier_group, earlier) in &situation[..at] {
                    let taken: Vec<&String> =
                        samples.iter().filter(|text| earlier.program.run(text, &mut scratch)).collect();
                    let Some(first) = taken.first() else { continue };
                    let (code, message, remedy) = if taken.len() == samples.len() {
                        let message = format!(
                            "this pattern is never reached: `{}` takes all its lines first",
                            earlier.text
                        );
                        (
                            "profile.never-reached",
                            message,
                            "put it before that one, or make that one narrower",
                        )
                    } else if group != earlier_group {
                        let message = format!(
                            "two patterns take the same line: {first:?} also fits `{}`",
                            earlier.text
                        );
                        (
                            "profile.same-line",
                            message,
                            "the earlier one wins; give the numbers shapes or the texts more letters",
                        )
                    } else {
                        continue;
                    };
                    let lint = self.located(
                        Severity::Warning,
                        code,
                        pattern.span.clone(),
                        message,
                        remedy.to_owned(),
                    );
                    if !found.contains(&lint) {
                        found.push(lint);
                    }
                    break;
                }
            }
        }
    }

    fn unused_measures(&self, found: &mut Vec<Diagnostic>) {
        let mut given = Vec::new();
        for op in self.patterns().flat_map(|pattern| &pattern.program.ops) {
            match op {
                Op::Field(Field { kind: Kind::Number(number), .. }) => given.push(number.quantity),
                Op::Field(Field { kind: Kind::Clock, .. }) => given.push(crate::reading::Quantity::Time),
                _ => {}
            }
        }
        for line in &self.lines {
            if let Means::Registers(registers) = &line.means {
                given.extend(registers.fields.iter().map(|register| register.number.quantity));
            }
        }
        for missing in self.measures.iter().filter(|quantity| !given.contains(quantity)) {
            let at = self.text.find("measures").unwrap_or(0);
            let message = format!("`measures` names {missing}, but no pattern gives it");
            let remedy = format!("add a field `{{{missing}}}` to a pattern, or take it out of `measures`");
            found.push(self.located(
                Severity::Warning,
                "profile.unused-quantity",
                at..at + 8,
                message,
                remedy,
            ));
        }
    }

    /// A number without a shape before a literal comma, on a wire with decimal commas.
    fn number_eats_comma(&self, found: &mut Vec<Diagnostic>) {
        use super::number::Decimal;
        for pattern in self.patterns() {
            for pair in pattern.program.ops.windows(2) {
                if let [
                    Op::Field(Field { kind: Kind::Number(number), columns: None, channel }),
                    Op::Literal(literal),
                ] = pair
                    && number.shape.is_none()
                    && number.style.decimal != Decimal::Point
                    && literal.starts_with(',')
                {
                    let message = format!("a comma behind `{channel}` is read as its decimal sign");
                    let remedy = format!("give it a shape, such as {{{channel}:/n.00/}}");
                    found.push(self.located(
                        Severity::Warning,
                        "profile.comma",
                        pattern.span.clone(),
                        message,
                        remedy,
                    ));
                }
            }
        }
    }
}

/// Texts that the pattern itself takes.
fn samples(pattern: &Pattern, scratch: &mut Scratch) -> Vec<String> {
    let mut texts: Vec<String> = Vec::new();
    for variant in 0..SAMPLES {
        let text = sample(&pattern.program, variant);
        if !texts.contains(&text) && pattern.program.run(&text, scratch) {
            texts.push(text);
        }
    }
    texts
}

fn sample(program: &Program, variant: usize) -> String {
    let mut text = String::new();
    let mut op = 0;
    let mut choices = variant;
    while let Some(step) = program.ops.get(op) {
        op += 1;
        match step {
            Op::Literal(literal) => text.push_str(literal),
            Op::Blanks => text.push(' '),
            Op::ExactBlanks(count) => text.push_str(&" ".repeat(*count)),
            Op::AnyBlanks | Op::End => {}
            Op::Unit(unit, _) => text.push_str(unit.symbol()),
            Op::OneOf(words) => text.push_str(&words[variant % words.len().max(1)]),
            Op::Try(other) => {
                if choices % 2 == 1 {
                    op = *other;
                }
                choices /= 2;
            }
            Op::Field(field) => {
                let value = field_sample(field, variant);
                if let Some((from, to)) = field.columns {
                    let width = to + 1 - from;
                    let missing = (from - 1).saturating_sub(text.chars().count());
                    text.push_str(&" ".repeat(missing));
                    text.push_str(&format!("{value:>width$}"));
                } else {
                    text.push_str(&value);
                }
            }
        }
    }
    text.truncate(text.trim_end().len());
    text
}

fn field_sample(field: &Field, variant: usize) -> String {
    match &field.kind {
        Kind::Number(number) => number_sample(number, variant),
        Kind::SkippedNumber(shape) => shape.sample(variant, '.'),
        Kind::Unit(quantity) => {
            let units: Vec<Unit> = Unit::of(*quantity).collect();
            units[variant % units.len()].symbol().to_owned()
        }
        Kind::Clock => "0:12:34".to_owned(),
        Kind::Text | Kind::Word => ["sample", "X7"][variant % 2].to_owned(),
        Kind::Flag(words) => words[variant % words.len()].0.to_string(),
    }
}

fn number_sample(number: &NumberField, variant: usize) -> String {
    let decimal = if number.style.decimal == super::number::Decimal::Comma { ',' } else { '.' };
    if variant == SAMPLES - 1
        && let Some((instead, _)) = number.instead.first()
    {
        return instead.to_string();
    }
    let text = match (&number.shape, number.base) {
        (Some(shape), _) => return shape.sample(variant, decimal),
        (None, 10) if number.unit == UnitFrom::Above => "7".to_owned(),
        (None, 10) => ["12.3", "4.567", "-0.5", "8"][variant % 4].to_owned(),
        (None, _) => "10".to_owned(),
    };
    text.replace('.', &decimal.to_string())
}
