//! The lines of each sheet, with what is said about them.

use super::{SheetFor, SheetLine};
use crate::work::EquipmentKind;
use tui_input::Input;

/// The lines that a purpose needs.
pub(super) fn of(purpose: SheetFor) -> Vec<SheetLine> {
    let line = |name, value: &str, known: &[&str], hint| SheetLine {
        name,
        input: Input::new(value.to_owned()),
        known: known.iter().map(|&k| k.to_owned()).collect(),
        hidden: false,
        hint,
    };
    let hidden = |name, hint| SheetLine { hidden: true, ..line(name, "", &[], hint) };
    match purpose {
        SheetFor::Check => vec![
            line("electrode", "", &[], "its name; Left and Right turn through those in the record"),
            line(
                "buffers",
                "4.005 6.865 9.180",
                &[],
                "pH values, lots, or tables such as nbs/phthalate, in the order of dipping",
            ),
            line("rest in s", "20", &[], "so long the signal must keep still to be taken"),
            line("temperature", "", &[], "degrees Celsius, where the line sends none; else empty"),
        ],
        SheetFor::Sign(..) => vec![
            line("name", "", &[], "whose key signs"),
            line(
                "meaning",
                "performed",
                &["performed", "reviewed", "approved"],
                "Left and Right: I did the work, I went through it, it may go out",
            ),
            hidden("pass-phrase", "of the key; it is not shown"),
            line("remark", "", &[], "anything to say with it; may stay empty"),
        ],
        SheetFor::Reviewed(..) => vec![
            line("name", "", &[], "whose key signs"),
            hidden("pass-phrase", "of the key; it is not shown"),
            line("remark", "", &[], "anything to say with it; may stay empty"),
        ],
        SheetFor::Reckon(_) => vec![
            line(
                "shape",
                "",
                &["", "jump", "bend", "level", "peak"],
                "Left and Right; empty: as the procedure has it",
            ),
            line("model", "", &[], "beginning of the name of a model, as acid-base; empty: as it was"),
            line("from", "", &[], "where the end-point must lie, as 5 mL; empty: as it was"),
            line("to", "", &[], "the other end of the window, as 18 mL"),
            line("level", "", &[], "for the shape level: what is crossed, as 8.2 pH"),
            line("procedure", "", &[], "Left and Right: look by another procedure; empty: that of the run"),
            line(
                "profile",
                "",
                &[],
                "read the wire by another profile: a name or a file; empty: that of the run",
            ),
            line("why", "", &[], "why it is evaluated again; the ledger keeps it"),
        ],
        SheetFor::Choose(..) => {
            vec![line("why", "", &[], "a reason is needed; ledger and report keep it with your name")]
        }
        SheetFor::Remark => vec![line("remark", "", &[], "the ledger keeps it with the acceptance")],
        SheetFor::Skip => vec![line("why", "", &[], "a reason is needed")],
        SheetFor::Piece => vec![
            line("kind", "burette", &KINDS, "Left and Right turn through the kinds"),
            line("name", "", &[], "what people call it; the same name again enters a further version"),
            line("what", "", &[], "substance, solution, kind; a buffer: its table; a control: its procedure"),
            line("value", "", &[], "with unit: capacity 20 mL, purity 0.9998, pH 6.865, at most 220 g"),
            line("u", "", &[], "standard uncertainty with unit, or leave it and give the tolerance"),
            line("within", "", &[], "its tolerance with unit, as on the certificate; may stay empty"),
            line("scatter", "", &[], "standard deviation of one reading, with unit; may stay empty"),
            line("certificate", "", &[], "in words; may stay empty"),
            line("valid to", "", &[], "last day of use, as 2027-01-31; may stay empty"),
        ],
        SheetFor::NewKey => vec![
            line("name", "", &[], "your name, as it stands under reports"),
            hidden("pass-phrase", "at least 8 characters; nobody can look it up"),
            hidden("once more", "the same again"),
        ],
        SheetFor::Equipment(kind) => vec![
            line("name", "", &[], "what people call it"),
            line("what", "", &[], what_hint(kind)),
            line("value", "", &[], value_hint(kind)),
            line("within", "", &[], "its tolerance with unit, as on the certificate; may stay empty"),
        ],
        SheetFor::Search => {
            vec![line("words", "", &[], "sample, procedure, origin, state or number; all must fit")]
        }
        SheetFor::File => vec![
            line("what", "", &[], "Left and Right turn through what can be written"),
            line("folder", "", &[], "where it goes; a folder that is missing is made"),
            line("file", "", &[], "its name; the ending is added"),
        ],
        SheetFor::Place => {
            vec![line(
                "port",
                "",
                &[],
                "a device such as /dev/ttyUSB0; tcp:HOST:PORT; or simulator@60 to practise",
            )]
        }
        SheetFor::Answer(_) => vec![line("answer", "", &[], "Left and Right choose, or type it")],
        SheetFor::Bench => vec![
            line("title", "bench 1", &[], "what people call this place"),
            line(
                "volumes",
                "from the line",
                &["from the line", "keyed by hand"],
                "Left and Right: where the volume of titrant comes from",
            ),
        ],
    }
}

/// The words of the kinds, for turning.
const KINDS: [&str; 10] = [
    "burette",
    "pipette",
    "flask",
    "balance",
    "thermometer",
    "buffer",
    "standard",
    "titrant",
    "electrode",
    "control",
];

const fn what_hint(kind: EquipmentKind) -> &'static str {
    match kind {
        EquipmentKind::Titrant => "the solution, as sodium hydroxide",
        EquipmentKind::Standard => "the substance, as potassium hydrogen phthalate",
        EquipmentKind::Electrode => "its kind, as glass",
        _ => "what it is more exactly; may stay empty",
    }
}

const fn value_hint(kind: EquipmentKind) -> &'static str {
    match kind {
        EquipmentKind::Titrant => "nominal strength, as 0.1 mol/L",
        EquipmentKind::Standard => "purity, as 0.9998",
        EquipmentKind::Burette => "capacity, as 20 mL",
        EquipmentKind::Balance => "most that it weighs, as 220 g",
        EquipmentKind::Buffer => "pH, as 6.865",
        EquipmentKind::Electrode => "may stay empty",
        _ => "with its unit",
    }
}
