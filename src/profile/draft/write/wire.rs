//! The section `[wire]` of a draft, with what was guessed from what.

use super::quote::byte_names;
use crate::frame::CheckPlace;
use crate::profile::draft::HeardLine;
use crate::profile::draft::framing::Framing;
use crate::profile::draft::heard::Parity;
use crate::profile::draft::pipeline::Found;
use crate::profile::draft::text::{Encoding, SignPlace};

pub(super) fn span(found: &Found) -> String {
    match (found.lines.first(), found.lines.last()) {
        (Some(a), Some(b)) if found.stream.timed && b.at_s > a.at_s => {
            format!(" in {:.0} s", b.at_s - a.at_s)
        }
        _ => String::new(),
    }
}

pub(super) fn wire(out: &mut String, found: &Found, line: &HeardLine) {
    put!(out, "\n[wire]");
    put!(out, "baud = {}", line.baud);
    if line.data_bits != 8 {
        put!(out, "data_bits = {}", line.data_bits);
    }
    if matches!(line.parity.as_str(), "even" | "odd") {
        put!(out, "parity = \"{}\"", line.parity);
    }
    if line.stop_bits == 2 {
        put!(out, "stop_bits = 2");
    }
    if matches!(line.flow.as_str(), "xon-xoff" | "hardware") {
        put!(out, "flow = \"{}\"", line.flow);
    }
    let mut frame: Vec<String> = Vec::new();
    match &found.framing {
        _ if !found.registers.is_empty() => {
            frame.push("starts_with = \"':'\"".to_owned());
            frame.push("ends_with = \"CR LF\"".to_owned());
            frame.push("check = \"lrc-hex\"".to_owned());
        }
        Framing::StxEtx { .. } => {
            frame.push("starts_with = \"STX\"".to_owned());
            frame.push("ends_with = \"ETX\"".to_owned());
        }
        Framing::Ends(mark) => {
            if let Some(start) = found.check.as_ref().and_then(|c| c.start) {
                frame.push(format!("starts_with = \"{}\"", byte_names(&[start])));
            }
            let request_end = found
                .requests
                .first()
                .and_then(|r| r.last())
                .copied()
                .filter(|b| found.echoes > 0 && mark == b"\r\n" && matches!(b, b'\r' | b'\n'));
            match request_end {
                // An echo ends as the request did: it must not run into the answer.
                Some(end) => {
                    frame.push(format!("ends_with = [\"{}\", \"{}\"]", byte_names(mark), byte_names(&[end])))
                }
                None => frame.push(format!("ends_with = \"{}\"", byte_names(mark))),
            }
        }
        Framing::Gap { ms } => frame.push(format!("gap_ms = {ms}")),
        Framing::Starts(_) => frame.push("gap_ms = 100".to_owned()),
    }
    if let Some(c) = found.check.as_ref().filter(|_| found.registers.is_empty()) {
        let name =
            crate::frame::CheckKind::ALL.iter().find(|(_, k)| *k == c.check.kind).map_or("sum-8", |(n, _)| n);
        let form = if c.check.hex { "hex" } else { "byte" };
        frame.push(format!("check = \"{name}-{form}{}\"", if c.check.low_first { "-low-first" } else { "" }));
        match &c.check.place {
            CheckPlace::AfterEnd => frame.push("check_place = \"after-end\"".to_owned()),
            CheckPlace::BeforeEnd { sign } => {
                frame.push("check_place = \"before-end\"".to_owned());
                if !sign.is_empty() {
                    frame.push(format!("check_sign = \"{}\"", byte_names(sign)));
                }
            }
        }
        let covers = match (c.check.covers_start, c.check.covers_end) {
            (false, false) => "text",
            (true, false) => "start",
            (false, true) => "end",
            (true, true) => "start-and-end",
        };
        frame.push(format!("check_covers = \"{covers}\""));
        put!(out, "# the checksum fits {} of {} frames tried", c.fits, c.tried);
    }
    put!(out, "frame = {{ {} }}", frame.join(", "));
    if found.encoding == Encoding::Ascii {
        put!(out, "# no character above 127 came again and again: text = ... stays open");
    } else {
        put!(out, "text = \"{}\"", found.encoding.name());
    }
    let mut clean: Vec<&str> = Vec::new();
    match found.parity {
        Some(Parity::Even) => clean.push("parity-even"),
        Some(Parity::Odd) => clean.push("parity-odd"),
        Some(Parity::Mark) => clean.push("high-bit"),
        None => {}
    }
    if found.flow_control {
        clean.push("xon-xoff");
    }
    if found.overprinted {
        clean.push("overprint");
    }
    if found.escapes {
        clean.push("printer-escapes");
    }
    if found.parity.is_some() {
        put!(out, "# the highest bit of each byte is a parity bit: the instrument sends seven bits");
    }
    if !clean.is_empty() {
        put!(out, "clean = [{}]", clean.iter().map(|c| format!("\"{c}\"")).collect::<Vec<_>>().join(", "));
    }
    if found.style.either {
        put!(out, "# some numbers have a decimal comma, others a point\ndecimal = \"either\"");
    } else if found.style.comma {
        put!(out, "decimal = \"comma\"");
    }
    if let Some(mark) = found.style.thousands {
        let name = match mark {
            '.' => "point",
            ',' => "comma",
            '\'' => "apostrophe",
            _ => "blank",
        };
        put!(out, "thousands = \"{name}\"");
    }
    let signs: Vec<SignPlace> = found.columns.iter().flat_map(|c| c.shape.signs.clone()).collect();
    if signs.contains(&SignPlace::Behind) {
        put!(out, "sign = \"behind\"");
    } else if signs.contains(&SignPlace::Apart) {
        put!(out, "sign = \"apart\"");
    }
    if found.handshake {
        put!(
            out,
            "\n# ENQ, ACK and EOT stand between the frames: a hand-shake.\n[handshake]{}",
            if found.numbered { "\nnumbered = true" } else { "" }
        );
    }
}
