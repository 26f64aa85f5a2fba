//! A serial port: opened for us alone, set, read back, and opened again when it has gone.

use super::connection::{Connect, Connection};
use super::lock::{self, PortLock};
use super::{Port, SourceError, ports};
use crate::reading::{DataBits, Flow, LineSettings, Parity, StopBits};
use std::io;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_serial::{ClearBuffer, SerialPort, SerialStream};

/// A port that can be opened again and again under one name.
pub(super) struct SerialLine {
    port: Port,
    line: LineSettings,
}

impl SerialLine {
    pub(super) fn new(port: Port, line: LineSettings) -> Self {
        Self { port, line }
    }
}

impl Connect for SerialLine {
    type Stream = OpenPort;

    async fn connect(&mut self) -> Result<Connection<OpenPort>, SourceError> {
        let (port, line) = (self.port.clone(), self.line);
        let name = port.to_string();
        // Opening may take the driver a while and looks through /proc: off the runtime's threads.
        tokio::task::spawn_blocking(move || {
            let path = match &port {
                Port::Usb { vendor, product, serial } => {
                    ports::find_usb(*vendor, *product, serial.as_deref(), &port.to_string())?
                }
                Port::Serial { path } => path.clone(),
                _ => PathBuf::from(port.to_string()),
            };
            open(&path, &port.to_string(), line)
        })
        .await
        .unwrap_or_else(|error| Err(SourceError::Refused { port: name, why: error.to_string() }))
    }

    fn part(&self, stream: &mut OpenPort) {
        // The system would wait up to half a minute for unsent bytes when the port is closed.
        if let Err(error) = stream.stream.clear(ClearBuffer::Output) {
            tracing::debug!(%error, "unsent bytes could not be discarded");
        }
    }

    fn hung_up(&self) -> String {
        format!("{} hung up (unplugged, or switched off)", self.port)
    }
}

/// An open port and the lock that keeps it ours; the port is closed before the lock is freed.
pub(super) struct OpenPort {
    stream: SerialStream,
    _lock: PortLock,
}

/// Opens a port by its path. Within a runtime only. `name` is how people named it.
pub(super) fn open(path: &Path, name: &str, line: LineSettings) -> Result<Connection<OpenPort>, SourceError> {
    let lock = lock::take(path, name)?;
    let others = lock::other_holders(path);
    let builder = tokio_serial::new(path.to_string_lossy(), line.baud)
        .data_bits(data_bits(line.data_bits))
        .parity(parity(line.parity))
        .stop_bits(stop_bits(line.stop_bits))
        .flow_control(flow(line.flow))
        .dtr_on_open(line.dtr);
    let mut stream = SerialStream::open(&builder).map_err(|error| explain(&error, path, name, &others))?;
    let mut remarks = mismatches(&stream, line);
    // With RTS/CTS the driver moves the wire. A pseudo-terminal has no such wires, which matters only
    // to somebody who asked for another level than the one they have anyway.
    if line.flow != Flow::RtsCts {
        let set = stream.write_request_to_send(line.rts);
        if let (Err(error), false) = (set, line.rts) {
            remarks.push(format!("the wire RTS could not be switched off: {error}"));
        }
    }
    if !line.dtr && stream.write_data_terminal_ready(false).is_err() {
        remarks.push("the wire DTR could not be switched off".to_owned());
    }
    if !others.is_empty() {
        remarks.push(format!("{} also holds this port and may take bytes away", others.join(", ")));
    }
    let what = if path == Path::new(name) {
        format!("{name} at {line}")
    } else {
        format!("{name} ({}) at {line}", path.display())
    };
    Ok(Connection { stream: OpenPort { stream, _lock: lock }, what, remarks })
}

/// Settings that the port did not take. Drivers refuse silently, so they are read back.
fn mismatches(port: &SerialStream, asked: LineSettings) -> Vec<String> {
    let mut remarks = Vec::new();
    let mut compare = |what: &str, asked: String, got: Result<String, tokio_serial::Error>| match got {
        Ok(got) if got == asked => {}
        Ok(got) => remarks.push(format!("asked for {what} {asked}, but the port is set to {got}")),
        Err(error) => remarks.push(format!("asked for {what} {asked}; it cannot be read back: {error}")),
    };
    compare("baud rate", asked.baud.to_string(), port.baud_rate().map(|baud| baud.to_string()));
    let shown = |bits: DataBits| u8::from(bits).to_string();
    let got = port.data_bits().map(|bits| u8::from(bits).to_string());
    compare("data bits", shown(asked.data_bits), got);
    compare(
        "parity",
        format!("{:?}", parity(asked.parity)).to_lowercase(),
        port.parity().map(|parity| format!("{parity:?}").to_lowercase()),
    );
    compare(
        "stop bits",
        u8::from(asked.stop_bits).to_string(),
        port.stop_bits().map(|bits| u8::from(bits).to_string()),
    );
    compare(
        "flow control",
        asked.flow.word().to_owned(),
        port.flow_control().map(|got| flow_word(got).to_owned()),
    );
    remarks
}

/// Says in words what the system meant.
fn explain(error: &tokio_serial::Error, path: &Path, name: &str, others: &[String]) -> SourceError {
    let port = name.to_owned();
    let in_use = || SourceError::InUse {
        port: name.to_owned(),
        by: if others.is_empty() { "another program".to_owned() } else { others.join(", ") },
    };
    match error.kind() {
        tokio_serial::ErrorKind::Io(io::ErrorKind::NotFound) => SourceError::NoSuchPort { port },
        tokio_serial::ErrorKind::Io(io::ErrorKind::PermissionDenied) => {
            SourceError::NotAllowed { port, mend: mend_permission(path) }
        }
        tokio_serial::ErrorKind::Io(io::ErrorKind::ResourceBusy) => in_use(),
        // The library calls a port that it could not lock "no device".
        tokio_serial::ErrorKind::NoDevice if path.exists() => in_use(),
        tokio_serial::ErrorKind::NoDevice => SourceError::NoSuchPort { port },
        _ if error.description.contains("Not a typewriter") || error.description.contains("ENOTTY") => {
            SourceError::NotASerialPort { port }
        }
        _ => SourceError::Refused { port, why: error.to_string() },
    }
}

#[cfg(unix)]
fn mend_permission(path: &Path) -> String {
    use std::os::unix::fs::MetadataExt;
    let group = std::fs::metadata(path)
        .ok()
        .and_then(|device| nix::unistd::Group::from_gid(nix::unistd::Gid::from_raw(device.gid())).ok()?)
        .map(|group| group.name);
    match group {
        Some(group) if group != "root" => {
            format!("it belongs to the group {group}: have this user added to it, then log in again")
        }
        _ => "ask the administrator for access to this device".to_owned(),
    }
}

#[cfg(not(unix))]
fn mend_permission(_path: &Path) -> String {
    "another program may hold it, or it needs the administrator".to_owned()
}

fn data_bits(bits: DataBits) -> tokio_serial::DataBits {
    match bits {
        DataBits::Five => tokio_serial::DataBits::Five,
        DataBits::Six => tokio_serial::DataBits::Six,
        DataBits::Seven => tokio_serial::DataBits::Seven,
        DataBits::Eight => tokio_serial::DataBits::Eight,
    }
}

fn parity(parity: Parity) -> tokio_serial::Parity {
    match parity {
        Parity::None => tokio_serial::Parity::None,
        Parity::Odd => tokio_serial::Parity::Odd,
        Parity::Even => tokio_serial::Parity::Even,
    }
}

fn stop_bits(bits: StopBits) -> tokio_serial::StopBits {
    match bits {
        StopBits::One => tokio_serial::StopBits::One,
        StopBits::Two => tokio_serial::StopBits::Two,
    }
}

fn flow(flow: Flow) -> tokio_serial::FlowControl {
    match flow {
        Flow::None => tokio_serial::FlowControl::None,
        Flow::XonXoff => tokio_serial::FlowControl::Software,
        Flow::RtsCts => tokio_serial::FlowControl::Hardware,
    }
}

fn flow_word(flow: tokio_serial::FlowControl) -> &'static str {
    match flow {
        tokio_serial::FlowControl::None => Flow::None.word(),
        tokio_serial::FlowControl::Software => Flow::XonXoff.word(),
        tokio_serial::FlowControl::Hardware => Flow::RtsCts.word(),
    }
}

impl AsyncRead for OpenPort {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl AsyncWrite for OpenPort {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(context, bytes)
    }

    /// Does nothing: the port's own flush would block the runtime and hide its error.
    fn poll_flush(self: Pin<&mut Self>, _context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}
