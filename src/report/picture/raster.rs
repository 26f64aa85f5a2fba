//! Pictures to files: SVG as drawn, PNG with the font of the reports.

use super::Drawn;
use crate::report::fonts;
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree};
use std::path::Path;

/// Pixels of a PNG for each of the drawing: sharp on paper too.
const FINER: f32 = 2.0;

/// Formats of pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Vectors.
    Svg,
    /// Pixels.
    Png,
}

impl Format {
    /// By the ending of a file name.
    ///
    /// # Errors
    /// In words, for another ending.
    pub fn of(path: &Path) -> Result<Self, String> {
        match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
            Some("svg") => Ok(Self::Svg),
            Some("png") => Ok(Self::Png),
            _ => Err(format!("{}: a picture ends in .svg or .png", path.display())),
        }
    }
}

/// The picture as the SVG library sees it, with the embedded font.
///
/// # Errors
/// In words; a drawing of ours is always understood.
pub(in crate::report) fn raster_tree(svg: &str) -> Result<Tree, String> {
    let options =
        Options { fontdb: fonts::database(), font_family: fonts::FAMILY.to_owned(), ..Options::default() };
    Tree::from_str(svg, &options).map_err(|e| format!("the picture cannot be read: {e}"))
}

/// The picture as PNG.
///
/// # Errors
/// In words.
pub fn png(drawn: &Drawn) -> Result<Vec<u8>, String> {
    let tree = raster_tree(&drawn.svg)?;
    let size = tree.size().to_int_size().scale_by(FINER).ok_or("the picture is too large")?;
    let mut pixels = Pixmap::new(size.width(), size.height()).ok_or("the picture is too large")?;
    resvg::render(&tree, Transform::from_scale(FINER, FINER), &mut pixels.as_mut());
    pixels.encode_png().map_err(|e| format!("the picture cannot be written: {e}"))
}

/// Writes the picture to a file, in the format that its name says.
///
/// # Errors
/// In words: another ending, or a file that cannot be written.
pub fn write(path: &Path, drawn: &Drawn) -> Result<(), String> {
    let bytes = match Format::of(path)? {
        Format::Svg => drawn.svg.clone().into_bytes(),
        Format::Png => png(drawn)?,
    };
    std::fs::write(path, bytes).map_err(|e| {
        format!("{} cannot be written: {e}; check the folder and its permissions", path.display())
    })
}
