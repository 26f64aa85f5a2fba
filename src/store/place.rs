//! Is the file that is written still the one that stands at its path?
//!
//! A file that was moved or removed, or whose disk was unmounted, can be written on for as long as it is open; nobody would
//! find it afterwards. So the writer looks before each commit, and again before it says that something is saved.

use std::path::{Path, PathBuf};

/// What tells a file from every other one of this machine.
type Identity = Option<(u64, u64)>;

#[cfg(unix)]
fn identity(path: &Path) -> Identity {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata(path).ok().map(|file| (file.dev(), file.ino()))
}

/// Elsewhere an open file cannot be moved or removed.
#[cfg(not(unix))]
fn identity(_path: &Path) -> Identity {
    Some((0, 0))
}

/// The file of a record and its write-ahead log, as they stood when they were opened.
#[derive(Debug)]
pub(super) struct Place {
    path: PathBuf,
    log: PathBuf,
    file: Identity,
    /// Made with the first commit.
    log_file: Identity,
}

/// What is wrong with the place of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lost {
    /// The file is not there, or it is another one.
    Record,
    /// The file is there, and its write-ahead log is gone.
    Log,
}

impl Place {
    /// The place of the record that is open at `path`.
    pub(super) fn of(path: &Path) -> Self {
        let log = super::copy::beside(path, "-wal");
        let (file, log_file) = (identity(path), identity(&log));
        Self { path: path.to_owned(), log, file, log_file }
    }

    /// What is not in its place any more.
    pub(super) fn lost(&mut self) -> Option<Lost> {
        if identity(&self.path) != self.file {
            return Some(Lost::Record);
        }
        let log = identity(&self.log);
        if self.log_file.is_none() {
            self.log_file = log;
        }
        (log != self.log_file).then_some(Lost::Log)
    }

    /// What has become of the record, in words.
    pub(super) fn words(&self) -> String {
        let path = self.path.display();
        if self.path.exists() {
            format!(
                "another file stands at {path} than the record that was opened there: put the record back in its place; \
                 saving then goes on"
            )
        } else {
            format!(
                "the record is not at {path} any more (moved, removed, or its disk taken out): put it back in its place; \
                 saving then goes on"
            )
        }
    }
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_was_moved_replaced_or_put_back_is_told_from_the_one_that_was_opened() {
        let folder = tempfile::tempdir().unwrap();
        let (path, away) = (folder.path().join("record.db"), folder.path().join("away.db"));
        std::fs::write(&path, "a").unwrap();
        let mut place = Place::of(&path);
        assert_eq!(place.lost(), None);
        let log = folder.path().join("record.db-wal");
        std::fs::write(&log, "").unwrap();
        assert_eq!(place.lost(), None);
        std::fs::remove_file(&log).unwrap();
        assert_eq!(place.lost(), Some(Lost::Log));
        std::fs::rename(&path, &away).unwrap();
        assert_eq!(place.lost(), Some(Lost::Record));
        assert!(place.words().contains("not at"), "{}", place.words());
        std::fs::write(&path, "a").unwrap();
        assert_eq!(place.lost(), Some(Lost::Record));
        assert!(place.words().contains("another file"), "{}", place.words());
        std::fs::rename(&away, &path).unwrap();
        let mut place = Place { log_file: None, ..place };
        assert_eq!(place.lost(), None);
    }
}
