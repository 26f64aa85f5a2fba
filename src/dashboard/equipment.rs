//! The page of the equipment: what the lab measures with, and how it is entered.

use super::desk::Piece;
use super::sheet::{Sheet, SheetFor, opened};
use super::state::{Over, State};
use super::update::Effect;
use crate::work::{Equipment, EquipmentKind, Kept};

/// The pieces, by kind.
pub(super) fn pieces(state: &State) -> Vec<&Kept<Equipment>> {
    let Some((stock, _)) = &state.books.stock else { return Vec::new() };
    EquipmentKind::ALL.into_iter().flat_map(|kind| stock.of(kind)).collect()
}

/// Opens the sheet with the chosen piece in it: a further version of it is entered.
pub(super) fn open(state: &mut State) -> Vec<Effect> {
    let Some(it) = pieces(state).get(state.equipment_line).map(|kept| kept.it.clone()) else {
        return Vec::new();
    };
    let mut sheet = opened(state, SheetFor::Piece);
    let with_unit =
        |value: Option<f64>| value.map_or_else(String::new, |v| format!("{v} {}", it.unit).trim().to_owned());
    let what = match it.kind {
        EquipmentKind::Buffer => it.table.clone(),
        EquipmentKind::Control => it.procedure.clone(),
        _ => it.what.clone(),
    };
    let values = [
        it.kind.word().to_owned(),
        it.name.clone(),
        what.unwrap_or_default(),
        with_unit(it.value),
        with_unit(it.u),
        String::new(),
        with_unit(it.repeatability),
        it.certificate.clone().unwrap_or_default(),
        it.valid_to.map_or_else(String::new, |day| day.to_string()),
    ];
    for (at, value) in values.iter().enumerate() {
        sheet.set(at, value);
    }
    sheet.at = 3;
    state.over = Over::Sheet(sheet);
    Vec::new()
}

/// The piece as the sheet has it; none while it has no name.
pub(super) fn piece(sheet: &Sheet) -> Option<Piece> {
    let number = |at: usize| sheet.text(at).replace(',', ".");
    let (kind, name, fields) = match sheet.purpose {
        SheetFor::Equipment(kind) => (
            kind,
            sheet.text(0),
            vec![("what", sheet.text(1).to_owned()), ("value", number(2)), ("within", number(3))],
        ),
        SheetFor::Piece => {
            let kind = EquipmentKind::parse(sheet.text(0))?;
            let what = match kind {
                EquipmentKind::Buffer => "table",
                EquipmentKind::Control => "procedure",
                _ => "what",
            };
            let fields = vec![
                (what, sheet.text(2).to_owned()),
                ("value", number(3)),
                ("u", number(4)),
                ("within", number(5)),
                ("repeatability", number(6)),
                ("certificate", sheet.text(7).to_owned()),
                ("valid_to", sheet.text(8).to_owned()),
            ];
            (kind, sheet.text(1), fields)
        }
        _ => return None,
    };
    (!name.is_empty()).then(|| Piece { kind, name: name.to_owned(), fields })
}
