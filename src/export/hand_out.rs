//! Files handed out to another system, each once: over restarts, kills and a system that takes them away at once.
//!
//! A list beside the files, in a hidden folder, has a line for each that was handed out. A file is written in the hidden
//! folder first; then the list says that it goes out; then it is moved. After a kill between the two the file is still in
//! the hidden folder, and is moved then; if it is not there any more, it had been moved.

use super::place::{sync_folder, write_whole};
use super::Error;
use std::collections::HashSet;
use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};

/// The hidden folder.
const HIDDEN: &str = ".dropwise";
/// The list in it.
const LIST: &str = "handed-out";
/// The first line of the list.
const HEAD: &str = "dropwise handed out 1";

/// A folder whose files another system takes.
#[derive(Debug)]
pub struct HandOut {
    folder: PathBuf,
    hidden: PathBuf,
    list: File,
    done: HashSet<String>,
}

impl HandOut {
    /// Opens the folder, makes the list if there is none, and finishes what a kill cut off.
    ///
    /// # Errors
    /// When the folder cannot be written, another program hands out there, or the list is not one of ours.
    pub fn open(folder: &Path) -> Result<Self, Error> {
        let hidden = folder.join(HIDDEN);
        let path = hidden.join(LIST);
        let fail = |source| Error::Write { path: path.clone(), source };
        std::fs::create_dir_all(&hidden).map_err(fail)?;
        if !path.exists() {
            write_whole(&path, format!("{HEAD}\n").as_bytes())?;
        }
        let list = File::options().read(true).append(true).open(&path).map_err(fail)?;
        if list.try_lock().is_err() {
            return Err(Error::HandedOut {
                path: path.clone(),
                why: "another dropwise hands out to this folder; end it first".to_owned(),
            });
        }
        let mut lines = Vec::new();
        for line in BufReader::new(&list).lines() {
            lines.push(line.map_err(fail)?);
        }
        if lines.first().map(String::as_str) != Some(HEAD) {
            let why = "it is no list of files handed out; put it back from a backup, or hand out to a new folder";
            return Err(Error::HandedOut { path: path.clone(), why: why.to_owned() });
        }
        let mut opened = Self { folder: folder.to_owned(), hidden, list, done: HashSet::new() };
        // A line that was cut off by a kill has no end; its file had not been moved.
        let whole = std::fs::read(&path).map_err(fail)?.ends_with(b"\n");
        if !whole {
            let cut = lines.pop().unwrap_or_default();
            let kept = lines.join("\n").len() as u64 + 1;
            opened.list.set_len(kept).map_err(fail)?;
            tracing::info!(cut, "a line of the list was cut off");
        }
        opened.done = lines.drain(1..).collect();
        opened.finish_what_was_cut_off()?;
        Ok(opened)
    }

    fn finish_what_was_cut_off(&self) -> Result<(), Error> {
        let fail = |source| Error::Write { path: self.hidden.clone(), source };
        for entry in std::fs::read_dir(&self.hidden).map_err(fail)? {
            let name = entry.map_err(fail)?.file_name().to_string_lossy().into_owned();
            if name == LIST {
                continue;
            }
            if self.done.contains(&name) {
                self.put_out(&name)?;
            } else {
                // It never went out, and is written again.
                std::fs::remove_file(self.hidden.join(&name)).map_err(fail)?;
            }
        }
        Ok(())
    }

    /// Whether the file of that name was handed out.
    #[must_use]
    pub fn is_done(&self, name: &str) -> bool {
        self.done.contains(name)
    }

    /// Where the file of that name is written first.
    #[must_use]
    pub fn draft(&self, name: &str) -> PathBuf {
        self.hidden.join(name)
    }

    /// Hands the file out that was written as [`Self::draft`] of that name.
    ///
    /// # Errors
    /// What the system says; it is handed out at the next opening then, or written anew.
    pub fn hand_out(&mut self, name: &str) -> Result<(), Error> {
        self.note(name)?;
        self.put_out(name)
    }

    /// Takes that name for handed out, without a file.
    ///
    /// # Errors
    /// What the system says.
    pub fn note(&mut self, name: &str) -> Result<(), Error> {
        let written = self.list.write_all(format!("{name}\n").as_bytes()).and_then(|()| self.list.sync_data());
        written.map_err(|source| Error::Write { path: self.hidden.join(LIST), source })?;
        self.done.insert(name.to_owned());
        Ok(())
    }

    fn put_out(&self, name: &str) -> Result<(), Error> {
        let to = self.folder.join(name);
        std::fs::rename(self.hidden.join(name), &to)
            .and_then(|()| sync_folder(&to))
            .map_err(|source| Error::Write { path: to, source })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let files = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap());
        let mut names: Vec<String> = files
            .filter(|e| e.file_type().unwrap().is_file())
            .map(|e| e.file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn whatever_a_kill_cuts_off_each_file_goes_out_once() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path();
        let mut out = HandOut::open(path).unwrap();
        std::fs::write(out.draft("a"), "1").unwrap();
        out.hand_out("a").unwrap();
        assert_eq!(names(path), ["a"]);
        assert!(HandOut::open(path).is_err(), "two at once");
        // Killed before the list was written.
        std::fs::write(out.draft("b"), "half").unwrap();
        drop(out);
        let mut out = HandOut::open(path).unwrap();
        assert!(!out.is_done("b") && !out.draft("b").exists());
        // Killed after the list was written, before the file was moved.
        std::fs::write(out.draft("b"), "2").unwrap();
        out.note("b").unwrap();
        drop(out);
        assert_eq!(names(path), ["a"]);
        let out = HandOut::open(path).unwrap();
        assert_eq!(names(path), ["a", "b"]);
        drop(out);
        // Taken away by the other system: it does not come again.
        std::fs::remove_file(path.join("a")).unwrap();
        let out = HandOut::open(path).unwrap();
        assert!(out.is_done("a") && names(path) == ["b"]);
        drop(out);
        // A line that was cut off is no line.
        let list = path.join(HIDDEN).join(LIST);
        let mut text = std::fs::read_to_string(&list).unwrap();
        text.push_str("c-hal");
        std::fs::write(&list, text).unwrap();
        let mut out = HandOut::open(path).unwrap();
        std::fs::write(out.draft("c-half"), "3").unwrap();
        out.hand_out("c-half").unwrap();
        drop(out);
        assert!(std::fs::read_to_string(&list).unwrap().ends_with("\nb\nc-half\n"));
    }
}
