//! What can go wrong with a push.

/// A fault of a push.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The server cannot be reached, or the connection was lost: worth another try.
    #[error("{server} cannot be reached: {why}; nothing is lost, what is missing there goes with the next push")]
    Unreachable {
        /// Which server.
        server: String,
        /// What was said.
        why: String,
    },
    /// The server refused something.
    #[error("{server} refused: {why}")]
    Refused {
        /// Which server.
        server: String,
        /// What it said.
        why: String,
    },
    /// What was typed, or a file that it names.
    #[error("{0}")]
    Misuse(String),
    /// The tables are not those of this program.
    #[error("the database {what}; let the owner of its tables run `dropwise push --prepare --writer ROLE`")]
    NotPrepared {
        /// In words.
        what: String,
    },
    /// The database holds another continuation of this record.
    #[error(
        "row {n} of the ledger in the database is not that of this record: an older copy was put back, it is an import, or it was written anew; see `dropwise record verify`, and push this record to another database"
    )]
    Diverged {
        /// The row.
        n: i64,
    },
    /// The record cannot be read.
    #[error(transparent)]
    Record(#[from] crate::store::Error),
    /// Something of the program itself.
    #[error("a task of the program failed: {0}")]
    Own(String),
}

impl Error {
    /// What the library said, in words; a connection that is gone is worth another try.
    pub(super) fn of(server: &str, error: &tokio_postgres::Error) -> Self {
        let server = server.to_owned();
        match error.as_db_error() {
            Some(refused) => {
                let code = refused.code().code();
                let detail = refused.detail().map_or_else(String::new, |detail| format!(" ({detail})"));
                let why = format!("{}{detail}", refused.message());
                // 08: connection, 53: no room, 57: it is ended or starts up, 40: two at once.
                if ["08", "53", "57", "40"].iter().any(|class| code.starts_with(class)) {
                    Self::Unreachable { server, why }
                } else {
                    Self::Refused { server, why }
                }
            }
            None => {
                let mut why = error.to_string();
                let mut source = std::error::Error::source(error);
                while let Some(cause) = source {
                    let text = cause.to_string();
                    if !why.contains(&text) {
                        why = format!("{why}: {text}");
                    }
                    source = cause.source();
                }
                Self::Unreachable { server, why }
            }
        }
    }
}
