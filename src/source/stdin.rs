//! Standard input, or anything else that can only be read by waiting.

use super::outlet::Wiring;
use super::{CHUNK_BYTES, EVENTS_QUEUED};
use bytes::Bytes;
use std::io::{self, Read};
use tokio::sync::mpsc;

/// Reads until the end.
///
/// The reading thread is a plain one: it cannot be called back from a read, so nothing may wait for it
/// when the program ends.
pub(super) async fn read(input: impl Read + Send + 'static, what: &str, mut wiring: Wiring) {
    let (chunks_in, mut chunks) = mpsc::channel(EVENTS_QUEUED);
    let thread = std::thread::Builder::new().name(what.to_owned()).spawn(move || pump(input, &chunks_in));
    if let Err(error) = thread {
        return wiring.over(format!("{what} cannot be read: {error}")).await;
    }
    if wiring.outlet.opened(what.to_owned(), Vec::new()).await.is_err() {
        return;
    }
    loop {
        let Some(chunk) = wiring.take(&mut chunks, "standard input takes nothing").await else { return };
        match chunk {
            Some(Ok(bytes)) => {
                if wiring.outlet.bytes(&bytes).await.is_err() {
                    return;
                }
            }
            Some(Err(error)) => return wiring.over(format!("{what} cannot be read further: {error}")).await,
            None => return wiring.over(format!("{what} is at its end")).await,
        }
    }
}

fn pump(mut input: impl Read, chunks: &mpsc::Sender<io::Result<Bytes>>) {
    let mut buffer = vec![0; CHUNK_BYTES];
    loop {
        let chunk = match input.read(&mut buffer) {
            Ok(0) => return,
            Ok(count) => Ok(Bytes::copy_from_slice(&buffer[..count])),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => Err(error),
        };
        let failed = chunk.is_err();
        if chunks.blocking_send(chunk).is_err() || failed {
            return;
        }
    }
}
