//! The document as PDF: embedded fonts, searchable text, numbered pages, attachments (PDF/A-3 where nothing hinders it).

mod layout;
mod read;
mod write;

pub(super) use read::{attachment, words};

use super::{Attachment, Document};

/// Sizes of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 mm by 297 mm.
    #[default]
    A4,
    /// 8.5 in by 11 in.
    Letter,
}

impl Paper {
    /// Width and height in points.
    #[must_use]
    pub const fn points(self) -> (f32, f32) {
        match self {
            Self::A4 => (595.276, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// The document with its attachments. The same document gives the same bytes.
///
/// # Errors
/// In words: a logo that is damaged.
pub fn pdf(document: &Document, attachments: &[Attachment], paper: Paper) -> Result<Vec<u8>, String> {
    let pages = layout::pages(document, paper)?;
    write::write(document, attachments, paper, &pages)
}

#[cfg(test)]
mod tests {
    use super::super::{Attachment, Document, Header};
    use super::*;

    fn long() -> Document {
        let mut document = Document {
            id: "R-1".to_owned(),
            made_utc_us: 1_790_000_000_000_000,
            title: "Report".to_owned(),
            mark: "SIMULATED".to_owned(),
            header: Header { lines: vec!["Water laboratory".to_owned()], logo: None },
            anchor: "anchor 7 abc".to_owned(),
            ..Document::default()
        };
        document.heading(1, "Table");
        let rows = (1..=200).map(|n| vec![format!("row{n:04}"), format!("{n}.5")]).collect();
        document.table(&["name", ">value / µg·L⁻¹"], rows);
        document.pairs([("sample", "x".repeat(10_000)), ("rtl", "שלום 12 \u{202e} 水".to_owned())]);
        document
    }

    #[test]
    fn long_tables_and_words_break_over_pages_and_nothing_is_lost() {
        let bytes = pdf(&long(), &[], Paper::A4).unwrap();
        let text = words(&bytes).unwrap();
        let squeezed: String = text.split_whitespace().collect();
        for n in 1..=200 {
            assert!(squeezed.contains(&format!("row{n:04}")), "{n}");
        }
        assert_eq!(squeezed.matches('x').count(), 10_000);
        assert!(squeezed.contains("<U+202E>") && squeezed.contains("<U+6C34>"), "{squeezed}");
        let pages = squeezed.matches("SIMULATED").count();
        assert!(pages > 4, "{pages}");
        assert!(squeezed.contains(&format!("page{pages}of{pages}")));
        // The heading of the table stands again on each of its pages.
        assert!(squeezed.matches("µg·L⁻¹").count() >= 4, "{squeezed}");
    }

    #[test]
    fn the_same_document_gives_the_same_bytes_and_its_attachments_come_back() {
        let attached = Attachment {
            name: "evidence.db".to_owned(),
            what: "the record of the runs".to_owned(),
            media: "application/vnd.sqlite3",
            bytes: (0..=255).cycle().take(5_000).collect(),
        };
        let make = |paper| pdf(&long(), std::slice::from_ref(&attached), paper).unwrap();
        let bytes = make(Paper::Letter);
        assert_eq!(bytes, make(Paper::Letter));
        assert_eq!(attachment(&bytes, "evidence.db").unwrap(), Some(attached.bytes.clone()));
        assert_eq!(attachment(&bytes, "other").unwrap(), None);
        assert!(attachment(b"%PDF-1.7 nothing", "x").is_err());
    }
}
