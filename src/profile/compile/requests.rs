//! Requests, the lines that answer them, and Modbus registers.

use super::Compiler;
use crate::form::nearest;
use crate::profile::ask::{Ask, modbus_request};
use crate::profile::form::{AskForm, LineForm, RegisterForm, Text};
use crate::profile::pattern::{self};
use crate::profile::program::{Field, Kind};
use crate::profile::register::Register;
use crate::profile::{Line, Means};
use std::collections::BTreeMap;
use std::sync::Arc;

impl Compiler<'_, '_> {
    pub(super) fn asks(&mut self, forms: &[AskForm]) -> Vec<Ask> {
        let mut asks: Vec<Ask> = Vec::new();
        for form in forms {
            let name: Arc<str> = form.name.get_ref().as_str().into();
            if asks.iter().any(|ask| ask.name == name) {
                let message = format!("two requests are named `{name}`");
                self.error("profile.double-name", form.name.span(), message, "give each its own name");
            }
            let bytes = match (&form.send, &form.modbus) {
                (Some(send), None) => self.send(send),
                (None, Some(modbus)) => {
                    if !matches!(modbus.get_ref().function, 3 | 4) {
                        let message = format!(
                            "Modbus function {} does not only read registers",
                            modbus.get_ref().function
                        );
                        self.error(
                            "profile.writes",
                            modbus.span(),
                            message,
                            "dropwise only reads: use function 3 or 4",
                        );
                    }
                    modbus_request(modbus.get_ref())
                }
                _ => {
                    self.error(
                        "profile.ask",
                        form.name.span(),
                        "a request needs `send` or `modbus`, one of them",
                        "add send = \"READ\\r\"",
                    );
                    Vec::new()
                }
            };
            asks.push(Ask {
                name,
                bytes,
                every_ns: form.every.as_ref().map(|every| self.duration(Some(every), 1_000_000_000)),
                within_ns: self.duration(form.within.as_ref(), 1_000_000_000),
                retries: form.retries,
                answers: Vec::new(),
                modbus: form.modbus.as_ref().map(|modbus| modbus.get_ref().clone()),
            });
        }
        asks
    }

    /// The bytes of a request; what is known to write is refused.
    pub(super) fn send(&mut self, send: &Text) -> Vec<u8> {
        let bytes: Option<Vec<u8>> =
            send.get_ref().chars().map(|c| u8::try_from(u32::from(c)).ok()).collect();
        let Some(bytes) = bytes.filter(|bytes| !bytes.is_empty()) else {
            self.error(
                "profile.send",
                send.span(),
                "a request is bytes: characters U+0000 to U+00FF",
                "write others as \\u00XX",
            );
            return Vec::new();
        };
        let function = bytes
            .strip_prefix(b":")
            .and_then(|hex| hex.get(2..4))
            .and_then(|hex| std::str::from_utf8(hex).ok());
        if let Some(function) = function.and_then(|hex| u8::from_str_radix(hex, 16).ok())
            && matches!(function, 5 | 6 | 15 | 16 | 21 | 22 | 23)
        {
            let message = format!("this is Modbus function {function}, which writes");
            self.error("profile.writes", send.span(), message, "dropwise only reads: use function 3 or 4");
        }
        bytes
    }

    pub(super) fn join_answers(
        &mut self,
        forms: &[AskForm],
        line_forms: &[LineForm],
        asks: &mut [Ask],
        lines: &mut [Line],
    ) {
        let names: Vec<&str> = line_forms
            .iter()
            .filter_map(|line| line.name.as_ref())
            .map(|name| name.get_ref().as_str())
            .collect();
        for (index, form) in forms.iter().enumerate() {
            for answer in &form.answers {
                let wanted = answer.get_ref().as_str();
                if !names.contains(&wanted) {
                    let near =
                        nearest(wanted, names.iter().copied()).map(|near| format!("did you mean `{near}`? "));
                    let remedy = format!("{}lines are: {}", near.unwrap_or_default(), names.join(", "));
                    self.error(
                        "profile.unknown-line",
                        answer.span(),
                        format!("no line is named `{wanted}`"),
                        remedy,
                    );
                }
                for (line_index, line) in
                    lines.iter_mut().enumerate().filter(|(_, line)| &*line.name == wanted)
                {
                    line.answers.push(index);
                    asks[index].answers.push(line_index);
                }
            }
        }
        for (line, form) in lines.iter().zip(line_forms) {
            self.registers_are_asked(line, form, asks);
            let asked = line.answers.iter().any(|ask| asks[*ask].modbus.is_some());
            if matches!(line.means, Means::Registers(_)) && !asked {
                let span = form.registers.first().map_or(0..0, |register| register.field.span());
                let remedy = format!("add [[ask]] with modbus = {{ ... }} and answers = [\"{}\"]", line.name);
                self.error("profile.registers", span, "no Modbus request asks for these registers", remedy);
            }
        }
    }

    /// Every register must lie within what its request asks for.
    pub(super) fn registers_are_asked(&mut self, line: &Line, form: &LineForm, asks: &[Ask]) {
        for request in line.answers.iter().filter_map(|ask| asks[*ask].modbus.as_ref()) {
            for register in &form.registers {
                let at = u32::from(*register.at.get_ref());
                let end = u32::from(request.first) + u32::from(request.count);
                if at < request.first.into() || at + u32::from(register.form.registers()) > end {
                    let message = format!("register {at} is not among those that are asked for");
                    let remedy = format!("the request reads registers {} to {}", request.first, end - 1);
                    self.error("profile.registers", register.at.span(), message, remedy);
                }
            }
        }
    }

    pub(super) fn register(&mut self, form: &RegisterForm) -> Option<Register> {
        let span = form.field.span();
        let text = form.field.get_ref().clone();
        let part = match pattern::parse_field(&text) {
            Ok(part) => part,
            Err(error) => {
                let place = self.mistakes.within(&span, &text, error.at, 1);
                self.error("profile.pattern", place, error.message, "a field is written such as \"emf:mV\"");
                return None;
            }
        };
        let place = (span, text);
        let Field { channel, kind, .. } = self.field(&part, &place, &BTreeMap::new(), false)?;
        let Kind::Number(mut number) = kind else {
            self.error(
                "profile.registers",
                place.0,
                "a register holds a number",
                "name a quantity, such as \"ph\"",
            );
            return None;
        };
        number.scale *= form.scale.unwrap_or(1.0);
        Some(Register {
            channel,
            number: *number,
            at: *form.at.get_ref(),
            form: form.form,
            no_number: form.no_number.clone(),
        })
    }
}
