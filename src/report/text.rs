//! The document as lines of text, for a terminal or a file.

use super::{Align, Block, Document, Table};
use unicode_width::UnicodeWidthStr;

/// A cell longer than this is wrapped.
const CELL: usize = 60;
/// Paragraphs are wrapped at this.
const LINE: usize = 100;

/// The document as text: every line ends with a line feed.
#[must_use]
pub fn text(document: &Document) -> String {
    let mut out = String::new();
    let mut line = |text: &str| {
        out.push_str(text.trim_end());
        out.push('\n');
    };
    for own in &document.header.lines {
        line(own);
    }
    if !document.header.lines.is_empty() {
        line("");
    }
    line(&document.title);
    for part in wrapped(&document.subtitle, LINE) {
        line(&part);
    }
    line(&format!("report {}", document.id));
    if !document.mark.is_empty() {
        line(&format!("*** {} ***", document.mark));
    }
    for block in &document.blocks {
        match block {
            Block::Heading { order, words } => {
                line("");
                line(words);
                let sign = if *order == 1 { "=" } else { "-" };
                line(&sign.repeat(words.width().clamp(1, LINE)));
            }
            Block::Words(words) => wrapped(words, LINE).iter().for_each(|part| line(part)),
            Block::Stated { what, line: stated, more, standing } => {
                line("");
                for part in wrapped(what, LINE) {
                    line(&part);
                }
                line(&format!("  {stated}"));
                for words in more.iter().flat_map(|words| wrapped(words, LINE - 2)) {
                    line(&format!("  {words}"));
                }
                if let Some(standing) = standing {
                    let sign = if standing.passes { "ok     " } else { "OUTSIDE" };
                    for part in wrapped(&standing.words, LINE - 11) {
                        line(&format!("  {sign}  {part}"));
                    }
                }
            }
            Block::Pairs(pairs) => {
                let width = pairs.iter().map(|(name, _)| name.width()).max().unwrap_or(0);
                for (name, value) in pairs {
                    let mut first = name.as_str();
                    for part in wrapped(value, LINE.saturating_sub(width + 2).max(20)) {
                        line(&format!("{}  {part}", filled(first, width, Align::Left)));
                        first = "";
                    }
                }
            }
            Block::Table(table) => table_lines(table).iter().for_each(|row| line(row)),
            Block::Figure(figure) => {
                for part in wrapped(&format!("[picture: {}]", figure.caption), LINE) {
                    line(&part);
                }
            }
        }
    }
    if !document.anchor.is_empty() {
        line("");
        line(&document.anchor);
    }
    out
}

fn table_lines(table: &Table) -> Vec<String> {
    let heads: Vec<String> = table.columns.iter().map(|column| column.head.clone()).collect();
    let rows: Vec<Vec<Vec<String>>> = std::iter::once(&heads)
        .chain(&table.rows)
        .map(|row| row.iter().map(|cell| wrapped(cell, CELL)).collect())
        .collect();
    let widths: Vec<usize> = (0..table.columns.len())
        .map(|at| {
            rows.iter().filter_map(|row| row.get(at)).flatten().map(|part| part.width()).max().unwrap_or(0)
        })
        .collect();
    let mut lines = Vec::new();
    for row in &rows {
        let height = row.iter().map(Vec::len).max().unwrap_or(1);
        for n in 0..height {
            let cells: Vec<String> = row
                .iter()
                .zip(&widths)
                .zip(&table.columns)
                .map(|((cell, width), column)| {
                    filled(cell.get(n).map_or("", String::as_str), *width, column.align)
                })
                .collect();
            lines.push(format!("  {}", cells.join("  ").trim_end()));
        }
    }
    lines
}

fn filled(text: &str, width: usize, align: Align) -> String {
    let room = " ".repeat(width.saturating_sub(text.width()));
    match align {
        Align::Left => format!("{text}{room}"),
        Align::Right => format!("{room}{text}"),
    }
}

/// Lines of at most so many columns, broken between words, or within a word that is longer.
fn wrapped(text: &str, most: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    let mut width = 0;
    for word in text.split(' ') {
        let own = word.width();
        if width > 0 && width + 1 + own > most {
            lines.push(String::new());
            width = 0;
        } else if width > 0 {
            width += 1;
            push(&mut lines, ' ');
        }
        for c in word.chars() {
            let wide = unicode_width::UnicodeWidthChar::width(c).unwrap_or(0);
            if width + wide > most {
                lines.push(String::new());
                width = 0;
            }
            push(&mut lines, c);
            width += wide;
        }
    }
    lines
}

fn push(lines: &mut [String], c: char) {
    if let Some(last) = lines.last_mut() {
        last.push(c);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_words_are_broken_and_nothing_is_lost() {
        let word = "x".repeat(250);
        let lines = wrapped(&format!("a {word} b"), 100);
        assert!(lines.iter().all(|line| line.len() <= 100));
        assert_eq!(lines.concat().matches('x').count(), 250);
    }

    #[test]
    fn hostile_text_stands_in_words_and_columns_stay_in_line() {
        let mut document = Document { title: "t".to_owned(), ..Document::default() };
        document.table(
            &["name", ">value"],
            vec![
                vec!["\u{1b}[2J\r\n\u{202e}x".to_owned(), "1".to_owned()],
                vec!["y".to_owned(), "22".to_owned()],
            ],
        );
        let text = text(&document);
        assert!(!text.contains('\u{1b}') && !text.contains('\u{202e}') && !text.contains('\r'));
        assert!(text.contains("<ESC>[2J<CR><LF><U+202E>x      1"), "{text}");
    }
}
