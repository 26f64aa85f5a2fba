//! A serial-to-network box: one connection to one fixed address.

use super::SourceError;
use super::connection::{Connect, Connection};
use std::net::SocketAddr;
use std::time::Duration;
use tokio::net::TcpStream;

/// A box that does not answer within this time is tried again later.
const CONNECT_TIME_OUT: Duration = Duration::from_secs(5);
/// A quiet connection is probed after this long, so that a pulled cable is noticed.
const PROBE_AFTER: Duration = Duration::from_secs(20);
/// Time between probes; the system gives up after some of them.
const PROBE_EVERY: Duration = Duration::from_secs(5);

/// The box.
pub(super) struct NetworkBox {
    address: String,
    /// Who answered first; another one later is told.
    peer: Option<SocketAddr>,
}

impl NetworkBox {
    pub(super) fn new(address: String) -> Self {
        Self { address, peer: None }
    }

    fn unreachable(&self, why: impl ToString) -> SourceError {
        SourceError::Unreachable { address: self.address.clone(), why: why.to_string() }
    }
}

impl Connect for NetworkBox {
    type Stream = TcpStream;

    async fn connect(&mut self) -> Result<Connection<TcpStream>, SourceError> {
        let stream = tokio::time::timeout(CONNECT_TIME_OUT, TcpStream::connect(&self.address))
            .await
            .map_err(|_| self.unreachable(format!("no answer within {} s", CONNECT_TIME_OUT.as_secs())))?
            .map_err(|error| self.unreachable(error))?;
        let probes = socket2::TcpKeepalive::new().with_time(PROBE_AFTER).with_interval(PROBE_EVERY);
        let mut remarks = Vec::new();
        if let Err(error) = socket2::SockRef::from(&stream).set_tcp_keepalive(&probes) {
            remarks.push(format!("a pulled network cable will not be noticed: {error}"));
        }
        stream.set_nodelay(true).map_err(|error| self.unreachable(error))?;
        let peer = stream.peer_addr().map_err(|error| self.unreachable(error))?;
        match self.peer.replace(peer) {
            Some(before) if before != peer => {
                remarks.push(format!("another machine answers now: {peer}, before it was {before}"));
            }
            _ => {}
        }
        Ok(Connection { stream, what: format!("connected to {peer}"), remarks })
    }

    fn hung_up(&self) -> String {
        format!("{} closed the connection", self.address)
    }
}
