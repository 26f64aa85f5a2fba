//! What the lab puts at the head of its reports: `report.toml` in its configuration.

use super::{Header, Logo, LogoKind};
use crate::reading::visible;
use serde::Deserialize;
use std::path::Path;

/// The name of the file.
pub const FILE: &str = "report.toml";

/// A logo larger than this is a mistake.
const LOGO_MOST: u64 = 4 * 1024 * 1024;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct LabFile {
    /// Lines of text, the first one larger.
    #[serde(default)]
    lines: Vec<String>,
    /// A PNG or JPEG file, from the folder of this one.
    logo: Option<String>,
}

/// The header of a lab's reports; an empty one where it has set none.
///
/// # Errors
/// In words, when the file or the logo cannot be used.
pub fn header(configuration: &Path) -> Result<Header, String> {
    let path = configuration.join(FILE);
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Header::default()),
        Err(e) => return Err(format!("{} cannot be read: {e}", path.display())),
    };
    let file: LabFile = toml::from_str(&text)
        .map_err(|e| format!("{}: {}it holds lines = [\"...\"] and logo = \"FILE\"", path.display(), e))?;
    let logo = match &file.logo {
        Some(name) => Some(logo(&configuration.join(name))?),
        None => None,
    };
    Ok(Header { lines: file.lines.iter().map(|line| visible(line)).collect(), logo })
}

fn logo(path: &Path) -> Result<Logo, String> {
    let place = path.display();
    let unreadable = |e: std::io::Error| format!("the logo {place} cannot be read: {e}");
    let size = std::fs::metadata(path).map_err(unreadable)?.len();
    if size > LOGO_MOST {
        return Err(format!("the logo {place} has {size} bytes; at most {LOGO_MOST} are taken"));
    }
    let bytes = std::fs::read(path).map_err(unreadable)?;
    let kind = if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        LogoKind::Png
    } else if bytes.starts_with(&[0xff, 0xd8, 0xff]) {
        LogoKind::Jpeg
    } else {
        return Err(format!("the logo {place} is neither PNG nor JPEG"));
    };
    Ok(Logo { kind, bytes })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lab_sets_its_lines_and_mistakes_are_told() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(header(folder.path()), Ok(Header::default()));
        let write = |name: &str, bytes: &[u8]| std::fs::write(folder.path().join(name), bytes).unwrap();
        write(FILE, b"lines = [\"Water laboratory\", \"River street 7\"]\nlogo = \"own.png\"\n");
        assert!(header(folder.path()).unwrap_err().contains("own.png"));
        write("own.png", b"GIF89a");
        assert!(header(folder.path()).unwrap_err().contains("neither PNG nor JPEG"));
        write("own.png", b"\x89PNG\r\n\x1a\n rest");
        assert_eq!(header(folder.path()).unwrap().logo.unwrap().kind, LogoKind::Png);
        write(FILE, b"line = 1");
        assert!(header(folder.path()).unwrap_err().contains(FILE));
    }
}
