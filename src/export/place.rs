//! A file that is there whole or not at all.

use super::Error;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// A file that is written beside its place and moved there when it is whole; what was left of it goes with this value.
#[derive(Debug)]
pub struct Placed {
    to: PathBuf,
    part: PathBuf,
    placed: bool,
}

impl Placed {
    /// Begins a file for the place `to`.
    ///
    /// # Errors
    /// When something is there and may not be replaced.
    pub fn begin(to: &Path, replace: bool) -> Result<Self, Error> {
        if !replace && to.exists() {
            return Err(Error::There { path: to.to_owned() });
        }
        let name = to.file_name().unwrap_or_default().to_string_lossy();
        let part = to.with_file_name(format!(".{name}.{}.part", std::process::id()));
        Ok(Self { to: to.to_owned(), part, placed: false })
    }

    /// The file beside, where a library writes it itself.
    #[must_use]
    pub fn part(&self) -> &Path {
        &self.part
    }

    /// Opens the file beside.
    ///
    /// # Errors
    /// What the system says.
    pub fn open(&self) -> Result<BufWriter<File>, Error> {
        let file = File::create(&self.part).map_err(|source| self.fault(source))?;
        Ok(BufWriter::with_capacity(1 << 18, file))
    }

    fn fault(&self, source: std::io::Error) -> Error {
        Error::Write { path: self.to.clone(), source }
    }

    /// The file is whole: it is on the disk, and at its place, when this returns.
    ///
    /// # Errors
    /// What the system says.
    pub fn place(mut self) -> Result<(), Error> {
        let placed = File::open(&self.part)
            .and_then(|file| file.sync_all())
            .and_then(|()| std::fs::rename(&self.part, &self.to))
            .and_then(|()| sync_folder(&self.to));
        placed.map_err(|source| self.fault(source))?;
        self.placed = true;
        Ok(())
    }
}

impl Drop for Placed {
    fn drop(&mut self) {
        if !self.placed {
            // It may not have been begun.
            let _none = std::fs::remove_file(&self.part);
        }
    }
}

/// The entry of a file in its folder is on the disk when this returns.
pub(super) fn sync_folder(path: &Path) -> std::io::Result<()> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    // Other systems than Unix open no folders.
    if cfg!(unix) { File::open(folder)?.sync_all() } else { Ok(()) }
}

/// Writes a small file so that it is there whole or not at all.
pub(super) fn write_whole(to: &Path, bytes: &[u8]) -> Result<(), Error> {
    let placed = Placed::begin(to, true)?;
    let mut file = placed.open()?;
    file.write_all(bytes)?;
    file.flush()?;
    drop(file);
    placed.place()
}
