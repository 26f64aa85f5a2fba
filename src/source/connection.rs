//! What a serial port and a socket have in common: read and write at once, notice the end, come back.

use super::backoff::{Backoff, LONGEST_WAIT};
use super::outlet::{Outlet, Wiring};
use super::{CHUNK_BYTES, SourceError, SourceEvent};
use bytes::Bytes;
use std::future::Future;
use std::io;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::mpsc;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

/// A write that the port has not taken after this long (flow control, a dead peer) is given up.
const WRITE_TIME_OUT: Duration = Duration::from_secs(2);

/// A line that is open.
pub(super) struct Connection<S> {
    pub(super) stream: S,
    /// What is open, in words.
    pub(super) what: String,
    /// Things to know.
    pub(super) remarks: Vec<String>,
}

/// Something that can be opened again and again.
pub(super) trait Connect: Send {
    /// What it opens to.
    type Stream: AsyncRead + AsyncWrite + Unpin + Send;

    /// Opens it once.
    fn connect(&mut self) -> impl Future<Output = Result<Connection<Self::Stream>, SourceError>> + Send;

    /// Prepares a line that is over for being closed.
    fn part(&self, _stream: &mut Self::Stream) {}

    /// What the end of the stream means, in words.
    fn hung_up(&self) -> String;
}

/// How a connection ended.
pub(super) enum End {
    /// The source is to stop.
    Stopped,
    /// The line is gone, for this reason (`None`: it was closed by the other side).
    Gone(Option<io::Error>),
}

/// Keeps a line open until the source is to stop.
pub(super) async fn keep<C: Connect>(mut line: C, mut wiring: Wiring, must_exist: bool) {
    let mut backoff = Backoff::new();
    let mut was_open = false;
    let mut told = String::new();
    loop {
        let connected = tokio::select! {
            biased;
            () = wiring.stopped() => return,
            connected = line.connect() => connected,
        };
        let why = match connected {
            Ok(Connection { mut stream, what, remarks }) => {
                if wiring.outlet.opened(what, remarks).await.is_err() {
                    return;
                }
                was_open = true;
                told.clear();
                let since = Instant::now();
                let (end, heard) = talk(&mut stream, &mut wiring).await;
                line.part(&mut stream);
                // a line that opens and is gone at once keeps its growing wait
                if heard || since.elapsed() > LONGEST_WAIT {
                    backoff = Backoff::new();
                }
                match end {
                    End::Stopped => return,
                    End::Gone(None) => line.hung_up(),
                    End::Gone(Some(error)) => format!("{}: {error}", line.hung_up()),
                }
            }
            Err(error) if must_exist && !was_open => return wiring.fail(&error).await,
            Err(error) => error.to_string(),
        };
        if why != told {
            if wiring.outlet.gone(why.as_str()).await.is_err() {
                return;
            }
            told = why;
        }
        if !wiring.pause(backoff.wait(), "the port is gone").await {
            return;
        }
    }
}

/// Reads and writes until the line is gone or the source is to stop; also says whether anything came.
///
/// Both directions end by themselves, so that bytes that were read are always handed on.
pub(super) async fn talk<S>(stream: &mut S, wiring: &mut Wiring) -> (End, bool)
where
    S: AsyncRead + AsyncWrite + Unpin,
{
    let (reader, writer) = tokio::io::split(stream);
    let Wiring { outlet, write, cancel } = wiring;
    let over = CancellationToken::new();
    let reading = async {
        let end = listen(reader, outlet, cancel).await;
        over.cancel();
        end
    };
    let (end, ()) = tokio::join!(reading, speak(writer, outlet, write, &over));
    end
}

async fn listen(
    mut reader: impl AsyncRead + Unpin,
    outlet: &Outlet,
    cancel: &CancellationToken,
) -> (End, bool) {
    let mut stop = std::pin::pin!(async {
        tokio::select! {
            () = cancel.cancelled() => {}
            () = outlet.closed() => {}
        }
    });
    let mut buffer = vec![0; CHUNK_BYTES];
    let mut heard = false;
    loop {
        let read = tokio::select! {
            biased;
            () = &mut stop => return (End::Stopped, heard),
            read = reader.read(&mut buffer) => read,
        };
        match read {
            // A port that is gone answers every read with nothing, at once and for ever.
            Ok(0) => return (End::Gone(None), heard),
            Ok(count) => {
                heard = true;
                if outlet.bytes(&buffer[..count]).await.is_err() {
                    return (End::Stopped, heard);
                }
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return (End::Gone(Some(error)), heard),
        }
    }
}

/// Writes what is to be written. Never flushes: on a serial port that blocks the runtime until the
/// last bit is out, and hides the error. A failed write does not end the line: the reader notices.
async fn speak(
    mut writer: impl AsyncWrite + Unpin,
    outlet: &Outlet,
    write: &mut mpsc::Receiver<Bytes>,
    over: &CancellationToken,
) {
    loop {
        let bytes = tokio::select! {
            biased;
            () = over.cancelled() => return,
            bytes = write.recv() => match bytes {
                Some(bytes) => bytes,
                None => return over.cancelled().await,
            },
        };
        let written = tokio::select! {
            biased;
            written = tokio::time::timeout(WRITE_TIME_OUT, writer.write_all(&bytes)) => written,
            () = over.cancelled() => Ok(Err(io::Error::other("the line is gone"))),
        };
        let event = match written {
            Ok(Ok(())) => SourceEvent::Sent { at: outlet.stamp(), bytes },
            Ok(Err(error)) => SourceEvent::NotSent { at: outlet.stamp(), bytes, why: error.to_string() },
            Err(_) => {
                let why = format!("not taken within {} s", WRITE_TIME_OUT.as_secs());
                SourceEvent::NotSent { at: outlet.stamp(), bytes, why }
            }
        };
        if outlet.send(event).await.is_err() {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::{EVENTS_QUEUED, WRITES_QUEUED};
    use std::sync::{Arc, Mutex};
    use tokio::io::DuplexStream;

    /// A line that does at each opening what its script says, and keeps the times of the attempts.
    struct Scripted {
        script: Vec<Attempt>,
        began: Instant,
        tried_ms: Arc<Mutex<Vec<u128>>>,
        far_ends: Vec<DuplexStream>,
    }

    #[derive(Clone, Copy)]
    enum Attempt {
        Missing,
        OpensAndHangsUp,
        SaysSomethingAndHangsUp,
        Stays,
    }

    impl Connect for Scripted {
        type Stream = DuplexStream;

        async fn connect(&mut self) -> Result<Connection<DuplexStream>, SourceError> {
            self.tried_ms.lock().unwrap().push(self.began.elapsed().as_millis());
            let (stream, mut far_end) = tokio::io::duplex(64);
            match self.script.remove(0) {
                Attempt::Missing => return Err(SourceError::NoSuchPort { port: "scripted".to_owned() }),
                Attempt::OpensAndHangsUp => {}
                Attempt::SaysSomethingAndHangsUp => far_end.write_all(b"x").await.unwrap(),
                Attempt::Stays => self.far_ends.push(far_end),
            }
            Ok(Connection { stream, what: "scripted".to_owned(), remarks: Vec::new() })
        }

        fn hung_up(&self) -> String {
            "hung up".to_owned()
        }
    }

    /// Runs a script by a virtual clock; gives the times of the attempts and what was told.
    async fn run(script: &[Attempt]) -> (Vec<u128>, Vec<&'static str>) {
        let (events_in, mut events) = mpsc::channel(EVENTS_QUEUED);
        let (_write, write_out) = mpsc::channel(WRITES_QUEUED);
        let cancel = CancellationToken::new();
        let wiring = Wiring::new(events_in, write_out, cancel.clone(), false);
        let tried_ms = Arc::new(Mutex::new(Vec::new()));
        let line = Scripted {
            script: script.to_vec(),
            began: Instant::now(),
            tried_ms: Arc::clone(&tried_ms),
            far_ends: Vec::new(),
        };
        let task = tokio::spawn(keep(line, wiring, false));
        while tried_ms.lock().unwrap().len() < script.len() {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        cancel.cancel();
        task.await.unwrap();
        let mut told = Vec::new();
        while let Some(event) = events.recv().await {
            told.push(match event {
                SourceEvent::Opened { .. } => "opened",
                SourceEvent::Bytes { .. } => "bytes",
                SourceEvent::Gone { .. } => "gone",
                _ => "other",
            });
        }
        let tried_ms = tried_ms.lock().unwrap().clone();
        (tried_ms, told)
    }

    #[tokio::test(start_paused = true)]
    async fn a_missing_line_is_tried_with_waits_that_double_up_to_five_seconds_and_told_once() {
        use Attempt::{Missing, Stays};
        let (tried_ms, told) =
            run(&[Missing, Missing, Missing, Missing, Missing, Missing, Missing, Stays]).await;
        assert_eq!(tried_ms, [0, 250, 750, 1_750, 3_750, 7_750, 12_750, 17_750]);
        assert_eq!(told, ["gone", "opened"]);
    }

    #[tokio::test(start_paused = true)]
    async fn waits_go_on_growing_until_a_line_has_said_something() {
        use Attempt::{OpensAndHangsUp as Mute, SaysSomethingAndHangsUp as Talks, Stays};
        let (tried_ms, told) = run(&[Mute, Mute, Talks, Talks, Stays]).await;
        assert_eq!(tried_ms, [0, 250, 750, 1_000, 1_250]);
        assert_eq!(told[..4], ["opened", "gone", "opened", "gone"]);
        assert_eq!(told[4..], ["opened", "bytes", "gone", "opened", "bytes", "gone", "opened"]);
    }
}
