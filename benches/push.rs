//! A push beside a bare COPY of the same rows to tables of the same form.
//!
//!     PUSH_BENCH="host=/tmp/socket user=owner" cargo bench --bench push [-- RUNS POINTS]
//!
//! The server must let the user make the databases `pushed` and `bare`, which are thrown away first. The bare COPY gets its rows from
//! memory, in the binary form, one statement for each table.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench that cannot go on stops here, and prints"
)]

#[path = "../tests/stored/mod.rs"]
mod stored;

use bytes::{Bytes, BytesMut};
use futures_util::{SinkExt, StreamExt};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;
use stored::many_runs;
use tokio_postgres::{Client, NoTls};

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|word| word.parse::<u32>().ok());
    let (runs, points) = (numbers.next().unwrap_or(10_000), numbers.next().unwrap_or(100));
    let Ok(server) = std::env::var("PUSH_BENCH") else {
        println!("skipped: PUSH_BENCH names no server");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    many_runs(&home.join("record.db"), runs, points);
    let runtime = tokio::runtime::Runtime::new().unwrap();
    runtime.block_on(async {
        let client = connect(&format!("{server} dbname=postgres")).await;
        for database in ["pushed", "bare"] {
            client.batch_execute(&format!("DROP DATABASE IF EXISTS {database}")).await.unwrap();
            client.batch_execute(&format!("CREATE DATABASE {database}")).await.unwrap();
            push(home, &format!("{server} dbname={database}"), &["--prepare"]);
        }
        let began = Instant::now();
        push(home, &format!("{server} dbname=pushed"), &[]);
        let pushed = began.elapsed().as_secs_f64();
        let (from, to) =
            (connect(&format!("{server} dbname=pushed")).await, connect(&format!("{server} dbname=bare")).await);
        let tables = from
            .query(
                "SELECT tablename FROM pg_tables WHERE schemaname = 'dropwise' AND tablename <> 'migration'
                 ORDER BY tablename <> 'record', tablename",
                &[],
            )
            .await
            .unwrap();
        let mut bare = 0.0;
        let mut rows = 0;
        for table in tables {
            let table: String = table.get(0);
            let mut bytes = BytesMut::new();
            let sql = format!("COPY dropwise.{table} TO STDOUT (FORMAT binary)");
            let mut stream = std::pin::pin!(from.copy_out(&sql).await.unwrap());
            while let Some(part) = stream.next().await {
                bytes.extend_from_slice(&part.unwrap());
            }
            let began = Instant::now();
            let sql = format!("COPY dropwise.{table} FROM STDIN (FORMAT binary)");
            let mut sink = std::pin::pin!(to.copy_in::<_, Bytes>(&sql).await.unwrap());
            let mut bytes = bytes.freeze();
            while !bytes.is_empty() {
                let part = bytes.split_to(bytes.len().min(1 << 20));
                sink.send(part).await.unwrap();
            }
            rows += sink.finish().await.unwrap();
            bare += began.elapsed().as_secs_f64();
        }
        let size: i64 = from.query_one("SELECT pg_database_size('pushed')", &[]).await.unwrap().get(0);
        let again = Instant::now();
        push(home, &format!("{server} dbname=pushed"), &[]);
        let again = again.elapsed().as_secs_f64();
        let verified = Instant::now();
        push(home, &format!("{server} dbname=pushed"), &["--verify"]);
        println!(
            "push        {runs} runs, {rows} rows: {pushed:.2} s, {:.0} rows/s; bare COPY {bare:.2} s, {:.0} rows/s; {:.2} of its rate",
            rows as f64 / pushed,
            rows as f64 / bare,
            bare / pushed
        );
        println!(
            "again       {again:.2} s for nothing new; verified in {:.2} s; {:.0} bytes a run in the database",
            verified.elapsed().as_secs_f64(),
            size as f64 / f64::from(runs)
        );
    });
}

async fn connect(to: &str) -> Client {
    let (client, connection) = tokio_postgres::connect(to, NoTls).await.unwrap();
    tokio::spawn(connection);
    client
}

fn push(home: &Path, to: &str, more: &[&str]) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_dropwise"));
    command.env("DROPWISE_HOME", home).args(["push", "--to", to]).args(more);
    assert!(command.stdin(Stdio::null()).stdout(Stdio::null()).status().unwrap().success());
}
