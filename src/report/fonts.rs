//! The font of reports and pictures, embedded in the program: DejaVu Sans, which has Greek, Cyrillic, raised and
//! lowered digits. Its licence stands beside it.

use resvg::usvg::fontdb::Database;
use std::sync::{Arc, LazyLock};
use ttf_parser::{Face, GlyphId};

/// The upright font.
pub(super) const REGULAR: &[u8] = include_bytes!("fonts/DejaVuSans.ttf");
/// The bold font.
pub(super) const BOLD: &[u8] = include_bytes!("fonts/DejaVuSans-Bold.ttf");
/// The family as pictures name it.
pub(super) const FAMILY: &str = "DejaVu Sans";

/// Both fonts for the SVG library; every generic family is ours, so that a picture looks the same everywhere.
pub(super) fn database() -> Arc<Database> {
    static DATABASE: LazyLock<Arc<Database>> = LazyLock::new(|| {
        let mut database = Database::new();
        database.load_font_data(REGULAR.to_vec());
        database.load_font_data(BOLD.to_vec());
        database.set_sans_serif_family(FAMILY);
        database.set_serif_family(FAMILY);
        database.set_monospace_family(FAMILY);
        Arc::new(database)
    });
    Arc::clone(&DATABASE)
}

/// Widths of letters.
pub(super) struct Metrics {
    face: Option<Face<'static>>,
    per_em: f32,
}

impl Metrics {
    /// Those of one of the two fonts.
    pub(super) fn of(bold: bool) -> &'static Self {
        static BOTH: LazyLock<[Metrics; 2]> = LazyLock::new(|| [Metrics::new(REGULAR), Metrics::new(BOLD)]);
        &BOTH[usize::from(bold)]
    }

    fn new(data: &'static [u8]) -> Self {
        let face = Face::parse(data, 0).ok();
        let per_em = face.as_ref().map_or(1.0, |face| f32::from(face.units_per_em()));
        Self { face, per_em }
    }

    /// The glyph of a character; `None`: the font does not have it.
    pub(super) fn glyph(&self, c: char) -> Option<GlyphId> {
        self.face.as_ref()?.glyph_index(c).filter(|glyph| glyph.0 != 0)
    }

    /// Width of a glyph by the size of the font.
    pub(super) fn advance(&self, glyph: GlyphId) -> f32 {
        let units = self.face.as_ref().and_then(|face| face.glyph_hor_advance(glyph)).unwrap_or(0);
        f32::from(units) / self.per_em
    }

    /// Width of a text by the size of the font; a character that the font lacks has none.
    pub(super) fn width(&self, text: &str) -> f32 {
        text.chars().filter_map(|c| self.glyph(c)).map(|glyph| self.advance(glyph)).sum()
    }

    /// The text with every character that the font lacks written out by its number.
    pub(super) fn printable(&self, text: &str) -> String {
        let mut shown = String::with_capacity(text.len());
        for c in text.chars() {
            match self.glyph(c) {
                Some(_) => shown.push(c),
                None => shown.push_str(&format!("<U+{:04X}>", u32::from(c))),
            }
        }
        shown
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_laboratory_writes_is_in_both_fonts() {
        for bold in [false, true] {
            let metrics = Metrics::of(bold);
            let text = "±≤≥°µμΔΩα–−·×²³⁻¹₂₃₄ЖцёЇ→√∑… pKₐ";
            assert_eq!(metrics.printable(text), text);
            assert!(metrics.width("ww") > metrics.width("ii"));
        }
        assert_eq!(Metrics::of(false).printable("水"), "<U+6C34>");
    }
}
