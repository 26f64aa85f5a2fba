//! The procedures that ship with the program.

/// Names and texts, in the order of the alphabet.
const SHIPPED: &[(&str, &str)] = &[
    ("acid-number", include_str!("../../../protocols/procedures/acid-number.toml")),
    ("ascorbic-acid-by-iodine", include_str!("../../../protocols/procedures/ascorbic-acid-by-iodine.toml")),
    ("base-by-perchloric-acid", include_str!("../../../protocols/procedures/base-by-perchloric-acid.toml")),
    ("base-number", include_str!("../../../protocols/procedures/base-number.toml")),
    (
        "carbonate-beside-hydroxide",
        include_str!("../../../protocols/procedures/carbonate-beside-hydroxide.toml"),
    ),
    ("chloride-in-food", include_str!("../../../protocols/procedures/chloride-in-food.toml")),
    ("chloride-in-water", include_str!("../../../protocols/procedures/chloride-in-water.toml")),
    ("hcl-by-carbonate", include_str!("../../../protocols/procedures/hcl-by-carbonate.toml")),
    ("hcl-by-naoh", include_str!("../../../protocols/procedures/hcl-by-naoh.toml")),
    ("hcl-by-tris", include_str!("../../../protocols/procedures/hcl-by-tris.toml")),
    ("iodide-by-back-titration", include_str!("../../../protocols/procedures/iodide-by-back-titration.toml")),
    ("iron-by-cerium", include_str!("../../../protocols/procedures/iron-by-cerium.toml")),
    ("iron-by-dichromate", include_str!("../../../protocols/procedures/iron-by-dichromate.toml")),
    ("juice-acidity", include_str!("../../../protocols/procedures/juice-acidity.toml")),
    (
        "kjeldahl-by-back-titration",
        include_str!("../../../protocols/procedures/kjeldahl-by-back-titration.toml"),
    ),
    ("kjeldahl-distillate", include_str!("../../../protocols/procedures/kjeldahl-distillate.toml")),
    (
        "limestone-back-titration-by-eye",
        include_str!("../../../protocols/procedures/limestone-back-titration-by-eye.toml"),
    ),
    ("mixed-halides", include_str!("../../../protocols/procedures/mixed-halides.toml")),
    ("naoh-by-phthalate", include_str!("../../../protocols/procedures/naoh-by-phthalate.toml")),
    (
        "perchloric-acid-by-phthalate",
        include_str!("../../../protocols/procedures/perchloric-acid-by-phthalate.toml"),
    ),
    ("peroxide-value", include_str!("../../../protocols/procedures/peroxide-value.toml")),
    ("saponification-value", include_str!("../../../protocols/procedures/saponification-value.toml")),
    ("silver-by-chloride", include_str!("../../../protocols/procedures/silver-by-chloride.toml")),
    ("silver-in-alloy", include_str!("../../../protocols/procedures/silver-in-alloy.toml")),
    (
        "strong-acid-by-conductance",
        include_str!("../../../protocols/procedures/strong-acid-by-conductance.toml"),
    ),
    ("thiosulfate-by-iodate", include_str!("../../../protocols/procedures/thiosulfate-by-iodate.toml")),
    ("vinegar-acidity", include_str!("../../../protocols/procedures/vinegar-acidity.toml")),
    ("water-alkalinity", include_str!("../../../protocols/procedures/water-alkalinity.toml")),
    ("water-alkalinity-by-jump", include_str!("../../../protocols/procedures/water-alkalinity-by-jump.toml")),
    ("water-by-iodine-reagent", include_str!("../../../protocols/procedures/water-by-iodine-reagent.toml")),
    ("water-hardness", include_str!("../../../protocols/procedures/water-hardness.toml")),
    (
        "water-hardness-photometric",
        include_str!("../../../protocols/procedures/water-hardness-photometric.toml"),
    ),
];

/// The text of a procedure that ships.
pub(super) fn text(id: &str) -> Option<&'static str> {
    SHIPPED.iter().find(|(name, _)| *name == id).map(|(_, text)| *text)
}

/// The names of the procedures that ship.
pub(super) fn names() -> impl Iterator<Item = &'static str> {
    SHIPPED.iter().map(|(name, _)| *name)
}
