//! What can be wrong with a record, with the evidence and the way to mend it.

use std::path::PathBuf;

/// A fault of the record.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The folder of the record cannot be made or written.
    #[error(
        "cannot write the record in {folder}: {source}; give the folder write permission, or choose another place with --record FILE or --home DIR"
    )]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// There is no record yet.
    #[error(
        "there is no record at {path}; run `dropwise demo` or `dropwise run` first, or name another with --record FILE"
    )]
    Missing {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// The file is no record of ours.
    #[error("{path} is not a dropwise record: {why}; choose another file with --record FILE")]
    Foreign {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// A newer program wrote it.
    #[error(
        "the record {path} has schema {found}, this program knows {known}; it can be read, not written: use the newer dropwise to record"
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its schema version.
        found: i64,
        /// Ours.
        known: i64,
    },
    /// The file lies on a network file system.
    #[error(
        "the record {path} lies on a network file system ({kind}), where its write-ahead log is not safe; choose a local disk with --record FILE and copy finished records across instead"
    )]
    Network {
        /// The file.
        path: PathBuf,
        /// Which file system.
        kind: &'static str,
    },
    /// SQLite refused.
    #[error("the record {path} cannot be used: {source}; {mend}")]
    Sqlite {
        /// The file.
        path: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
        /// What to do.
        mend: &'static str,
    },
    /// A new file was asked for, and one is there.
    #[error("{path} is there already and is not overwritten; name a new file")]
    There {
        /// The file.
        path: PathBuf,
    },
    /// Something in a file is not as it was written.
    #[error(
        "{path} is not as it was written ({}); keep it as it is, and see what `dropwise record verify` says of it",
        first.as_ref().map_or_else(|| "nothing is in its ledger".to_owned(), |wrong| format!("{} {}", wrong.row, wrong.what))
    )]
    NotInOrder {
        /// The file.
        path: PathBuf,
        /// The first wrong row; `None`: its ledger is empty.
        first: Option<super::WrongRow>,
    },
    /// The run lies in an archive.
    #[error("run {run} was laid away in {archive}; open it with --record {archive}")]
    LaidAway {
        /// The run.
        run: i64,
        /// Where it lies.
        archive: PathBuf,
    },
    /// No such evaluation.
    #[error("there is no reckoning {id} in the record; `dropwise show RUN` lists those of a run")]
    NoReckoning {
        /// The number that was asked for.
        id: i64,
    },
    /// A file that holds runs with everything cannot be brought in.
    #[error("{path} cannot be brought in: {why}")]
    Import {
        /// The file, or the record that it was to go into.
        path: PathBuf,
        /// What is wrong, and what to do.
        why: String,
    },
    /// A file of rows cannot be written.
    #[error("the rows cannot be written: {source}; is the disk full?")]
    Rows {
        /// What the system said.
        #[from]
        source: std::io::Error,
    },
    /// No such run.
    #[error("there is no run {run} in the record; `dropwise list` shows which there are")]
    NoRun {
        /// The number that was asked for.
        run: i64,
    },
}

impl Error {
    /// Wraps what SQLite said about the file at `path`.
    pub(crate) fn sqlite(path: &std::path::Path, source: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as Code;
        let mend = match source.sqlite_error_code() {
            Some(Code::DatabaseBusy | Code::DatabaseLocked) => {
                "another program holds it: end that program, then try again"
            }
            Some(Code::DiskFull) => "free some space on its disk; saving then goes on",
            Some(Code::ReadOnly | Code::CannotOpen | Code::PermissionDenied) => {
                "give the file and its folder write permission, or choose another with --record FILE"
            }
            Some(Code::NotADatabase | Code::DatabaseCorrupt) => {
                "it is damaged or no SQLite file: take a copy out of the backups, keep this one for inspection"
            }
            _ => "keep a copy of the file before trying again",
        };
        Self::Sqlite { path: path.to_owned(), source, mend }
    }
}
