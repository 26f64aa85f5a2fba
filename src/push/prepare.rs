//! The tables of the database: made and brought forward by their owner.

use super::{Error, Server, TABLES};
use tokio_postgres::Client;

/// Steps from each version of the tables to the next; never edited once landed.
const MIGRATIONS: [&str; 1] = [include_str!("migrations/0001_records.sql")];

/// The version of the tables that this program writes.
pub const SCHEMA_VERSION: i32 = MIGRATIONS.len() as i32;

/// Only one program at a time brings the tables forward.
const LOCK: i64 = 0x6472_6f70;

/// Makes the tables or brings them to this version, and lets `writer` add rows; gives the version that was there.
///
/// # Errors
/// When the server refuses, or its tables are newer.
pub async fn prepare(server: &Server, writer: Option<&str>) -> Result<i32, Error> {
    let fail = server.fail();
    let mut client = server.connect().await?;
    let transaction = client.transaction().await.map_err(&fail)?;
    transaction.execute("SELECT pg_advisory_xact_lock($1)", &[&LOCK]).await.map_err(&fail)?;
    let found = found_version(transaction.client(), server).await?;
    if found > SCHEMA_VERSION {
        return Err(newer(found));
    }
    for (sql, version) in MIGRATIONS.iter().zip(1..).filter(|(_, version)| *version > found) {
        transaction.batch_execute(sql).await.map_err(&fail)?;
        let program = concat!("dropwise ", env!("CARGO_PKG_VERSION"));
        transaction
            .execute("INSERT INTO dropwise.migration (version, program) VALUES ($1, $2)", &[&version, &program])
            .await
            .map_err(&fail)?;
    }
    if let Some(writer) = writer {
        transaction.batch_execute(&grants(writer)).await.map_err(&fail)?;
    }
    transaction.commit().await.map_err(&fail)?;
    Ok(found)
}

/// What a role needs to push: it adds rows, and reads no more than how far it is.
fn grants(writer: &str) -> String {
    let writer = format!("\"{}\"", writer.replace('"', "\"\""));
    let mut sql = format!(
        "GRANT USAGE ON SCHEMA dropwise TO {writer};
         GRANT SELECT ON dropwise.migration, dropwise.record TO {writer};
         GRANT INSERT ON dropwise.record TO {writer};
         GRANT SELECT (record_no, n, hash) ON dropwise.ledger TO {writer};
         GRANT SELECT (record_no, hash) ON dropwise.text TO {writer};"
    );
    for (table, ..) in TABLES {
        sql += &format!("GRANT INSERT ON dropwise.{table} TO {writer};");
    }
    sql
}

fn newer(found: i32) -> Error {
    Error::Misuse(format!(
        "the tables of the database have version {found}, this program knows {SCHEMA_VERSION}: use the newer dropwise"
    ))
}

/// The version of the tables; 0: there are none.
async fn found_version(client: &Client, server: &Server) -> Result<i32, Error> {
    let fail = server.fail();
    let there = client
        .query_one("SELECT to_regclass('dropwise.migration') IS NOT NULL", &[])
        .await
        .map_err(&fail)?
        .get::<_, bool>(0);
    if !there {
        return Ok(0);
    }
    let row = client.query_one("SELECT coalesce(max(version), 0) FROM dropwise.migration", &[]).await;
    Ok(row.map_err(&fail)?.get(0))
}

/// Whether the tables are those of this program.
pub(super) async fn is_prepared(client: &Client, server: &Server) -> Result<(), Error> {
    match found_version(client, server).await? {
        SCHEMA_VERSION => Ok(()),
        0 => Err(Error::NotPrepared { what: "has no tables of dropwise".to_owned() }),
        found if found < SCHEMA_VERSION => Err(Error::NotPrepared {
            what: format!("has tables of version {found}, this program writes {SCHEMA_VERSION}"),
        }),
        found => Err(newer(found)),
    }
}
