//! The pages as a file.

use super::super::fonts::{BOLD, Metrics, REGULAR};
use super::super::picture::raster_tree;
use super::super::{Attachment, Document, LogoKind};
use super::Paper;
use super::layout::{Colour, Mark};
use krilla::Document as Pdf;
use krilla::SerializeSettings;
use krilla::color::rgb;
use krilla::configure::validate::Archival;
use krilla::configure::{Configuration, ConfigurationBuilder};
use krilla::embed::{AssociationKind, EmbeddedFile, MimeType};
use krilla::geom::{PathBuilder, Point, Rect, Size, Transform};
use krilla::image::Image;
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule};
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph, TextDirection};
use krilla_svg::{SurfaceExt, SvgSettings};

struct Fonts {
    regular: Font,
    bold: Font,
}

/// Writes the pages.
///
/// # Errors
/// In words.
pub(super) fn write(
    document: &Document,
    attachments: &[Attachment],
    paper: Paper,
    pages: &[Vec<Mark<'_>>],
) -> Result<Vec<u8>, String> {
    let archival = ConfigurationBuilder::new().with_archival_validator(Archival::A3_B).finish();
    let archived = match archival {
        Ok(configuration) => one(document, attachments, paper, pages, configuration),
        Err(_) => Err("the archival form is not known".to_owned()),
    };
    // A report that cannot be archived is worth more than none.
    archived.or_else(|_| one(document, attachments, paper, pages, Configuration::default()))
}

fn one(
    document: &Document,
    attachments: &[Attachment],
    paper: Paper,
    pages: &[Vec<Mark<'_>>],
    configuration: Configuration,
) -> Result<Vec<u8>, String> {
    let font = |data: &'static [u8]| Font::new(data.into(), 0).ok_or("the embedded font cannot be read");
    let fonts = Fonts { regular: font(REGULAR)?, bold: font(BOLD)? };
    let mut pdf = Pdf::new_with(SerializeSettings { configuration, ..SerializeSettings::default() });
    let made = date(document.made_utc_us);
    pdf.set_metadata(
        Metadata::new()
            .title(format!("{} {}", document.title, document.id))
            .description(document.subtitle.chars().take(200).collect())
            .creator(concat!("dropwise ", env!("CARGO_PKG_VERSION")).to_owned())
            .producer(concat!("dropwise ", env!("CARGO_PKG_VERSION")).to_owned())
            .language("en".to_owned())
            .document_id(document.id.clone())
            .creation_date(made),
    );
    let (width, height) = paper.points();
    let logo = document.header.logo.as_ref().map(|logo| {
        let data = logo.bytes.clone().into();
        match logo.kind {
            LogoKind::Png => Image::from_png(data, true),
            LogoKind::Jpeg => Image::from_jpeg(data, true),
        }
    });
    let logo = logo.transpose().map_err(|e| format!("the logo cannot be read: {e}"))?;
    for marks in pages {
        let settings = PageSettings::from_wh(width, height).ok_or("the paper has no size")?;
        let mut page = pdf.start_page_with(settings);
        let mut surface = page.surface();
        for mark in marks {
            draw(&mut surface, mark, &fonts, logo.as_ref())?;
        }
        surface.finish();
        page.finish();
    }
    for attachment in attachments {
        let file = EmbeddedFile {
            path: attachment.name.clone(),
            mime_type: MimeType::new(attachment.media),
            description: Some(attachment.what.clone()),
            association_kind: AssociationKind::Source,
            data: attachment.bytes.clone().into(),
            modification_date: Some(made),
            compress: Some(true),
            location: None,
        };
        pdf.embed_file(file).ok_or("two attachments have the same name")?;
    }
    pdf.finish().map_err(|e| format!("the PDF cannot be written: {e:?}"))
}

fn draw(
    surface: &mut Surface<'_>,
    mark: &Mark<'_>,
    fonts: &Fonts,
    logo: Option<&Image>,
) -> Result<(), String> {
    match mark {
        Mark::Text { x, y, size, bold, colour, words } => {
            surface.set_fill(Some(fill(*colour)));
            let font = if *bold { &fonts.bold } else { &fonts.regular };
            letters(surface, (*x, *y), *size, font, Metrics::of(*bold), words);
        }
        Mark::Area { x, y, width, height, colour } => {
            let mut path = PathBuilder::new();
            let area = Rect::from_xywh(*x, *y, *width, *height).ok_or("an area has no size")?;
            path.push_rect(area);
            surface.set_fill(Some(fill(*colour)));
            if let Some(path) = path.finish() {
                surface.draw_path(&path);
            }
        }
        Mark::Picture { x, y, width, height, drawn } => {
            let tree = raster_tree(&drawn.svg)?;
            let size = Size::from_wh(*width, *height).ok_or("a picture has no size")?;
            surface.push_transform(&Transform::from_translate(*x, *y));
            let shown = surface.draw_svg(&tree, size, SvgSettings::default());
            surface.pop();
            shown.ok_or("a picture cannot be drawn")?;
        }
        Mark::Logo { right, y, width, height } => {
            let Some(logo) = logo else { return Ok(()) };
            let (wide, tall) = logo.size();
            let scale = (width / wide.max(1) as f32).min(height / tall.max(1) as f32);
            let (wide, tall) = (wide as f32 * scale, tall as f32 * scale);
            let size = Size::from_wh(wide, tall).ok_or("the logo has no size")?;
            surface.push_transform(&Transform::from_translate(right - wide, *y));
            surface.draw_image(logo.clone(), size);
            surface.pop();
        }
    }
    Ok(())
}

/// Letters one after the other, each by its own width; words of writing from right to left are set as such.
fn letters(
    surface: &mut Surface<'_>,
    (x, y): (f32, f32),
    size: f32,
    font: &Font,
    metrics: &Metrics,
    words: &str,
) {
    let mut at = x;
    let mut plain = String::new();
    let flush = |surface: &mut Surface<'_>, plain: &mut String, at: &mut f32| {
        let glyphs: Vec<KrillaGlyph> = plain
            .char_indices()
            .filter_map(|(start, c)| {
                let glyph = metrics.glyph(c)?;
                let range = start..start + c.len_utf8();
                let id = GlyphId::new(u32::from(glyph.0));
                Some(KrillaGlyph::new(id, metrics.advance(glyph), 0.0, 0.0, 0.0, range, None))
            })
            .collect();
        if !glyphs.is_empty() {
            surface.draw_glyphs(Point::from_xy(*at, y), &glyphs, font.clone(), plain, size, false);
        }
        *at += metrics.width(plain) * size;
        plain.clear();
    };
    if !words.chars().any(is_right_to_left) {
        plain.push_str(words);
        flush(surface, &mut plain, &mut at);
        return;
    }
    for word in words.split_inclusive(' ') {
        if word.chars().any(is_right_to_left) {
            flush(surface, &mut plain, &mut at);
            surface.draw_text(
                Point::from_xy(at, y),
                font.clone(),
                size,
                word,
                false,
                TextDirection::RightToLeft,
            );
            at += metrics.width(word) * size;
        } else {
            plain.push_str(word);
        }
    }
    flush(surface, &mut plain, &mut at);
}

/// Hebrew, Arabic and their neighbours.
const fn is_right_to_left(c: char) -> bool {
    matches!(c, '\u{0590}'..='\u{08FF}' | '\u{FB1D}'..='\u{FDFF}' | '\u{FE70}'..='\u{FEFC}')
}

fn fill((r, g, b): Colour) -> Fill {
    Fill { paint: rgb::Color::new(r, g, b).into(), opacity: NormalizedF32::ONE, rule: FillRule::NonZero }
}

fn date(utc_us: i64) -> DateTime {
    let at = jiff::Timestamp::from_microsecond(utc_us).unwrap_or_default();
    let at = at.to_zoned_datetime(jiff::tz::TimeZone::UTC);
    let small = |n: i8| n.unsigned_abs();
    DateTime::new(at.year().unsigned_abs())
        .month(small(at.month()))
        .day(small(at.day()))
        .hour(small(at.hour()))
        .minute(small(at.minute()))
        .second(small(at.second()))
        .utc_offset_hour(0)
        .utc_offset_minute(0)
}
