//! Opening a record: for writing (made and migrated if need be) or for reading only.

use super::Error;
use super::ledger::{Chain, Decision};
use super::seal::seal_what_is_there;
use crate::work::RECORDER;
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, TransactionBehavior};
use std::path::Path;
use std::time::Duration;

/// "drop" in ASCII: marks the file as ours in its header.
const APPLICATION_ID: i64 = 0x6472_6f70;

/// Steps from each schema version to the next; never edited once landed.
pub(super) const MIGRATIONS: [&str; 2] =
    [include_str!("migrations/0001_record.sql"), include_str!("migrations/0002_ledger.sql")];

/// The schema version from which rows are sealed.
pub(super) const SEALED_FROM: i64 = 2;

/// The schema version that this program writes.
pub const SCHEMA_VERSION: i64 = MIGRATIONS.len() as i64;

/// How long to wait for another program's short lock before saying so in words.
const BUSY_WAIT: Duration = Duration::from_millis(500);

/// Prepared statements kept: more than there are kinds of rows and questions in one commit.
const STATEMENTS: usize = 96;

/// Opens the record at `path` for writing; makes it, and its folder, if there is none.
///
/// # Errors
/// When the folder cannot be written, the file is not ours, newer, damaged, locked, or on a network file system.
pub fn open_for_writing(path: &Path) -> Result<Connection, Error> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    std::fs::create_dir_all(folder).map_err(|source| Error::Folder { folder: folder.to_owned(), source })?;
    refuse_network(path, folder)?;
    let fail = |source| Error::sqlite(path, source);
    if let Err(source) = std::fs::OpenOptions::new().append(true).create(true).open(path) {
        return Err(Error::Folder { folder: folder.to_owned(), source });
    }
    let mut connection = Connection::open(path).map_err(fail)?;
    harden(&connection).map_err(fail)?;
    connection.busy_timeout(BUSY_WAIT).map_err(fail)?;
    let found = recognise(&connection, path)?;
    if found > SCHEMA_VERSION {
        return Err(Error::Newer { path: path.to_owned(), found, known: SCHEMA_VERSION });
    }
    connection.pragma_update(None, "journal_mode", "WAL").map_err(fail)?;
    connection.pragma_update(None, "synchronous", "FULL").map_err(fail)?;
    connection.pragma_update(None, "foreign_keys", true).map_err(fail)?;
    migrate(&mut connection, found).map_err(fail)?;
    Ok(connection)
}

/// Opens the record at `path` for reading only; a newer schema is read as far as it is known.
///
/// # Errors
/// When there is none, or it is not ours or damaged.
pub fn open_for_reading(path: &Path) -> Result<Connection, Error> {
    if !path.exists() {
        return Err(Error::Missing { path: path.to_owned() });
    }
    let fail = |source| Error::sqlite(path, source);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(fail)?;
    harden(&connection).map_err(fail)?;
    connection.busy_timeout(BUSY_WAIT).map_err(fail)?;
    recognise(&connection, path)?;
    Ok(connection)
}

/// Files from outside may carry hostile schemas: nothing in them is trusted to run. A prepared statement keeps its plan:
/// without that, SQLite prepares one anew whenever a value that is compared with an index changes.
fn harden(connection: &Connection) -> rusqlite::Result<()> {
    connection.set_prepared_statement_cache_capacity(STATEMENTS);
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true)?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false)?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_DQS_DML, false)?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_DQS_DDL, false)?;
    Ok(())
}

/// The schema version of a file that is ours, 0 for an empty one.
fn recognise(connection: &Connection, path: &Path) -> Result<i64, Error> {
    let pragma = |name: &str| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    let fail = |source| Error::sqlite(path, source);
    let version = pragma("user_version").map_err(fail)?;
    let id = pragma("application_id").map_err(fail)?;
    let tables: i64 =
        connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(fail)?;
    if tables == 0 && version == 0 {
        return Ok(0);
    }
    if id != APPLICATION_ID {
        let why = "it is an SQLite file made by another program".to_owned();
        return Err(Error::Foreign { path: path.to_owned(), why });
    }
    Ok(version)
}

/// Gives an empty file the schema of this program.
pub(super) fn migrate_new(connection: &mut Connection) -> rusqlite::Result<()> {
    migrate(connection, 0)
}

fn migrate(connection: &mut Connection, found: i64) -> rusqlite::Result<()> {
    for (step, sql) in MIGRATIONS.iter().enumerate() {
        let version = step as i64 + 1;
        if version <= found {
            continue;
        }
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        transaction.execute_batch(sql)?;
        if version == SEALED_FROM && found > 0 {
            // What an older program wrote is sealed as it is found, and the ledger says so.
            let mut chain = Chain { seal: seal_what_is_there(&transaction)?, ..Chain::default() };
            let decision = Decision {
                who: RECORDER.to_owned(),
                verb: "migrate".to_owned(),
                subject: "record".to_owned(),
                why: format!("schema {found} had no seals; its rows are sealed as they were found"),
            };
            chain.append(&transaction, &decision, now_utc_us())?;
        }
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
        transaction.pragma_update(None, "user_version", version)?;
        transaction.commit()?;
    }
    Ok(())
}

/// The wall clock, microseconds since 1970 UTC.
pub(super) fn now_utc_us() -> i64 {
    jiff::Timestamp::now().as_microsecond()
}

/// Write-ahead logs need shared memory between programs, which network file systems do not give.
#[cfg(target_os = "linux")]
fn refuse_network(path: &Path, folder: &Path) -> Result<(), Error> {
    use nix::sys::statfs::{FsType, NFS_SUPER_MAGIC, SMB_SUPER_MAGIC, statfs};
    // CIFS and SMB2 have no constant in the library; the numbers are those of the kernel's magic.h.
    const CIFS: FsType = FsType(0xff53_4d42);
    const SMB2: FsType = FsType(0xfe53_4d42);
    let Ok(stat) = statfs(folder) else { return Ok(()) };
    let kind = match stat.filesystem_type() {
        NFS_SUPER_MAGIC => "NFS",
        SMB_SUPER_MAGIC | CIFS | SMB2 => "SMB",
        _ => return Ok(()),
    };
    Err(Error::Network { path: path.to_owned(), kind })
}

#[cfg(not(target_os = "linux"))]
fn refuse_network(_path: &Path, _folder: &Path) -> Result<(), Error> {
    Ok(())
}
