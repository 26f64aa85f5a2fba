//! Where everything stands on the pages.
//!
//! Coordinates are points from the upper left corner of the paper.

use super::super::fonts::Metrics;
use super::super::picture::Drawn;
use super::super::{Align, Block, Column, Document, Standing, Table};
use super::Paper;

/// Margins in points.
const SIDE: f32 = 51.0;
const TOP: f32 = 62.0;
const BOTTOM: f32 = 58.0;
/// Size of the running text, and from line to line.
const BODY: f32 = 9.2;
const LEADING: f32 = 1.36;
/// Size of tables.
const CELL: f32 = 8.0;
/// Room between columns.
const GAP: f32 = 9.0;

/// Colours as red, green, blue.
pub(super) type Colour = (u8, u8, u8);
pub(super) const INK: Colour = (26, 26, 26);
pub(super) const GREY: Colour = (90, 90, 90);
pub(super) const BLUE: Colour = (29, 79, 115);
pub(super) const RED: Colour = (138, 28, 0);
const PALE: Colour = (205, 215, 224);

/// Something drawn on a page.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Mark<'a> {
    /// Letters from their left end on the baseline.
    Text { x: f32, y: f32, size: f32, bold: bool, colour: Colour, words: String },
    /// A filled rectangle.
    Area { x: f32, y: f32, width: f32, height: f32, colour: Colour },
    /// A picture.
    Picture { x: f32, y: f32, width: f32, height: f32, drawn: &'a Drawn },
    /// The logo, within this room, at its right end.
    Logo { right: f32, y: f32, width: f32, height: f32 },
}

/// The pages of a document.
///
/// # Errors
/// None now; kept for forms that cannot be laid out.
pub(super) fn pages(document: &Document, paper: Paper) -> Result<Vec<Vec<Mark<'_>>>, String> {
    let (width, height) = paper.points();
    let mut sheet = Sheet {
        pages: vec![Vec::new()],
        y: TOP - 20.0,
        left: SIDE,
        right: width - SIDE,
        bottom: height - BOTTOM,
        document,
        height,
    };
    sheet.head();
    for block in &document.blocks {
        sheet.block(block);
    }
    sheet.feet();
    Ok(sheet.pages)
}

/// How letters look.
#[derive(Debug, Clone, Copy)]
struct Look {
    size: f32,
    bold: bool,
    colour: Colour,
}

const fn look(size: f32, bold: bool, colour: Colour) -> Look {
    Look { size, bold, colour }
}

struct Sheet<'a> {
    pages: Vec<Vec<Mark<'a>>>,
    y: f32,
    left: f32,
    right: f32,
    bottom: f32,
    document: &'a Document,
    height: f32,
}

impl<'a> Sheet<'a> {
    fn put(&mut self, mark: Mark<'a>) {
        if let Some(page) = self.pages.last_mut() {
            page.push(mark);
        }
    }

    fn text(&mut self, x: f32, y: f32, how: Look, words: &str) {
        if !words.trim().is_empty() {
            let Look { size, bold, colour } = how;
            self.put(Mark::Text { x, y, size, bold, colour, words: words.to_owned() });
        }
    }

    fn area(&mut self, x: f32, y: f32, width: f32, height: f32, colour: Colour) {
        self.put(Mark::Area { x, y, width, height, colour });
    }

    fn next_page(&mut self) {
        self.pages.push(Vec::new());
        self.y = TOP;
    }

    /// A new page unless there is so much room.
    fn need(&mut self, height: f32) {
        let whole = self.bottom - TOP;
        if self.y + height.min(whole) > self.bottom {
            self.next_page();
        }
    }

    /// One line of letters; the place moves below it.
    fn line(&mut self, x: f32, how: Look, words: &str) {
        let step = how.size * LEADING;
        self.need(step);
        let y = self.y + how.size;
        self.text(x, y, how, words);
        self.y += step;
    }

    fn paragraph(&mut self, how: Look, words: &str) {
        let lines = wrapped(words, how, self.right - self.left);
        // A short paragraph is not torn.
        if lines.len() <= 8 {
            self.need(lines.len() as f32 * how.size * LEADING);
        }
        for part in lines {
            self.line(self.left, how, &part);
        }
    }

    /// The head of the first page.
    fn head(&mut self) {
        let document = self.document;
        let start = self.y;
        let has_logo = document.header.logo.is_some();
        let room = self.right - self.left - if has_logo { 150.0 } else { 0.0 };
        let mut first = true;
        for own in &document.header.lines {
            let how = if first { look(12.0, true, BLUE) } else { look(8.6, false, GREY) };
            first = false;
            for part in wrapped(own, how, room) {
                self.line(self.left, how, &part);
            }
        }
        if has_logo {
            let height = 46.0;
            self.put(Mark::Logo { right: self.right, y: start - 6.0, width: 140.0, height });
            self.y = self.y.max(start + height);
        }
        if !first || has_logo {
            self.y += 4.0;
            self.area(self.left, self.y, self.right - self.left, 1.2, BLUE);
            self.y += 14.0;
        }
        self.paragraph(look(17.0, true, INK), &document.title);
        self.paragraph(look(10.5, false, INK), &document.subtitle);
        self.paragraph(look(8.6, false, GREY), &format!("report {}", document.id));
        self.y += 4.0;
        if !document.mark.is_empty() {
            let how = look(10.0, true, RED);
            let lines = wrapped(&document.mark, how, self.right - self.left - 20.0);
            let tall = lines.len() as f32 * how.size * LEADING + 10.0;
            self.need(tall);
            self.frame(self.y, tall, RED, 1.2);
            self.y += 5.0;
            for part in lines {
                self.line(self.left + 10.0, how, &part);
            }
            self.y += 10.0;
        }
    }

    /// Lines about a box from the left to the right margin.
    fn frame(&mut self, y: f32, tall: f32, colour: Colour, thick: f32) {
        let width = self.right - self.left;
        self.area(self.left, y, width, thick, colour);
        self.area(self.left, y + tall - thick, width, thick, colour);
        self.area(self.left, y, thick, tall, colour);
        self.area(self.right - thick, y, thick, tall, colour);
    }

    /// What stands at the head and foot of every page, once their number is known.
    fn feet(&mut self) {
        let document = self.document;
        let all = self.pages.len();
        let small = look(7.2, false, GREY);
        let loud = look(7.6, true, RED);
        for n in 0..all {
            let y = self.bottom + 16.0;
            let mut marks = vec![Mark::Area {
                x: self.left,
                y,
                width: self.right - self.left,
                height: 0.6,
                colour: PALE,
            }];
            let text = |x: f32, y: f32, how: Look, words: String| Mark::Text {
                x,
                y,
                size: how.size,
                bold: how.bold,
                colour: how.colour,
                words,
            };
            let page = format!("page {} of {all}", n + 1);
            let wide = width(&page, small);
            marks.push(text(self.right - wide, y + 11.0, small, page));
            marks.push(text(self.left, y + 11.0, small, format!("report {}", document.id)));
            let anchor = wrapped(&document.anchor, look(6.4, false, GREY), self.right - self.left);
            if let Some(first) = anchor.into_iter().next() {
                marks.push(text(self.left, y + 21.0, look(6.4, false, GREY), first));
            }
            if n > 0 {
                let title = one_line(&document.title, small, self.right - self.left);
                marks.push(text(self.left, 34.0, small, title));
                marks.push(Mark::Area {
                    x: self.left,
                    y: 40.0,
                    width: self.right - self.left,
                    height: 0.6,
                    colour: PALE,
                });
            }
            if !document.mark.is_empty() && n > 0 {
                let words = one_line(&document.mark, loud, (self.right - self.left) * 0.75);
                let wide = width(&words, loud);
                marks.push(text(self.right - wide, 34.0, loud, words));
            }
            if let Some(page) = self.pages.get_mut(n) {
                page.append(&mut marks);
            }
        }
        debug_assert!(self.height > self.bottom);
    }

    fn block(&mut self, block: &'a Block) {
        match block {
            Block::Heading { order: 1, words } => {
                self.y += 10.0;
                self.need(90.0);
                self.paragraph(look(12.0, true, BLUE), words);
                self.area(self.left, self.y, self.right - self.left, 0.7, PALE);
                self.y += 5.0;
            }
            Block::Heading { words, .. } => {
                self.y += 6.0;
                self.need(60.0);
                self.paragraph(look(9.8, true, INK), words);
                self.y += 2.0;
            }
            Block::Words(words) => {
                self.paragraph(look(BODY, false, INK), words);
                self.y += 3.0;
            }
            Block::Stated { what, line, more, standing } => self.stated(what, line, more, standing.as_ref()),
            Block::Pairs(pairs) => self.pairs(pairs),
            Block::Table(table) => self.table(table),
            Block::Figure(figure) => {
                let wide = self.right - self.left;
                let ratio = figure.drawn.height as f32 / figure.drawn.width.max(1) as f32;
                let room = self.bottom - TOP - 40.0;
                let height = (wide * ratio).min(room);
                let width = height / ratio;
                let how = look(8.2, false, GREY);
                let lines = wrapped(&figure.caption, how, wide);
                self.need(height + how.size * LEADING * lines.len().min(3) as f32 + 8.0);
                let x = self.left + (wide - width) / 2.0;
                self.put(Mark::Picture { x, y: self.y, width, height, drawn: &figure.drawn });
                self.y += height + 2.0;
                for part in lines {
                    self.line(self.left, how, &part);
                }
                self.y += 8.0;
            }
        }
    }

    fn stated(&mut self, what: &str, line: &str, more: &[String], standing: Option<&Standing>) {
        let inner = self.right - self.left - 26.0;
        let mut lines: Vec<(Look, String)> = Vec::new();
        let mut add = |how: Look, words: &str| {
            lines.extend(wrapped(words, how, inner).into_iter().map(|part| (how, part)));
        };
        add(look(BODY, false, INK), what);
        add(look(15.0, true, INK), line);
        for words in more {
            add(look(8.4, false, GREY), words);
        }
        if let Some(standing) = standing {
            let colour = if standing.passes { INK } else { RED };
            let sign = if standing.passes { "✓" } else { "✗" };
            add(look(BODY, true, colour), &format!("{sign} {}", standing.words));
        }
        let tall: f32 = lines.iter().map(|(how, _)| how.size * LEADING).sum::<f32>() + 14.0;
        self.y += 4.0;
        if tall < self.bottom - TOP {
            self.need(tall);
            self.frame(self.y, tall, BLUE, 1.0);
            self.area(self.left, self.y, 6.0, tall, BLUE);
        }
        self.y += 6.0;
        for (how, words) in lines {
            self.line(self.left + 17.0, how, &words);
        }
        self.y += 14.0;
    }

    fn pairs(&mut self, pairs: &[(String, String)]) {
        let (names, values) = (look(8.6, false, GREY), look(8.8, false, INK));
        let wide = self.right - self.left;
        let column =
            pairs.iter().map(|(name, _)| width(name, names)).fold(100.0_f32, f32::max).min(wide * 0.38);
        for (name, value) in pairs {
            let name = wrapped(name, names, column);
            let value = wrapped(value, values, wide - column - GAP);
            let step = values.size * LEADING;
            for n in 0..name.len().max(value.len()) {
                self.need(step);
                let y = self.y + values.size;
                if let Some(part) = name.get(n) {
                    self.text(self.left, y, names, part);
                }
                if let Some(part) = value.get(n) {
                    self.text(self.left + column + GAP, y, values, part);
                }
                self.y += step;
            }
            self.y += 1.5;
        }
        self.y += 4.0;
    }

    fn table(&mut self, table: &Table) {
        let widths = widths(table, self.right - self.left);
        let heads: Vec<String> = table.columns.iter().map(|column| column.head.clone()).collect();
        self.need(4.0 * CELL * LEADING);
        self.row(table, &heads, &widths, true);
        for row in &table.rows {
            // A row stays whole unless it is taller than half a page.
            let tall = cells(row, &widths, false).iter().map(Vec::len).max().unwrap_or(1) as f32;
            let tall = tall * CELL * LEADING + 4.0;
            if self.y + tall > self.bottom && tall < (self.bottom - TOP) / 2.0 {
                self.next_page();
                self.row(table, &heads, &widths, true);
            }
            self.row(table, row, &widths, false);
        }
        self.y += 7.0;
    }

    fn row(&mut self, table: &Table, row: &[String], widths: &[f32], head: bool) {
        let how = look(CELL, head, INK);
        let cells = cells(row, widths, head);
        let step = CELL * LEADING;
        self.y += 1.5;
        for n in 0..cells.iter().map(Vec::len).max().unwrap_or(1) {
            if self.y + step > self.bottom {
                self.next_page();
                if !head {
                    let heads: Vec<String> = table.columns.iter().map(|c| c.head.clone()).collect();
                    self.row(table, &heads, widths, true);
                }
            }
            let y = self.y + CELL;
            let mut x = self.left;
            for ((cell, wide), column) in cells.iter().zip(widths).zip(&table.columns) {
                if let Some(part) = cell.get(n) {
                    let shift = match column.align {
                        Align::Left => 0.0,
                        Align::Right => wide - width(part, how),
                    };
                    self.text(x + shift, y, how, part);
                }
                x += wide + GAP;
            }
            self.y += step;
        }
        self.y += 1.5;
        let (thick, colour) = if head { (0.9, BLUE) } else { (0.4, PALE) };
        self.area(self.left, self.y, self.right - self.left, thick, colour);
        self.y += thick;
    }
}

fn cells(row: &[String], widths: &[f32], bold: bool) -> Vec<Vec<String>> {
    row.iter().zip(widths).map(|(cell, wide)| wrapped(cell, look(CELL, bold, INK), *wide)).collect()
}

/// Widths of the columns: what they need where that fits, else shared by what each can do with.
fn widths(table: &Table, room: f32) -> Vec<f32> {
    let count = table.columns.len();
    let room = room - GAP * count.saturating_sub(1) as f32;
    let how = look(CELL, false, INK);
    let mut least = Vec::with_capacity(count);
    let mut wanted = Vec::with_capacity(count);
    for (at, column) in table.columns.iter().enumerate() {
        let head = look(CELL, true, INK);
        let longest =
            |words: &str, how: Look| words.split(' ').map(|word| width(word, how)).fold(0.0_f32, f32::max);
        let mut most = width(&column.head, head);
        let mut word = longest(&column.head, head);
        for row in &table.rows {
            let cell = row.get(at).map_or("", String::as_str);
            most = most.max(width(cell, how));
            // Numbers are never broken; words may be, where they are very long.
            word = word.max(match column.align {
                Align::Right => width(cell, how).min(room / 3.0),
                Align::Left => longest(cell, how).min(room / 4.0),
            });
        }
        least.push(word.min(room) + 0.5);
        wanted.push(most + 0.5);
    }
    let (need, want) = (least.iter().sum::<f32>(), wanted.iter().sum::<f32>());
    if want <= room {
        // What is left goes to the columns of words, so that the table fills the width.
        let words = table.columns.iter().filter(|c| c.align == Align::Left).count().max(1) as f32;
        let more = (room - want) / words;
        let wider = |(w, column): (&f32, &Column)| if column.align == Align::Left { w + more } else { *w };
        return wanted.iter().zip(&table.columns).map(wider).collect();
    }
    if need >= room {
        return least.iter().map(|w| w * room / need).collect();
    }
    let share = (room - need) / (want - need);
    least.iter().zip(&wanted).map(|(least, wanted)| least + (wanted - least) * share).collect()
}

fn width(words: &str, how: Look) -> f32 {
    Metrics::of(how.bold).width(words) * how.size
}

/// The beginning of a text that fits on one line.
fn one_line(words: &str, how: Look, room: f32) -> String {
    let all = wrapped(words, how, room);
    match all.as_slice() {
        [only] => only.clone(),
        [first, ..] => {
            let mut cut = first.clone();
            while width(&cut, how) + width("…", how) > room && cut.pop().is_some() {}
            cut + "…"
        }
        [] => String::new(),
    }
}

/// Lines that fit, broken between words, or within a word that is longer than a line.
fn wrapped(words: &str, how: Look, room: f32) -> Vec<String> {
    let metrics = Metrics::of(how.bold);
    let words = metrics.printable(words);
    let room = room / how.size + 1e-3;
    let of = |c: char| metrics.glyph(c).map_or(0.0, |glyph| metrics.advance(glyph));
    let space = of(' ');
    let mut lines = vec![String::new()];
    let mut wide = 0.0;
    for word in words.split(' ') {
        let own: f32 = word.chars().map(of).sum();
        let empty = lines.last().is_none_or(String::is_empty);
        if !empty && wide + space + own > room {
            lines.push(String::new());
            wide = 0.0;
        } else if !empty {
            wide += space;
            if let Some(last) = lines.last_mut() {
                last.push(' ');
            }
        }
        for c in word.chars() {
            if wide + of(c) > room && wide > 0.0 {
                lines.push(String::new());
                wide = 0.0;
            }
            wide += of(c);
            if let Some(last) = lines.last_mut() {
                last.push(c);
            }
        }
    }
    lines
}
