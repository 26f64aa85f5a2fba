//! What can go wrong with an export.

use std::path::PathBuf;

/// A fault of an export.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A file cannot be written.
    #[error("{path} cannot be written: {source}; is the folder there, with room and write permission?")]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A file is there already.
    #[error("{path} is there already and is not overwritten; name a new file, or say --replace")]
    There {
        /// The file.
        path: PathBuf,
    },
    /// Standard output, or a file that is open, cannot be written.
    #[error("the rows cannot be written: {0}; is the disk full?")]
    Rows(#[from] std::io::Error),
    /// A spreadsheet cannot be made.
    #[error("the spreadsheet cannot be written: {0}")]
    Sheet(#[from] rust_xlsxwriter::XlsxError),
    /// A columnar file cannot be made.
    #[error("the columnar file cannot be written: {0}")]
    Columns(#[from] parquet::errors::ParquetError),
    /// The record cannot be read.
    #[error(transparent)]
    Record(#[from] crate::store::Error),
    /// The list of what was handed out cannot be trusted.
    #[error("{path} cannot be used: {why}")]
    HandedOut {
        /// The list.
        path: PathBuf,
        /// What is wrong, and what to do.
        why: String,
    },
}
