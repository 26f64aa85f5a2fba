//! What only a person can settle, and how it is asked: at most three questions, the guess first.

use super::column::Column;
use super::pipeline::Found;
use super::quantity::{LIVE, rivals};
use super::write::unit_of;
use super::{DraftAnswer, Question};
use crate::reading::{Quantity, Unit};

/// No more than three.
const MOST: usize = 3;

/// What a question is about.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Topic {
    /// Which quantity a column of text lines is.
    Quantity(usize),
    /// Which quantity a register is: set and register.
    Register(usize, usize),
    /// Where the decimal sign of a column stands.
    Scale(usize),
    /// The volume of one pulse.
    Pulse(usize),
    /// Which word of a flag means settled.
    Flag(usize),
}

/// Chooses what is worth a question, the dearest doubt first.
pub(super) fn topics(found: &Found) -> Vec<Topic> {
    let mut list: Vec<(f64, Topic)> = Vec::new();
    for (c, column) in found.columns.iter().enumerate() {
        if !found.live_templates.get(column.template).copied().unwrap_or(false) || column.run.count < 3 {
            continue;
        }
        if column.is_pulses && column.pulse_ml.is_none() {
            list.push((1.2, Topic::Pulse(c)));
            continue;
        }
        if column.other.is_some() {
            continue;
        }
        let weight = found.choices[c].map_or(0.0, |x| x.weight);
        if weight >= LIVE
            && let Some((_, sure)) = column.scale
            && sure < LIVE
        {
            list.push((1.0, Topic::Scale(c)));
        } else if weight < 0.8 {
            let constant = if column.run.constant { 0.5 } else { 0.0 };
            list.push((1.0 - weight - constant, Topic::Quantity(c)));
        } else if let Some((_, sure)) = column.scale {
            list.push((0.9 - sure, Topic::Scale(c)));
        }
    }
    for (s, set) in found.registers.iter().enumerate() {
        for (r, register) in set.registers.iter().enumerate() {
            let weight = register.choice.map_or(0.0, |x| x.weight);
            if weight < 0.9 {
                list.push((1.0 - weight, Topic::Register(s, r)));
            }
        }
    }
    for (f, flag) in found.flags.iter().enumerate() {
        if !flag.known
            && flag.words.len() == 2
            && flag.words.iter().all(|w| w.2.is_some())
            && found.live_templates.get(flag.template).copied().unwrap_or(false)
        {
            list.push((0.05, Topic::Flag(f)));
        }
    }
    list.sort_by(|a, b| b.0.total_cmp(&a.0));
    list.into_iter().take(MOST).map(|(_, t)| t).collect()
}

fn number(value: f64) -> String {
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Two lines with the place marked under them.
fn examples(found: &Found, column: &Column) -> Vec<String> {
    let template = &found.templates[column.template];
    let picks = [column.values.first(), column.values.get(column.values.len() * 3 / 4)];
    picks
        .into_iter()
        .flatten()
        .filter_map(|(i, _)| {
            let line = &found.lines[*i];
            let token = template.token(line, column.slot)?;
            let text: String = line.text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
            Some(format!(
                "{text}\n{}{}",
                " ".repeat(token.start),
                "^".repeat((token.end - token.start).max(1))
            ))
        })
        .collect()
}

/// The quantities to choose from: the guess first, then everything that it could be.
fn quantity_choices(column: &Column, chosen: Option<Quantity>) -> Vec<(Quantity, Unit)> {
    let mut list: Vec<Quantity> = chosen.into_iter().collect();
    for q in rivals(column, chosen) {
        if !list.contains(&q) {
            list.push(q);
        }
    }
    list.into_iter().map(|q| (q, unit_of(column, q))).collect()
}

/// Puts a topic in words.
pub(super) fn put(found: &Found, index: usize, topic: &Topic) -> Question {
    let number_of = |column: &Column| {
        found.columns.iter().filter(|c| c.template == column.template && c.slot <= column.slot).count()
    };
    let (text, examples, mut choices, changes) = match topic {
        Topic::Quantity(c) => {
            let column = &found.columns[*c];
            let choices = quantity_choices(column, found.choices[*c].map(|x| x.quantity));
            (
                format!(
                    "What is number {} of these lines? It runs from {} to {}.",
                    number_of(column),
                    number(column.run.first),
                    number(column.run.last)
                ),
                examples(found, column),
                choices.iter().map(|(q, u)| format!("{q} {u}")).collect::<Vec<_>>(),
                "the quantity and unit under which it is recorded, and what the curve is made of".to_owned(),
            )
        }
        Topic::Register(s, r) => {
            let register = &found.registers[*s].registers[*r];
            let column = &register.column;
            let chosen = register.choice.map(|x| x.quantity);
            let choices = quantity_choices(column, chosen);
            (
                format!(
                    "What is register {}? It runs from {} to {}.",
                    register.at,
                    number(column.run.first),
                    number(column.run.last)
                ),
                column
                    .values
                    .iter()
                    .step_by((column.values.len() / 2).max(1))
                    .take(2)
                    .filter_map(|(i, v)| {
                        found.lines.get(*i).map(|l| format!("{}\n^ here {}", l.text, number(*v)))
                    })
                    .collect(),
                choices.iter().map(|(q, u)| format!("{q} {u} x 1e{}", register.scale_of(*q))).collect(),
                "quantity, unit and scale of that register".to_owned(),
            )
        }
        Topic::Scale(c) => {
            let column = &found.columns[*c];
            let value = column.run.last;
            let mut powers: Vec<i32> = column.scale.iter().map(|s| s.0).collect();
            powers
                .extend([0, -1, -2, -3, -4].into_iter().filter(|p| !powers.contains(p)).collect::<Vec<_>>());
            (
                format!(
                    "Number {} has no decimal sign. What does {} stand for?",
                    number_of(column),
                    number(value)
                ),
                examples(found, column),
                powers.iter().map(|p| number(value * 10f64.powi(*p))).collect(),
                "the scale of all its values".to_owned(),
            )
        }
        Topic::Pulse(c) => {
            let column = &found.columns[*c];
            (
                format!(
                    "Number {} counts pulses, from {} to {}. What volume is one pulse, in mL?",
                    number_of(column),
                    number(column.run.first),
                    number(column.run.last)
                ),
                examples(found, column),
                vec!["0.002".to_owned(), "0.005".to_owned(), "0.01".to_owned(), "0.001".to_owned()],
                "every volume that is recorded".to_owned(),
            )
        }
        Topic::Flag(f) => {
            let flag = &found.flags[*f];
            let settled = flag.words.iter().find(|w| w.2 == Some(true)).map_or("", |w| w.0.as_str());
            let moving = flag.words.iter().find(|w| w.2 == Some(false)).map_or("", |w| w.0.as_str());
            let lines = found.templates[flag.template]
                .lines
                .iter()
                .take(2)
                .map(|i| found.lines[*i].text.clone())
                .collect();
            (
                format!("Does {settled:?} mean that the value is settled, and {moving:?} that it moves?"),
                lines,
                vec!["yes".to_owned(), "the other way round".to_owned(), "neither".to_owned()],
                "which readings count as steady".to_owned(),
            )
        }
    };
    if matches!(topic, Topic::Quantity(_) | Topic::Register(..)) {
        choices.push("none: leave it out".to_owned());
    }
    Question { number: index + 1, text, examples, choices, changes }
}

/// Applies an answer; gives what was understood, or why it was not.
pub(super) fn settle(
    found: &mut Found,
    topic: &Topic,
    question: &Question,
    answer: &DraftAnswer,
) -> Result<String, String> {
    let said = answer.text.trim();
    let chosen = match said.parse::<usize>() {
        Ok(n) if matches!(topic, Topic::Quantity(_) | Topic::Register(..) | Topic::Flag(_)) => question
            .choices
            .get(n.wrapping_sub(1))
            .cloned()
            .ok_or_else(|| format!("question {} has no choice {n}", question.number))?,
        _ => said.to_owned(),
    };
    let note = format!("question {} was answered: {chosen}", question.number);
    match topic {
        Topic::Quantity(c) => {
            let column = &mut found.columns[*c];
            if chosen.starts_with("none") {
                column.other = Some("so it was answered".to_owned());
            } else {
                let (q, unit) = quantity_and_unit(&chosen)?;
                column.evidence.push((q, 0.999, "your answer".to_owned()));
                column.evidence.retain(|(other, ..)| *other == q);
                if let Some(unit) = unit {
                    column.units.insert(0, (String::new(), unit));
                }
                super::quantity::hidden_point(column);
            }
        }
        Topic::Register(s, r) => {
            let register = &mut found.registers[*s].registers[*r];
            if chosen.starts_with("none") {
                register.choice = None;
                register.column.evidence.clear();
                register.column.other = Some("so it was answered".to_owned());
            } else {
                let (q, unit) = quantity_and_unit(&chosen)?;
                register.column.evidence.retain(|(other, ..)| *other == q);
                register.column.evidence.push((q, 0.999, "your answer".to_owned()));
                if let Some(unit) = unit {
                    register.column.units.insert(0, (String::new(), unit));
                }
            }
        }
        Topic::Scale(c) => {
            let column = &mut found.columns[*c];
            let told: f64 =
                chosen.replace(',', ".").parse().map_err(|_| format!("{chosen:?} is no number"))?;
            let power = (0..=6)
                .map(|p: i32| -p)
                .find(|p| (column.run.last * 10f64.powi(*p) - told).abs() <= 1e-6 * told.abs().max(1e-6));
            column.scale = Some((
                power.ok_or_else(|| {
                    format!("{chosen} is not {} with another decimal sign", number(column.run.last))
                })?,
                0.99,
            ));
        }
        Topic::Pulse(c) => {
            let size: f64 = chosen
                .replace(',', ".")
                .trim_end_matches("mL")
                .trim()
                .parse()
                .map_err(|_| format!("{chosen:?} is no volume in mL"))?;
            if !(size > 0.0 && size < 10.0) {
                return Err(format!("{chosen} mL is no size of a pulse"));
            }
            found.columns[*c].set_pulse(size);
        }
        Topic::Flag(f) => {
            let flag = &mut found.flags[*f];
            if chosen.starts_with("the other") {
                for w in &mut flag.words {
                    w.2 = w.2.map(|m| !m);
                }
            }
            flag.known = !chosen.starts_with("neither") && !chosen.starts_with("no");
        }
    }
    found.choose();
    Ok(note)
}

fn quantity_and_unit(text: &str) -> Result<(Quantity, Option<Unit>), String> {
    let mut words = text.split_whitespace();
    let name = words.next().unwrap_or("").to_lowercase();
    let q = Quantity::parse(&name).ok_or_else(|| {
        format!("{name:?} is no quantity; known are {}", Quantity::ALL.map(Quantity::name).join(", "))
    })?;
    let unit = match words.next() {
        None | Some("x") => None,
        Some(u) => Some(
            Unit::parse(u)
                .filter(|u| u.quantities().contains(&q))
                .ok_or_else(|| format!("{u:?} is no unit of {q}"))?,
        ),
    };
    Ok((q, unit))
}

/// What stays open, as comments of the profile.
pub(super) fn open_notes(found: &Found, topics: &[Topic], answered: &[usize]) -> Vec<String> {
    topics
        .iter()
        .enumerate()
        .filter(|(i, _)| !answered.contains(&(i + 1)))
        .map(|(i, topic)| {
            let q = put(found, i, topic);
            format!(
                "open: {} Guess: {}; else {}.",
                q.text,
                q.choices.first().map_or("", String::as_str),
                q.choices.iter().skip(1).take(4).cloned().collect::<Vec<_>>().join(", ")
            )
        })
        .collect()
}
