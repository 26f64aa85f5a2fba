//! Requests of a draft: what was sent, and the registers that answer.

use super::quote::{percent, quoted, quoted_bytes, trimmed};
use super::{channel, median, reasons, second, unit_of};
use crate::profile::draft::DraftColumn;
use crate::profile::draft::modbus::RegisterSet;
use crate::profile::draft::pipeline::Found;
use crate::profile::draft::quantity::LIVE;
use crate::reading::Quantity;

pub(super) fn asks(out: &mut String, found: &Found, answers: &[(Option<usize>, String)]) -> Vec<String> {
    if !found.registers.is_empty() {
        return vec!["read-registers".to_owned()];
    }
    let mut list: Vec<String> = Vec::new();
    for (i, request) in found.requests.iter().enumerate() {
        let times: Vec<f64> =
            found.stream.sent.iter().filter(|s| s.bytes == *request).map(|s| s.at_s).collect();
        let every = median(times.windows(2).map(|w| w[1] - w[0]).collect()).unwrap_or(1.0);
        let names: Vec<String> = answers
            .iter()
            .filter(|(a, _)| *a == Some(i) || a.is_none() && found.requests.len() == 1)
            .map(|(_, n)| quoted(n))
            .collect();
        let slug: String = String::from_utf8_lossy(request)
            .trim()
            .to_lowercase()
            .chars()
            .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
            .collect();
        let slug = slug.trim_matches('-').to_owned();
        let plain = if slug.is_empty() { "request".to_owned() } else { slug };
        let name = if list.contains(&plain) { format!("{plain}-{}", i + 1) } else { plain };
        list.push(name.clone());
        if i == 0 {
            put!(
                out,
                "\n# What went out while the capture was taken; a person confirms it before it is ever sent."
            );
        }
        put!(out, "\n[[ask]]\nname = {}\nsend = {}", quoted(&name), quoted_bytes(request));
        if !names.is_empty() {
            put!(out, "answers = [{}]", names.join(", "));
        }
        put!(out, "every = \"{every:.1} s\"");
        if let Some(within) = found.deadline_ms(request) {
            put!(out, "# twice the time that nine of ten answers took\nwithin = \"{within} ms\"");
        }
    }
    list
}

pub(super) fn registers(
    found: &Found,
    body: &mut String,
    columns: &mut Vec<DraftColumn>,
    measured: &mut Vec<Quantity>,
) {
    let mut taken = Vec::new();
    for (k, set) in found.registers.iter().enumerate() {
        let name = if k == 0 { "registers".to_owned() } else { format!("registers-{}", k + 1) };
        let mut list: Vec<String> = Vec::new();
        let mut notes: Vec<String> = Vec::new();
        for register in &set.registers {
            let column = &register.column;
            let choice = register.choice;
            let from_to = (column.run.first, column.run.last);
            let because = reasons(column, choice.map(|c| c.quantity));
            let Some(choice) = choice.filter(|c| c.weight >= LIVE) else {
                let guess = choice.map(|c| c.quantity);
                notes.push(format!(
                    "# register {} ({} .. {}) stays unread{}",
                    register.at,
                    trimmed(from_to.0),
                    trimmed(from_to.1),
                    guess.map_or(String::new(), |q| format!(": {q}?"))
                ));
                columns.push(DraftColumn {
                    channel: format!("register_{}", register.at),
                    quantity: guess,
                    unit: None,
                    confidence: choice.map_or(0.0, |c| c.weight),
                    live: false,
                    because,
                    from_to,
                });
                continue;
            };
            let channel = channel(choice.quantity, column, &mut taken);
            let unit = unit_of(column, choice.quantity);
            let scale = register.scale_of(choice.quantity);
            let assigned = if channel == choice.quantity.name() {
                channel.clone()
            } else {
                format!("{channel} = {}", choice.quantity)
            };
            let scaled = if scale == 0 { String::new() } else { format!(", scale = 1e{scale}") };
            notes.push(format!(
                "# {channel}: {} is taken for {} {unit}; {} sure, from {}{}",
                trimmed(from_to.0),
                trimmed(from_to.0 * 10f64.powi(scale)),
                percent(choice.weight),
                because.join(", "),
                second(column, choice.quantity)
            ));
            list.push(format!(
                "    {{ field = \"{assigned}:{}\", at = {}, form = \"{}\"{scaled} }},",
                unit.symbol(),
                register.at,
                register.form
            ));
            if !measured.contains(&choice.quantity) {
                measured.push(choice.quantity);
            }
            columns.push(DraftColumn {
                channel,
                quantity: Some(choice.quantity),
                unit: Some(unit),
                confidence: choice.weight,
                live: true,
                because,
                from_to,
            });
        }
        ask_registers(body, found, set, &name);
        for note in notes {
            put!(body, "{note}");
        }
        if !list.is_empty() {
            put!(body, "[[line]]\nname = \"{name}\"\nregisters = [\n{}\n]", list.join("\n"));
        }
    }
}

pub(super) fn ask_registers(body: &mut String, found: &Found, set: &RegisterSet, name: &str) {
    let times: Vec<f64> = found.stream.sent.iter().filter(|s| !s.is_handshake()).map(|s| s.at_s).collect();
    let every =
        median(times.windows(2).map(|w| w[1] - w[0]).collect()).unwrap_or(1.0) * found.registers.len() as f64;
    if !set.heard {
        put!(body, "\n# The request itself was not heard: the number of the first register is a guess.");
    }
    let live = set.registers.iter().any(|r| r.choice.is_some_and(|c| c.weight >= LIVE));
    let answers = if live { format!("answers = [\"{name}\"]\n") } else { String::new() };
    put!(
        body,
        "\n[[ask]]\nname = \"read-{name}\"\nmodbus = {{ address = {}, function = {}, first = {}, count = {} }}\n{answers}every = \"{every:.1} s\"\n\n# {} answers; scale and quantity of each register are guesses, compare them with the display",
        set.address,
        set.function,
        set.first,
        set.count,
        set.answers
    );
}
